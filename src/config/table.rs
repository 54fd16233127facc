//! Every key of the file, once: the readers, the suggestions and the schema all go by these tables.

use super::shape::Shape::{
    ById, ByName, Date, Drying, Either, Flow, Fraction, Hours, Id, List, Listen, Mass, Number, Object, Path, Pointer,
    Secret, Span, Template, Text, Time, Topic, Url, Volume, Whole, Words,
};
use super::shape::{Key, Table, key, table};

const TRUE_OR_FALSE: &[&str] = &["true", "false"];

pub(super) static FILE: Table = table(
    "file",
    "the file",
    &[
        key("version", Whole, "Version of this file's format.").default("1"),
        key("site", Object(&SITE), "What the site is called and how it tells time."),
        key(
            "broker",
            Either(&[Words(&["embedded"]), Object(&BROKER)]),
            "The MQTT broker: `embedded` runs one in this process, for this machine only; or an existing one.",
        )
        .default("embedded"),
        key("store", Path, "SQLite file; relative paths start at this file's folder, or at $STATE_DIRECTORY.")
            .default("tarewell.db"),
        key("web", Either(&[Words(&["off"]), Listen, Object(&WEB)]), "Where the pages are served.").default("off"),
        key("defaults", Object(&DEFAULTS), "What holds for every flat that does not say otherwise."),
        key("fills", ById(&Object(&FILL)), "Recipes that many flats share, by id."),
        key("stands", ById(&Object(&STAND)), "Platforms with load cells, by id."),
        key("flats", ById(&Object(&FLAT)), "Flats by id, in walking order."),
        key("valves", ById(&Object(&VALVE)), "Valves by id."),
        key("supplies", ById(&Object(&SUPPLY)), "Where the water comes from, by id."),
        key("notify", ById(&Object(&PHONE)), "Who is told of alerts, by id."),
    ],
);

pub(super) static SITE: Table = table(
    "site",
    "`site`",
    &[
        key("name", Text, "What people call the site.").default("the base topic"),
        key("time_zone", Text, "IANA name of the time zone, such as Europe/Oslo.").default("the machine's"),
        key("units", Words(&["metric", "us"]), "Units in words and pages; the wire is always metric.")
            .default("metric"),
        key("base_topic", Topic, "First part of all topics; all below it belongs to this one instance.")
            .default("tarewell"),
    ],
);

pub(super) static BROKER: Table = table(
    "broker",
    "`broker`",
    &[
        key("embedded", Object(&EMBEDDED), "A broker in this process."),
        key("url", Url, "An existing broker: mqtt://host:1883 or mqtts://host:8883."),
        key("username", Text, "User name at the existing broker."),
        key("password", Secret, "Password at the existing broker; better from the environment or a file."),
        key("password_file", Path, "File that holds the password."),
        key("ca_file", Path, "Certificates (PEM) to trust instead of the usual ones; for mqtts."),
        key("client_cert_file", Path, "Certificate (PEM) to show to the broker; for mqtts."),
        key("client_key_file", Path, "Key (PEM) of that certificate; for mqtts."),
    ],
);

pub(super) static EMBEDDED: Table = table(
    "embedded",
    "`embedded`",
    &[
        key("listen", Listen, "Address and port to listen at.").default("127.0.0.1:1883"),
        key("users", ByName(&Either(&[Secret, Object(&USER)])), "Who may connect: name and password."),
    ],
);

pub(super) static USER: Table = table(
    "user",
    "a user",
    &[
        key("password", Secret, "The password; better from the environment or a file."),
        key("password_file", Path, "File that holds the password."),
        key(
            "commands",
            Words(TRUE_OR_FALSE),
            "Whether this user may write commands and valve topics; stands need not.",
        )
        .default("false"),
    ],
);

pub(super) static WEB: Table = table(
    "web",
    "`web`",
    &[
        key("listen", Listen, "Address and port to listen at.").needed("there would be no page"),
        key("password", Secret, "Password of the pages; needed off loopback."),
        key("password_file", Path, "File that holds the password."),
    ],
);

const LOW: Key = key("low", Fraction, "Below it the flat is dry and somebody is told.");
const WATER_AT: Key = key("water_at", Fraction, "Below it a watering is due.");
const TARGET: Key = key("target", Fraction, "What a watering lifts the flat to.");
const HIGH: Key = key("high", Fraction, "Above it the flat is wet and nothing may water it.");
const WET_FOR: Key = key("wet_for", Span, "Above high for longer than this the flat is too wet.");
const ABSENT_FOR: Key = key("absent_for", Span, "Off its stand for so long the flat is absent.");
const FASTEST: Key = key("fastest_drying", Drying, "Faster loss than this is a leak, not drying.");

pub(super) static DEFAULTS: Table = table(
    "defaults",
    "`defaults`",
    &[
        LOW.default("30%"),
        WATER_AT.default("40%"),
        TARGET.default("50%"),
        HIGH.default("75%"),
        WET_FOR.default("72 h"),
        ABSENT_FOR.default("90 min"),
        FASTEST.default("180 g/h"),
    ],
);

const DRY_WEIGHT: Key = key("dry_weight", Mass, "The flat as filled and sown, before any water.");
const CAPACITY_WEIGHT: Key =
    key("capacity_weight", Mass, "The same set-up soaked through and drained until dripping stops.");

pub(super) static FILL: Table = table(
    "fill",
    "a fill",
    &[
        key("tare", Mass, "Weight of the empty tray and insert."),
        key("cells", Whole, "How many cells the insert has."),
        key(
            "mix_when_filled",
            Words(&["dry", "bagged", "moistened"]),
            "How moist the mix was when filled; dry and moistened move the limits.",
        )
        .default("bagged"),
        DRY_WEIGHT,
        CAPACITY_WEIGHT,
    ],
);

const TOPIC_NEEDED: Key = key("topic", Topic, "The topic to read.").needed("nothing could be read");
const VALUE: Key = key("value", Pointer, "JSON Pointer (RFC 6901) to the value.").default("the whole payload");
const ZERO: Key = key("zero", Number, "Counts with nothing on it.");
const COUNTS_PER_GRAM: Key = key("counts_per_gram", Number, "Counts for one gram; negative if the wires are swapped.");

pub(super) static STAND: Table = Table {
    name: "stand",
    what: "a stand",
    one_of: &["topic", "corners"],
    keys: &[
        key("topic", Topic, "The topic that the stand publishes its weight to."),
        VALUE,
        key("unit", Words(&["g", "kg", "lb", "oz", "counts"]), "The unit of its readings.").default("g"),
        key("division", Mass, "The smallest step worth believing.").default("1 g"),
        key("max_load", Mass, "More is an overload, not a weight.").default("none"),
        key("stale_after", Span, "Without a reading for so long the stand is silent; at least 1 s.")
            .default("the larger of 10 min and 3 reporting periods"),
        ZERO,
        COUNTS_PER_GRAM,
        key("temperature", Object(&TEMPERATURE), "How the reading moves with the temperature of the cell."),
        key("corners", List(&Object(&CORNER)), "Four cells read one by one, in order round the stand."),
        key("available", Object(&AVAILABLE), "The topic that tells whether the stand is there."),
        key("shared", Words(TRUE_OR_FALSE), "Whether flats take turns on it.").default("false"),
    ],
};

pub(super) static TEMPERATURE: Table = table(
    "temperature",
    "`temperature`",
    &[
        TOPIC_NEEDED,
        VALUE,
        key("grams_per_degree", Number, "Grams that the reading rises for each °C.")
            .needed("nothing could be corrected"),
        key("reference", Number, "The temperature in °C at which nothing is corrected.").default("20"),
    ],
);

pub(super) static CORNER: Table = table("corner", "a corner", &[TOPIC_NEEDED, VALUE, ZERO, COUNTS_PER_GRAM]);

pub(super) static AVAILABLE: Table = table(
    "available",
    "`available`",
    &[
        TOPIC_NEEDED,
        key("online", Text, "The payload that says it is there.").default("online"),
        key("offline", Text, "The payload that says it is not.").default("offline"),
    ],
);

pub(super) static FLAT: Table = table(
    "flat",
    "a flat",
    &[
        key("label", Text, "What people call the flat.").needed("nobody could tell from a message which flat is meant"),
        key("stand", Id, "The stand it sits on."),
        key("fill", Id, "The recipe it was filled by."),
        DRY_WEIGHT,
        CAPACITY_WEIGHT,
        key("band", Mass, "Capacity weight less dry weight, where capacity_weight alone is given."),
        key("sown", Date, "The day it was sown."),
        key("place", Text, "Where it stands, in words."),
        key(
            "stages",
            Either(&[Words(&["standard"]), List(&Either(&[Id, Object(&STAGE)]))]),
            "Limits that follow the crop: `standard`, or a list.",
        ),
        LOW,
        WATER_AT,
        TARGET,
        HIGH,
        WET_FOR,
        ABSENT_FOR,
        FASTEST,
        key("dome_weight", Mass, "Weight of its dome."),
        key("like", Id, "The flat that speaks for this one, which is not weighed itself."),
        key("check_every", Span, "How often it should be weighed itself."),
        key("formerly", Id, "The id it had before; carries history, band and settings over."),
    ],
);

pub(super) static STAGE: Table = table(
    "stage",
    "a stage",
    &[
        key("name", Id, "Its name; in `germinating` too-wet and not-drying keep silent.")
            .needed("no command could name it"),
        key("from_day", Whole, "The day after `sown` on which it begins, at local midnight.").default("by command"),
        LOW,
        WATER_AT,
        TARGET,
        HIGH,
    ],
);

pub(super) static VALVE: Table = table(
    "valve",
    "a valve",
    &[
        key("topic", Topic, "The topic that commands the valve.").needed("nothing could be sent to it"),
        key("open", Template, "Payload that opens it; {seconds}, {seconds*10}, {seconds+100} are filled in.")
            .needed("it could not be opened"),
        key("close", Text, "Payload that closes it.").needed("it could not be closed"),
        key("before_open", Object(&BEFORE_OPEN), "What is sent before `open`, such as the device's own timer."),
        key("report", Object(&REPORT), "How the valve reports its state."),
        key("mode", Words(&["advise", "ask", "auto"]), "Says what it would pour, pours when told, pours by itself.")
            .default("advise"),
        key("method", Words(&["drip", "bottom", "overhead"]), "How the water reaches the mix.").default("drip"),
        key("feeds", ById(&Flow), "What reaches each flat while the valve is open, by flat."),
        key("pulse", Object(&PULSE), "How a watering is cut into pulses."),
        key("max_run", Span, "Open time of one watering, all pulses together."),
        key("max_per_day", Volume, "Any 24 hours, the valve's total.").default("one band per flat fed"),
        key("hours", Hours, "When `auto` may water, by the local clock.").default("always"),
        key("supply", Id, "Where its water comes from."),
        key("without_timer", Words(&["accepted"]), "`ask` or `auto` with a valve that has no timer of its own."),
        key("unweighed", Words(&["accepted"]), "It also feeds flats that only a `like` speaks for."),
        key("never_while", List(&Object(&NEVER_WHILE)), "Topics that hold the valve closed."),
    ],
);

pub(super) static BEFORE_OPEN: Table = table(
    "before-open",
    "`before_open`",
    &[
        key("topic", Topic, "The topic to write.").needed("nothing could be sent"),
        key("payload", Template, "The payload; {seconds}, {seconds*10}, {seconds+100} are filled in.")
            .needed("nothing could be sent"),
    ],
);

pub(super) static REPORT: Table = table(
    "report",
    "`report`",
    &[
        TOPIC_NEEDED,
        VALUE,
        key("open", Text, "What it says when open.").needed("an open valve could not be told from a closed one"),
        key("closed", Text, "What it says when closed.").needed("an open valve could not be told from a closed one"),
    ],
);

pub(super) static PULSE: Table = table(
    "pulse",
    "`pulse`",
    &[
        key("volume", Volume, "What each fed flat gets in one pulse.").default("a tenth of its band"),
        key("rest", Span, "The rest between pulses.").default("60 s, bottom 30 min"),
    ],
);

pub(super) static NEVER_WHILE: Table = table(
    "never-while",
    "`never_while`",
    &[TOPIC_NEEDED, VALUE, key("is", Text, "The value that holds the valve.").needed("nothing would hold the valve")],
);

pub(super) static SUPPLY: Table = table(
    "supply",
    "a supply",
    &[
        key("master", Id, "The valve that opens before and closes after the valves it serves."),
        key("holds", Volume, "What it holds when full."),
        key("level", Object(&LEVEL), "Where its level is read."),
    ],
);

pub(super) static LEVEL: Table = table(
    "level",
    "`level`",
    &[TOPIC_NEEDED, VALUE, key("unit", Words(&["mL", "L", "gal", "fl oz"]), "The unit of the level.").default("L")],
);

pub(super) static PHONE: Table = table(
    "phone",
    "a phone",
    &[
        key("url", Url, "Where one HTTP POST a message goes.").needed("nobody could be told"),
        key("headers", ByName(&Secret), "Headers of the request."),
        key("body", Template, "Body of the request; {title} and {text} become JSON strings, quotes included.")
            .default("the text, with the title as a header"),
        key("least", Words(&["notice", "warning", "critical"]), "The least grave alert that is sent.")
            .default("notice"),
        key("quiet", Hours, "Quiet hours; critical passes, the rest is sent at their end if still raised."),
        key("digest", Time, "When the day's digest is sent."),
        key("repeat", Span, "How often a raised alert is told again."),
        key("heartbeat", Object(&HEARTBEAT), "A POST that says tarewell is alive."),
    ],
);

pub(super) static HEARTBEAT: Table = table(
    "heartbeat",
    "`heartbeat`",
    &[
        key("url", Url, "Where it goes.").needed("nothing could be sent"),
        key("every", Span, "How often.").default("1 h"),
    ],
);

/// All tables, to find where a misplaced key belongs.
pub(super) static ALL: &[&Table] = &[
    &FILE,
    &SITE,
    &BROKER,
    &EMBEDDED,
    &USER,
    &WEB,
    &DEFAULTS,
    &FILL,
    &STAND,
    &TEMPERATURE,
    &CORNER,
    &AVAILABLE,
    &FLAT,
    &STAGE,
    &VALVE,
    &BEFORE_OPEN,
    &REPORT,
    &PULSE,
    &NEVER_WHILE,
    &SUPPLY,
    &LEVEL,
    &PHONE,
    &HEARTBEAT,
];
