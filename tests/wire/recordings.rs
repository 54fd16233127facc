//! Recordings, by the contract, section 4; the engine here is a stand-in that writes down what it is told.

use crate::shed::router;
use serde_json::json;
use std::fmt::Write as _;
use tarewell::alert::Kind;
use tarewell::command::replay::{Engine, Summary, replay};
use tarewell::moment::{Moment, Mono, Span, Wall, Zone};
use tarewell::site::{Event, Happening, Input, Output, Plan, Subject, ValveOrder};
use tarewell::watering::{Mode, ValveSettings};
use tarewell::wire::{Router, ValveWiring, Wiring};

/// Writes down every input; says what it was told to say.
#[derive(Default)]
struct Scribe {
    seen: String,
    say: Vec<Output>,
    /// Wakes it asks for, the next one last.
    wakes: Vec<Mono>,
    kept: usize,
}

impl Engine for Scribe {
    fn handle(&mut self, input: Input, now: Moment) {
        assert_eq!(now.mono.millis(), now.wall.millis());
        let time = &Zone::UTC.stamp(now.wall)[11..19];
        let what = match input {
            Input::Connected => "connected".to_owned(),
            Input::Tick => {
                while self.wakes.last().is_some_and(|wake| *wake <= now.mono) {
                    self.wakes.pop();
                }
                self.say.push(Output::State(Subject::Stand(0)));
                "tick".to_owned()
            }
            Input::Reading { stand, value: Ok(value), retained, .. } => {
                self.say.push(Output::State(Subject::Flat(0)));
                format!("{stand}={value}{}", if retained { " kept" } else { "" })
            }
            Input::Reading { stand, value: Err(why), .. } => format!("{stand} {why:?}"),
            Input::Order(order) => format!("{:?} {}", order.to, order.word),
            other => format!("{other:?}"),
        };
        writeln!(self.seen, "{time} {what}").unwrap();
    }

    fn poll(&mut self) -> Option<Output> {
        self.say.pop()
    }

    fn next_wake(&self) -> Option<Mono> {
        self.wakes.last().copied()
    }

    fn write_state(&self, subject: Subject, into: &mut Vec<u8>) {
        into.extend_from_slice(format!("{{\"of\":\"{}\"}}", subject.of()).as_bytes());
    }

    fn write_alert(&self, kind: Kind, _: Subject, into: &mut Vec<u8>) {
        into.extend_from_slice(format!("{{\"kind\":\"{}\"}}", kind.name()).as_bytes());
    }

    fn keep(&mut self, _: Output) {
        self.kept += 1;
    }
}

struct Played {
    seen: String,
    out: String,
    told: Vec<String>,
    summary: Summary,
    kept: usize,
}

fn play_with(recording: &[u8], prepare: impl FnOnce(Moment) -> Scribe) -> Played {
    let plan = Plan { zone: Zone::UTC, ..crate::shed::plan() };
    let mut out = Vec::new();
    let mut told = Vec::new();
    let done = replay(&plan, &router(), recording, &mut out, prepare, |text| told.push(text.to_owned()), |_| ());
    let (summary, scribe) = done.unwrap();
    let scribe = scribe.unwrap_or_default();
    Played { seen: scribe.seen, out: String::from_utf8(out).unwrap(), told, summary, kept: scribe.kept }
}

fn play(recording: &str) -> Played {
    play_with(recording.as_bytes(), |_| Scribe::default())
}

#[test]
fn a_table_is_read_row_by_row() {
    let played = play("time,stand,value\n2026-03-04T08:15:00Z,north,3300.0\n2026-03-04T08:15:10Z,bench,4.25\n");
    assert_eq!(played.seen, "08:15:00 connected\n08:15:00 0=3300\n08:15:10 1=4.25\n");
    assert_eq!(played.summary, Summary { records: 2, ..Summary::default() });
    assert_eq!(
        played.out,
        "{\"time\":\"2026-03-04T08:15:00+00:00\",\"topic\":\"tarewell/flats/leek-1\",\"payload\":{\"of\":\"flat\"}}\n\
         {\"time\":\"2026-03-04T08:15:10+00:00\",\"topic\":\"tarewell/flats/leek-1\",\"payload\":{\"of\":\"flat\"}}\n"
    );
    assert!(played.told.is_empty());
}

#[test]
fn tables_come_from_many_programs() {
    let played = play(
        "\u{feff}\r\n\"time\", \"stand\",value\r\n\"2026-03-04T08:15:00Z\",\"north\",\"3300.0\"\r\n\r\n\
         2026-03-04T09:15:01+0100 , north , 3301 g\r\n2026-03-04T08:15:02.5Z,north,\r\n2026-03-04T08:15:03Z,north,nan",
    );
    assert_eq!(
        played.seen,
        "08:15:00 connected\n08:15:00 0=3300\n08:15:01 0=3301\n08:15:02 0 Missing\n08:15:03 0 Missing\n"
    );
    assert!(played.told.is_empty(), "{:?}", played.told);
}

#[test]
fn messages_are_read_as_clients_print_them() {
    let played = play(concat!(
        r#"{"tst":"2026-03-04T08:15:00.000000+0000","topic":"shed/north","qos":0,"retain":1,"payload":"{\"weight\":3300.5}"}"#,
        "\n\n",
        r#"{"tst":"2026-03-04T09:15:01.000000+01:00","topic":"shed/north","payload":{"weight":3301},"retain":0}"#,
        "\r\n",
        r#"{"tst":"2026-03-04T08:15:02Z","topic":"shed/else","payload":7}"#,
        "\n",
        r#"{"tst":"2026-03-04T08:15:03Z","topic":"tarewell/flats/leek-1/command","payload":"record-dry"}"#,
        "\n",
        r#"{"tst":"2026-03-04T08:15:04Z","topic":"tarewell/stands/north/command","payload":{"command":"zero"}}"#,
        "\n",
        r#"{"tst":"2026-03-04T08:15:05Z","topic":"tarewell/command","payload":null,"retain":false}"#,
    ));
    assert_eq!(
        played.seen,
        "08:15:00 connected\n08:15:00 0=3300.5 kept\n08:15:01 0=3301\n08:15:03 Flat(0) record-dry\n08:15:04 Stand(0) zero\n"
    );
    assert_eq!(played.summary, Summary { records: 6, strangers: 1, ..Summary::default() });
}

#[test]
fn what_is_due_between_two_records_happens_between_in_order() {
    let recording = "time,stand,value\n2026-03-04T08:00:00Z,north,1\n2026-03-04T09:00:00Z,north,2\n";
    let played = play_with(recording.as_bytes(), |now| Scribe {
        wakes: [90, 60, 40, 20].map(|minutes| now.mono + Span::minutes(minutes)).to_vec(),
        ..Scribe::default()
    });
    assert_eq!(
        played.seen,
        "08:00:00 connected\n08:00:00 0=1\n08:20:00 tick\n08:40:00 tick\n09:00:00 tick\n09:00:00 0=2\n"
    );
    assert!(played.out.contains(r#"{"time":"2026-03-04T08:40:00+00:00","topic":"tarewell/stands/north","#));
}

#[test]
fn a_wake_that_was_missed_does_not_turn_time_back() {
    let recording = "time,stand,value\n2026-03-04T08:00:00Z,north,1\n";
    let played =
        play_with(recording.as_bytes(), |now| Scribe { wakes: vec![now.mono - Span::hours(3)], ..Scribe::default() });
    assert_eq!(played.seen, "08:00:00 connected\n08:00:00 tick\n08:00:00 0=1\n");
}

#[test]
fn what_run_would_publish_is_printed_and_the_rest_is_kept() {
    let alert = (Kind::Dry, Subject::Flat(0));
    let event =
        Event { seq: 1, at: Wall::from_millis(1_772_611_200_000), subject: Subject::Flat(0), what: Happening::Lifted };
    let played = play_with(b"time,stand,value\n2026-03-04T08:00:00Z,north,nan\n", |_| Scribe {
        say: vec![
            Output::Keep(Subject::Flat(0)),
            Output::ClearCommand(Subject::Site),
            Output::AlertCleared(alert.0, alert.1),
            Output::AlertRaised(alert.0, alert.1),
            Output::Event(event),
            Output::State(Subject::Site),
        ],
        ..Scribe::default()
    });
    let lines: Vec<&str> = played.out.lines().map(|line| line.split_once(",\"topic\":").unwrap().1).collect();
    assert_eq!(
        lines,
        [
            r#""tarewell/events","payload":{"seq":1,"time":"2026-03-04T08:00:00+00:00","event":"lifted","of":"flat","id":"leek-1"}}"#,
            r#""tarewell/alerts/dry/leek-1","payload":{"kind":"dry"}}"#,
            r#""tarewell/alerts/dry/leek-1","payload":""}"#,
            r#""tarewell/command","payload":""}"#,
        ]
    );
    assert_eq!(played.kept, 2, "the event and the flat");
}

#[test]
fn stands_may_speak_in_any_order() {
    let order = "nbnbnbbnnnbnbbbnbnnb";
    let rows = order.chars().enumerate().map(|(second, stand)| {
        let stand = if stand == 'n' { "north" } else { "bench" };
        format!("2026-03-04T08:15:{second:02}Z,{stand},{second}\n")
    });
    let played = play(&format!("time,stand,value\n{}", rows.collect::<String>()));
    let seen: Vec<&str> = played.seen.lines().skip(1).map(|line| &line[9..]).collect();
    let expected: Vec<String> = order.chars().enumerate().map(|(i, s)| format!("{}={i}", u8::from(s == 'b'))).collect();
    assert_eq!(seen, expected);
}

#[test]
fn older_records_are_skipped_and_told_once() {
    let played = play(
        "time,stand,value\n2026-03-04T08:15:00Z,north,1\n2026-03-04T08:14:59Z,north,2\n2026-03-04T08:15:00Z,north,3\n\
         2026-03-04T08:14:58Z,north,4\n",
    );
    assert_eq!(played.seen, "08:15:00 connected\n08:15:00 0=1\n08:15:00 0=3\n");
    assert_eq!(played.told, ["2 records are older than the one before them and were skipped"]);
    assert_eq!(played.summary.exit_code(), 0);
}

#[test]
fn a_line_that_does_not_parse_names_its_number_and_the_rest_is_replayed() {
    for (line, part) in [
        ("2026-03-04T08:15:01Z,nroth,1", "did you mean `north`"),
        ("2026-03-04T08:15:01Z,north,wet", "not a number"),
        ("2026-03-04T08:15:01Z,north,3301 kg", "`unit: kg`"),
        ("2026-03-04T08:15:01Z,north,\"3301,5\"", "written `3301.5`"),
        ("2026-03-04T08:15:01Z,north,3301,5", "4 columns"),
        ("2026-03-04T08:15:01Z,north", "2 columns"),
        ("2026-03-04T08:15:01Z,\"north,1", "quote is not closed"),
        ("2026-03-04T08:15:01Z,\"north\"x,1", "behind a closing quote"),
        ("2026-03-04T08:15:01,north,1", "offset from UTC is missing"),
        ("2026-02-30T08:15:01Z,north,1", "no such date"),
        ("1970-01-01T00:00:07Z,north,1", "clock that wrote this was not set"),
        ("2206-03-04T08:15:01Z,north,1", "beyond the year 2099"),
        ("yesterday,north,1", "`yesterday`"),
    ] {
        let recording =
            format!("time,stand,value\n2026-03-04T08:15:00Z,north,1\n{line}\n2026-03-04T08:15:09Z,north,2\n");
        let played = play(&recording);
        assert_eq!(played.seen, "08:15:00 connected\n08:15:00 0=1\n08:15:09 0=2\n", "{line}");
        assert_eq!((played.told.len(), played.summary.exit_code()), (1, 1), "{line}");
        assert!(played.told[0].starts_with("line 3: ") && played.told[0].contains(part), "{}", played.told[0]);
    }
}

#[test]
fn a_message_that_does_not_parse_names_its_number() {
    for (line, part) in [
        ("not json", "expected"),
        ("{}", "tst"),
        (r#"{"tst":"2026-03-04T08:15:01Z","topic":7,"payload":""}"#, "expected a string (character 39)"),
        (r#"{"tst":"2026-03-04T08:15:01Z","topic":"","payload":""}"#, "topic is empty"),
        (r#"{"tst":"noon","topic":"shed/north","payload":""}"#, "`noon`"),
        (r#"{"tst":"2026-03-04T08:15:01Z","topic":"shed/north","payload":"","retain":2}"#, "neither 0 nor 1"),
    ] {
        let first = r#"{"tst":"2026-03-04T08:15:00Z","topic":"shed/north","payload":"{\"weight\":1}"}"#;
        let played = play(&format!("{first}\n{line}\n"));
        assert_eq!((played.summary.records, played.summary.bad), (1, 1), "{line}");
        assert!(played.told[0].starts_with("line 2: ") && played.told[0].contains(part), "{}", played.told[0]);
    }
}

#[test]
fn what_is_no_recording_is_told_once() {
    let played = play("when;where;what\n1;2;3\n4;5;6\n");
    assert_eq!((played.told.len(), played.summary.exit_code()), (1, 1));
    assert!(played.told[0].contains("`time,stand,value`") && played.told[0].contains("when;where;what"));
    let empty = play("\n\n");
    assert_eq!((empty.told, empty.summary.exit_code()), (vec!["the recording holds no records".to_owned()], 0));
    assert_eq!(play("time,stand,value\n").told, ["the recording holds no records"]);
}

#[test]
fn a_line_too_long_is_an_error_of_that_line() {
    let long = "x".repeat(70_000);
    let played = play(&format!("time,stand,value\n2026-03-04T08:15:00Z,north,{long}\n2026-03-04T08:15:09Z,north,2\n"));
    assert_eq!(played.told, ["line 2: it is longer than 65536 bytes"]);
    assert_eq!(played.summary.records, 1);
}

/// Two valves that may be opened and one that may not; what the engine says to them as `run` would send it.
#[test]
fn orders_to_valves_are_printed_as_they_would_be_sent() {
    let mut plan = Plan { zone: Zone::UTC, ..crate::shed::plan() };
    let valve = |id: &str, mode| ValveSettings { id: id.into(), mode, ..ValveSettings::default() };
    plan.valves = vec![valve("looked-at", Mode::Advise), valve("drip", Mode::Ask), valve("mist", Mode::Auto)];
    let wiring = |topic: &str, open: &str, close: &str, before| ValveWiring {
        topic: topic.into(),
        open: open.into(),
        close: close.into(),
        before_open: before,
        report: None,
        never_while: Vec::new(),
    };
    let valves = vec![
        wiring("shed/by-hand", "1", "0", None),
        wiring("shed/drip/set", "{\n\"state\":\"ON\",\"on_time\":{seconds}}", r#"{"state":"OFF"}"#, None),
        wiring("shed/mist/set", "ON", "OFF", Some(("shed/mist/timer".to_owned(), "{seconds+100}".to_owned()))),
    ];
    let router = Router::new(&plan, &Wiring { valves, ..Wiring::default() });
    let mut out = Vec::new();
    let prepare = |_| Scribe {
        // The last is said first.
        say: vec![
            Output::ClearValve(1),
            Output::Valve(0, ValveOrder::Close),
            Output::Valve(2, ValveOrder::Close),
            Output::Valve(2, ValveOrder::Open { seconds: 60 }),
            Output::Valve(1, ValveOrder::Open { seconds: 324 }),
            Output::Flush(7),
        ],
        ..Scribe::default()
    };
    let recording = "time,stand,value\n2026-03-04T08:15:00Z,north,3300.0\n";
    let (_, scribe) = replay(&plan, &router, recording.as_bytes(), &mut out, prepare, |_| (), |_| ()).unwrap();
    assert_eq!(
        scribe.unwrap().seen,
        "08:15:00 connected\n08:15:00 Flushed { mark: 7, ok: true }\n08:15:00 0=3300\n",
        "a replay has no connection of a valve"
    );
    let lines: Vec<serde_json::Value> =
        String::from_utf8(out).unwrap().lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let said: Vec<(&str, &serde_json::Value)> =
        lines.iter().map(|line| (line["topic"].as_str().unwrap(), &line["payload"])).collect();
    assert_eq!(
        said[..6],
        [
            ("shed/drip/set", &json!({"state": "ON", "on_time": 324})),
            ("shed/mist/timer", &json!(160)),
            ("shed/mist/set", &json!("ON")),
            ("shed/mist/set", &json!("OFF")),
            ("shed/by-hand", &json!(0)),
            ("shed/drip/set", &json!("")),
        ]
    );
}
