//! Flats without a stand of their own: typed, on a shared scale, spoken for; and what a grower says happened.

use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::sync::Arc;
use tarewell::flat::{Begins, FillSettings, FlatSettings, SomeLimits, StageSettings};
use tarewell::moment::{Moment, Span, Wall, Zone};
use tarewell::site::{
    Answer, Command, Event, Fact, Happening, Input, Order, Output, Part, Plan, Sample, Saved, Site, Subject, Ticket,
    Was,
};
use tarewell::stand::StandSettings;
use tarewell::units::{Fraction, Grams, Millilitres, Words};

/// A Monday in March, 08:00 UTC.
pub(crate) const START: Wall = Wall::from_millis(1_773_043_200_000);
pub(crate) const OWN: usize = 0;
pub(crate) const SCALE: usize = 1;
/// On its own stand.
pub(crate) const LEEKS: usize = 0;
/// Without one.
pub(crate) const CHARD: usize = 1;
pub(crate) const BEET: usize = 2;
pub(crate) const FENNEL: usize = 3;
/// The first speaks for it.
pub(crate) const LEEKS_TOO: usize = 4;

pub(crate) fn flat(label: &str, fill: usize) -> FlatSettings {
    FlatSettings {
        label: label.to_owned(),
        fill: Some(fill),
        dry_weight: Some(Grams::new(2000.0)),
        capacity_weight: Some(Grams::new(3000.0)),
        ..FlatSettings::default()
    }
}

pub(crate) fn plan() -> Plan {
    let fill = |id: &str| FillSettings {
        id: id.to_owned(),
        tare: Some(Grams::new(300.0)),
        cells: Some(60),
        ..FillSettings::default()
    };
    let shared = StandSettings { shared: true, ..StandSettings::default() };
    Plan {
        name: "Test".to_owned(),
        zone: Zone::named("Etc/UTC").unwrap(),
        words: Words::Metric,
        base_topic: "t".to_owned(),
        fills: vec![fill("sixty"), fill("sixty-b")],
        stands: vec![("own".to_owned(), StandSettings::default()), ("scale".to_owned(), shared)],
        flats: vec![
            ("leeks".to_owned(), FlatSettings { stand: Some(OWN), ..flat("Leeks", 0) }),
            ("chard".to_owned(), flat("Chard", 1)),
            ("beet".to_owned(), flat("Beet", 1)),
            ("fennel".to_owned(), flat("Fennel", 1)),
            ("leeks-too".to_owned(), FlatSettings { like: Some(LEEKS), ..flat("Leeks too", 0) }),
        ],
        valves: Vec::new(),
        supplies: Vec::new(),
    }
}

/// The site with somebody who commands, and everything that came out.
pub(crate) struct House {
    pub(crate) site: Site,
    pub(crate) seconds: f64,
    pub(crate) events: Vec<Event>,
    /// What went to the history.
    pub(crate) samples: Vec<Sample>,
    answers: Vec<Answer>,
    /// What the store would have, as it was asked to keep it.
    kept: BTreeMap<Subject, Fact>,
}

impl House {
    pub(crate) fn new() -> Self {
        Self::of(plan())
    }

    pub(crate) fn of(plan: Plan) -> Self {
        let site = Site::new(Arc::new(plan), &Saved::default(), moment(0.0));
        Self { site, seconds: 0.0, events: Vec::new(), samples: Vec::new(), answers: Vec::new(), kept: BTreeMap::new() }
    }

    pub(crate) fn handle(&mut self, input: Input) {
        self.site.handle(input, moment(self.seconds));
        while let Some(output) = self.site.poll() {
            match output {
                Output::Event(event) => self.events.push(event),
                Output::Answer(_, answer) => self.answers.push(answer),
                Output::Weight(sample) => self.samples.push(sample),
                Output::Keep(subject) => {
                    self.kept.extend(self.site.fact(subject).map(|fact| (subject, fact)));
                }
                _ => {}
            }
        }
    }

    pub(crate) fn wait(&mut self, seconds: f64) {
        let until = self.seconds + seconds;
        while let Some(wake) = self.site.next_wake().filter(|wake| wake.at <= moment(until).mono) {
            self.seconds = self.seconds.max(wake.at.since(moment(0.0).mono).as_seconds());
            self.handle(Input::Tick);
        }
        self.seconds = until;
        self.handle(Input::Tick);
    }

    pub(crate) fn say(&mut self, to: Subject, command: Command) -> Answer {
        self.say_as(to, None, command)
    }

    pub(crate) fn say_as(&mut self, to: Subject, id: Option<&str>, command: Command) -> Answer {
        self.tell(to, id, command);
        self.answered()
    }

    /// A command whose answer may have to wait for a weight.
    pub(crate) fn asks(&mut self, flat: usize, command: Command) {
        self.tell(Subject::Flat(flat), None, command);
    }

    pub(crate) fn answered(&mut self) -> Answer {
        self.answers.pop().expect("each command is answered")
    }

    fn tell(&mut self, to: Subject, id: Option<&str>, command: Command) {
        self.handle(Input::Order(Order {
            to,
            word: "test".to_owned(),
            command: Ok(command),
            id: id.map(str::to_owned),
            time: None,
            retained: false,
            ticket: Some(Ticket(1)),
        }));
    }

    pub(crate) fn flat(&mut self, flat: usize, command: Command) -> Answer {
        self.say(Subject::Flat(flat), command)
    }

    pub(crate) fn scale(&mut self, command: Command) -> Answer {
        self.say(Subject::Stand(SCALE), command)
    }

    pub(crate) fn typed(&mut self, flat: usize, grams: f64) -> Answer {
        self.flat(flat, Command::Weigh { weight: Grams::new(grams), at: None, sure: false })
    }

    /// Readings once a second.
    pub(crate) fn reads(&mut self, stand: usize, grams: f64, seconds: u32) {
        for second in 0..seconds {
            // A digit of noise, or the stand would count as frozen.
            let value = grams + f64::from(second % 3) * 0.01;
            self.handle(Input::Reading { stand, part: Part::Whole, value: Ok(value), retained: false });
            self.wait(1.0);
        }
    }

    /// Readings once a minute that fall by so much an hour.
    pub(crate) fn dries(&mut self, stand: usize, from: f64, per_hour: f64, hours: u32) -> f64 {
        let mut weight = from;
        for minute in 0..hours * 60 {
            weight = from - per_hour * f64::from(minute) / 60.0;
            self.handle(Input::Reading { stand, part: Part::Whole, value: Ok(weight), retained: false });
            self.wait(60.0);
        }
        weight
    }

    pub(crate) fn state(&self, subject: Subject) -> Value {
        let mut json = Vec::new();
        self.site.write_state(subject, &mut json);
        serde_json::from_slice(&json).unwrap()
    }

    pub(crate) fn of_flat(&self, flat: usize, key: &str) -> Value {
        self.state(Subject::Flat(flat))[key].clone()
    }

    pub(crate) fn fraction(&self, flat: usize) -> f64 {
        self.of_flat(flat, "fraction").as_f64().unwrap_or(f64::NAN)
    }

    pub(crate) fn round(&self) -> Value {
        self.state(Subject::Stand(SCALE))["round"].clone()
    }

    /// Ends without warning, and begins again after so many seconds with what it had asked to keep.
    pub(crate) fn crash(&mut self, seconds: f64) {
        let facts = self.kept.values().cloned().collect();
        self.begin_again(facts, seconds);
    }

    /// The same with what was kept as another version would have it.
    pub(crate) fn crash_as(&mut self, seconds: f64, edit: impl Fn(&str) -> String) {
        self.kept.values_mut().for_each(|fact| fact.json = edit(&fact.json));
        self.crash(seconds);
    }

    /// Ends without warning, and begins again after so many seconds with an edited file.
    pub(crate) fn edited(&mut self, plan: Plan, seconds: f64) {
        let facts = self.kept.values().cloned().collect();
        self.begin_again_by(plan, facts, seconds);
    }

    /// The same where flats are called otherwise there, and the store has carried over what it kept of them.
    pub(crate) fn renamed(&mut self, plan: Plan, seconds: f64) {
        for (at, (id, _)) in plan.flats.iter().enumerate() {
            if let Some(fact) = self.kept.get_mut(&Subject::Flat(at)) {
                fact.id.clone_from(id);
            }
        }
        self.edited(plan, seconds);
    }

    /// Ends and begins again with all that is to be kept, after so many seconds.
    pub(crate) fn restart(&mut self, seconds: f64) {
        let plan = self.site.plan().clone();
        let flats = (0..plan.flats.len()).map(Subject::Flat);
        let stands = (0..plan.stands.len()).map(Subject::Stand);
        let facts = flats.chain(stands).filter_map(|subject| self.site.fact(subject)).collect();
        self.begin_again(facts, seconds);
    }

    fn begin_again(&mut self, facts: Vec<Fact>, seconds: f64) {
        let plan = (**self.site.plan()).clone();
        self.begin_again_by(plan, facts, seconds);
    }

    fn begin_again_by(&mut self, plan: Plan, facts: Vec<Fact>, seconds: f64) {
        let last_seq = self.events.last().map_or(0, |event| event.seq);
        self.seconds += seconds;
        self.site = Site::new(Arc::new(plan), &Saved { facts, last_seq, ..Saved::default() }, moment(self.seconds));
        self.handle(Input::Tick);
    }

    pub(crate) fn last(&self, flat: usize, is_it: impl Fn(&Happening) -> bool) -> Option<&Event> {
        self.events.iter().rev().find(|event| event.subject == Subject::Flat(flat) && is_it(&event.what))
    }

    pub(crate) fn seq(&self, flat: usize, is_it: impl Fn(&Happening) -> bool) -> u64 {
        self.last(flat, is_it).expect("it happened").seq
    }
}

pub(crate) fn moment(seconds: f64) -> Moment {
    Moment::recorded(START + Span::from_seconds(seconds))
}

#[test]
fn a_typed_weight_is_carried_on_ever_less_sure_until_it_has_to_be_weighed() {
    let mut house = House::new();
    let answer = house.typed(CHARD, 2600.0).unwrap();
    assert_eq!((&answer["fraction"], &answer["to_target_ml"]), (&json!(0.6), &json!(0.0)));
    assert_eq!(house.of_flat(CHARD, "basis"), "typed");
    let first = house.of_flat(CHARD, "fraction_error").as_f64().unwrap();
    house.wait(10.0 * 3600.0);
    let (later, error) = (house.fraction(CHARD), house.of_flat(CHARD, "fraction_error").as_f64().unwrap());
    assert!(later < 0.55 && later > 0.4 && error > first, "{later} ±{error}");
    assert_eq!(house.of_flat(CHARD, "weight_g"), 2600.0, "the last one weighed");
    house.wait(60.0 * 3600.0);
    assert_eq!(house.of_flat(CHARD, "condition"), "unknown");
    let raised = |what: &Happening| matches!(what, Happening::AlertRaised { kind, .. } if kind.name() == "weigh-due");
    assert!(house.last(CHARD, raised).is_some());
    house.typed(CHARD, 2200.0).unwrap();
    assert_eq!((house.of_flat(CHARD, "condition"), house.fraction(CHARD)), (json!("dry"), 0.2));
}

#[test]
fn a_typed_pour_counts_from_its_time_and_a_weight_after_it_has_it_in() {
    let mut house = House::new();
    house.typed(CHARD, 2300.0).unwrap();
    house.wait(600.0);
    house.flat(CHARD, Command::Watered { volume: Millilitres::new(300.0), at: None, sure: false }).unwrap();
    assert!((house.fraction(CHARD) - 0.598).abs() < 0.004, "{}", house.fraction(CHARD));
    house.wait(600.0);
    house.typed(CHARD, 2580.0).unwrap();
    assert_eq!(house.fraction(CHARD), 0.58);
    let late = Command::Watered { volume: Millilitres::new(300.0), at: Some(START + Span::minutes(5)), sure: false };
    assert!(house.flat(CHARD, late).unwrap_err().contains("weighed since then"));
    house.flat(CHARD, Command::Watered { volume: Millilitres::new(5000.0), at: None, sure: true }).unwrap();
    assert!(house.fraction(CHARD) <= 1.01, "what a full flat cannot hold runs out of it: {}", house.fraction(CHARD));
}

#[test]
fn a_typed_weight_that_cannot_be_is_questioned_and_nothing_changes() {
    let mut house = House::new();
    house.typed(CHARD, 2600.0).unwrap();
    house.wait(3600.0);
    let before = house.fraction(CHARD);
    for (weight, why) in [(900.0, "cannot be Chard"), (5000.0, "cannot be Chard"), (2100.0, "lighter than Chard")] {
        let error = house.typed(CHARD, weight).unwrap_err();
        assert!(error.contains(why), "{error}");
    }
    let error = house.typed(CHARD, 900.0).unwrap_err();
    assert!(
        error.contains("dry as filled it weighs") || error.contains("dry as filled flats of its fill weigh"),
        "{error}"
    );
    let soon = Command::Weigh { weight: Grams::new(2500.0), at: Some(START + Span::days(3)), sure: false };
    assert!(house.flat(CHARD, soon).unwrap_err().contains("in the future"));
    let early = Command::Weigh { weight: Grams::new(2500.0), at: Some(START - Span::hours(2)), sure: false };
    assert!(house.flat(CHARD, early).unwrap_err().contains("weighed later"));
    assert_eq!(house.fraction(CHARD), before);
    house.flat(CHARD, Command::Weigh { weight: Grams::new(2100.0), at: None, sure: true }).unwrap();
    assert_eq!(house.fraction(CHARD), 0.1);
}

#[test]
fn a_kitchen_scale_alone_records_a_band() {
    let mut plan = plan();
    plan.flats[CHARD].1.dry_weight = None;
    plan.flats[CHARD].1.capacity_weight = None;
    let mut house = House::of(plan);
    let error = house.flat(CHARD, Command::RecordDry).unwrap_err();
    assert!(error.contains("`weigh` it first"), "{error}");
    house.typed(CHARD, 1980.0).unwrap();
    house.flat(CHARD, Command::RecordDry).unwrap();
    house.wait(3.0 * 3600.0);
    assert!(house.flat(CHARD, Command::RecordCapacity { now: true }).is_err(), "weighed too long ago");
    house.typed(CHARD, 3060.0).unwrap();
    let answer = house.flat(CHARD, Command::RecordCapacity { now: true }).unwrap();
    assert_eq!((&answer["dry_weight_g"], &answer["capacity_weight_g"]), (&json!(1980.0), &json!(3060.0)));
    assert_eq!(house.fraction(CHARD), 1.0);
}

#[test]
fn what_dries_on_a_stand_leads_a_flat_that_is_weighed_now_and_then() {
    let mut house = House::new();
    house.reads(OWN, 2900.0, 20);
    let mut leeks = house.dries(OWN, 2900.0, 10.0, 24);
    // Chard dries half as fast again as the leeks.
    let mut chard = 2950.0;
    house.typed(CHARD, chard).unwrap();
    for _ in 0..3 {
        leeks = house.dries(OWN, leeks, 10.0, 16);
        chard -= 15.0 * 16.0;
        house.typed(CHARD, chard).unwrap();
    }
    leeks = house.dries(OWN, leeks, 4.0, 10);
    let expected = (chard - 6.0 * 10.0 - 2000.0) / 1000.0;
    assert!((house.fraction(CHARD) - expected).abs() < 0.012, "{} for {expected}", house.fraction(CHARD));
    assert!(house.of_flat(CHARD, "low_at").is_string() || expected < 0.3);
    let _ = leeks;
}

#[test]
fn a_round_confirms_each_flat_within_two_seconds_of_standing_still() {
    let mut house = House::new();
    house.reads(SCALE, 0.0, 10);
    house.scale(Command::Round { flats: None }).unwrap();
    assert_eq!((&house.round()["flat"], &house.round()["of"]), (&json!("chard"), &json!(4)), "all without a stand");
    for (place, weight) in [(CHARD, 2600.0), (BEET, 2350.0), (FENNEL, 2900.0)] {
        house.reads(SCALE, weight, 6);
        assert_eq!(house.of_flat(place, "weight_g"), weight, "{place}");
        assert_eq!((house.of_flat(place, "basis"), house.of_flat(place, "stand")), (json!("scale"), json!("scale")));
        assert_eq!(house.round()["state"], "weighed");
        house.reads(SCALE, 0.0, 4);
        assert_eq!(house.of_flat(place, "stand"), Value::Null);
    }
    assert_eq!((&house.round()["flat"], &house.round()["number"]), (&json!("leeks-too"), &json!(4)));
    let ended = house.scale(Command::Skip).unwrap();
    assert_eq!((&ended["weighed"], &ended["of"]), (&json!(3), &json!(4)));
    assert!(ended["took_s"].as_f64().unwrap() <= 31.0, "10 s each: {}", ended["took_s"]);
    assert_eq!(house.round(), Value::Null);
}

#[test]
fn what_is_poured_on_the_scale_is_seen_and_does_not_count_as_the_next_flat() {
    let mut house = House::new();
    house.reads(SCALE, 0.0, 10);
    house.scale(Command::Round { flats: Some(vec![CHARD, BEET]) }).unwrap();
    house.reads(SCALE, 2300.0, 6);
    for step in 1..=20 {
        house.reads(SCALE, 2300.0 + f64::from(step) * 15.0, 1);
    }
    house.reads(SCALE, 2600.0, 40);
    assert_eq!(house.round()["flat"], "chard", "its turn is over when it is lifted off");
    assert!((house.fraction(CHARD) - 0.6).abs() < 0.003);
    house.reads(SCALE, 0.0, 4);
    let watered = |what: &Happening| matches!(what, Happening::Watered { away: false, .. });
    assert!(house.last(CHARD, watered).is_some());
    assert_eq!(house.round()["flat"], "beet");
    assert!((house.fraction(CHARD) - 0.6).abs() < 0.003);
}

#[test]
fn flats_mixed_up_in_a_round_are_questioned_with_a_guess() {
    let mut house = House::new();
    house.typed(CHARD, 2900.0).unwrap();
    house.typed(BEET, 2300.0).unwrap();
    house.wait(3600.0);
    house.reads(SCALE, 0.0, 10);
    house.scale(Command::Round { flats: Some(vec![CHARD, BEET]) }).unwrap();
    house.reads(SCALE, 2290.0, 8);
    let round = house.round();
    assert_eq!(round["state"], "questioned");
    let text = round["text"].as_str().unwrap().to_owned();
    assert!(text.contains("lighter than Chard") && text.contains("Beet"), "{text}");
    assert_eq!(house.of_flat(CHARD, "weight_g"), 2900.0, "questioned, not recorded");
    house.reads(SCALE, 0.0, 4);
    house.reads(SCALE, 2890.0, 8);
    assert_eq!((house.round()["state"].clone(), house.of_flat(CHARD, "weight_g")), (json!("weighed"), json!(2890.0)));
}

#[test]
fn a_round_is_refused_what_it_cannot_do() {
    let mut house = House::new();
    house.reads(SCALE, 0.0, 10);
    let refused = |house: &mut House, command: Command, why: &str| {
        let error = house.scale(command).unwrap_err();
        assert!(error.contains(why), "{error}");
    };
    refused(&mut house, Command::Next, "no round is under way");
    refused(&mut house, Command::Round { flats: Some(vec![LEEKS]) }, "a stand of its own");
    refused(&mut house, Command::Round { flats: Some(vec![CHARD, CHARD]) }, "twice");
    house.scale(Command::Round { flats: Some(vec![CHARD, BEET]) }).unwrap();
    refused(&mut house, Command::Round { flats: None }, "under way");
    refused(&mut house, Command::WeighOn { flat: FENNEL, sure: false }, "not in it");
    refused(&mut house, Command::Back, "first of the round");
    refused(&mut house, Command::Next, "not been weighed yet");
    house.scale(Command::End).unwrap();
    let error = house.say(Subject::Stand(OWN), Command::Round { flats: None }).unwrap_err();
    assert!(error.contains("shared: true"), "{error}");
    let error = house.flat(CHARD, Command::Move { stand: Some(SCALE) }).unwrap_err();
    assert!(error.contains("take turns"), "{error}");
}

#[test]
fn weigh_waits_for_the_flat_and_gives_up_in_words() {
    let mut house = House::new();
    house.reads(SCALE, 0.0, 10);
    house.scale(Command::WeighOn { flat: CHARD, sure: false }).unwrap();
    house.reads(SCALE, 2400.0, 6);
    assert_eq!(house.fraction(CHARD), 0.4);
    house.scale(Command::WeighOn { flat: BEET, sure: false }).unwrap();
    house.reads(SCALE, 2400.0, 6);
    assert_eq!(house.of_flat(BEET, "weight_g"), Value::Null, "chard still lies there");
    house.reads(SCALE, 0.0, 4);
    house.wait(320.0);
    let refused = house.events.iter().rev().find(|event| event.subject == Subject::Stand(SCALE)).unwrap();
    assert!(matches!(&refused.what, Happening::CommandRefused { error, .. } if error.contains("Beet")), "{refused:?}");
}

#[test]
fn another_flat_speaks_for_one_and_a_check_sets_them_apart() {
    let mut house = House::new();
    house.reads(OWN, 2600.0, 20);
    house.wait(61.0);
    assert_eq!((house.fraction(LEEKS_TOO), house.of_flat(LEEKS_TOO, "basis")), (0.6, json!("sample")));
    house.typed(LEEKS_TOO, 2550.0).unwrap();
    let leeks = house.dries(OWN, 2600.0, 10.0, 12);
    house.wait(61.0);
    let (own, spoken) = (house.fraction(LEEKS_TOO), (leeks - 2000.0) / 1000.0);
    assert!((own - (spoken - 0.05)).abs() < 0.01, "{own} against {spoken}");
    house.dries(OWN, leeks, 0.5, 24 * 8);
    assert_eq!(house.of_flat(LEEKS_TOO, "condition"), "unknown", "seven days without a check");
}

#[test]
fn stages_follow_commands() {
    let mut plan = plan();
    let stage = |name: &str, begins, low: f64, wet_is_meant| StageSettings {
        name: name.to_owned(),
        begins,
        limits: SomeLimits {
            low: Some(Fraction::new(low)),
            water_at: Some(Fraction::new(low + 0.05)),
            target: Some(Fraction::new(low + 0.2)),
            high: None,
        },
        wet_is_meant,
    };
    plan.flats[CHARD].1.stages = vec![
        stage("germinating", Begins::OnDay(0), 0.5, true),
        stage("growing-on", Begins::OnDay(21), 0.3, false),
        stage("hardening-off", Begins::Commanded, 0.2, false),
    ];
    let mut house = House::of(plan);
    house.typed(CHARD, 2450.0).unwrap();
    assert_eq!(
        (house.of_flat(CHARD, "stage"), house.of_flat(CHARD, "condition")),
        (json!("germinating"), json!("dry"))
    );
    house.flat(CHARD, Command::Emerged).unwrap();
    assert_eq!(
        (house.of_flat(CHARD, "stage"), house.of_flat(CHARD, "condition")),
        (json!("growing-on"), json!("moist"))
    );
    assert!(house.flat(CHARD, Command::Emerged).unwrap_err().contains("past germinating"));
    house.flat(CHARD, Command::Stage { name: "hardening-off".to_owned() }).unwrap();
    assert_eq!(house.of_flat(CHARD, "low"), 0.2);
    let error = house.flat(CHARD, Command::Stage { name: "blooming".to_owned() }).unwrap_err();
    assert!(error.contains("germinating, growing-on, hardening-off"), "{error}");
    assert!(house.flat(BEET, Command::Emerged).unwrap_err().contains("no stages"));
}

/// On its stand at 2500 g, then 180 g heavier within a second.
fn domed_unsaid() -> House {
    let mut house = House::new();
    house.reads(OWN, 2500.0, 300);
    house.reads(OWN, 2680.0, 900);
    house
}

pub(crate) fn is_watered(what: &Happening) -> bool {
    matches!(what, Happening::Watered { .. })
}

#[test]
fn a_dome_taken_for_water_is_corrected_and_its_weight_learned() {
    let mut house = domed_unsaid();
    assert_eq!(house.fraction(LEEKS), 0.68);
    let seq = house.seq(LEEKS, is_watered);
    house.flat(LEEKS, Command::Correct { seq, was: Was::DomeOn, cells: None }).unwrap();
    assert_eq!((house.fraction(LEEKS), house.of_flat(LEEKS, "dome")), (0.5, json!(true)));
    assert_eq!(house.of_flat(LEEKS, "since_watered_h"), Value::Null, "it was not watered");
    let again = house.flat(LEEKS, Command::Correct { seq, was: Was::Nothing, cells: None }).unwrap_err();
    assert!(again.contains("corrected already"), "{again}");
    house.reads(OWN, 2500.0, 900);
    assert_eq!((house.fraction(LEEKS), house.of_flat(LEEKS, "dome")), (0.5, json!(false)), "now it is known");
    house.flat(LEEKS, Command::Undo).unwrap();
    assert!(house.of_flat(LEEKS, "since_watered_h").is_number(), "the correction is taken back");
}

#[test]
fn a_dome_that_is_said_before_or_after_is_no_water() {
    let mut house = domed_unsaid();
    house.flat(LEEKS, Command::Dome { on: true }).unwrap();
    assert_eq!((house.fraction(LEEKS), house.of_flat(LEEKS, "dome")), (0.5, json!(true)));

    let mut house = House::new();
    house.reads(OWN, 2500.0, 300);
    house.flat(LEEKS, Command::Dome { on: true }).unwrap();
    house.reads(OWN, 2680.0, 900);
    assert_eq!((house.fraction(LEEKS), house.of_flat(LEEKS, "dome")), (0.5, json!(true)));
    assert!(house.last(LEEKS, is_watered).is_none());
}

#[test]
fn corrections_move_the_band_as_what_happened_does() {
    let is_removed = |what: &Happening| matches!(what, Happening::Removed { .. } | Happening::Visited { .. });
    let lighter = || {
        let mut house = House::new();
        house.reads(OWN, 2600.0, 300);
        house.reads(OWN, 2450.0, 900);
        let seq = house.seq(LEEKS, is_removed);
        (house, seq)
    };
    let band = |house: &House| {
        let of = |key| house.of_flat(LEEKS, key).as_f64().unwrap();
        (of("dry_weight_g"), of("capacity_weight_g"))
    };
    let (mut house, seq) = lighter();
    house.flat(LEEKS, Command::Correct { seq, was: Was::TraySwapped, cells: None }).unwrap();
    assert_eq!(band(&house), (1850.0, 2850.0), "a lighter tray");
    assert_eq!(house.fraction(LEEKS), 0.6);

    let (mut house, seq) = lighter();
    house.flat(LEEKS, Command::Correct { seq, was: Was::MixLost, cells: Some(6) }).unwrap();
    // A tenth of 60 cells: a tenth of what is not tray.
    assert_eq!(band(&house), (300.0 + 1700.0 * 0.9, 300.0 + 2700.0 * 0.9));

    let (mut house, seq) = lighter();
    for (was, cells, why) in [
        (Was::DomeOn, None, "nothing was put on it"),
        (Was::MixLost, Some(60), "none would be left"),
        (Was::Thinned, Some(3), "mix-lost"),
    ] {
        let error = house.flat(LEEKS, Command::Correct { seq, was, cells }).unwrap_err();
        assert!(error.contains(why), "{error}");
    }
    let unknown = house.flat(LEEKS, Command::Correct { seq: 9999, was: Was::Nothing, cells: None }).unwrap_err();
    assert!(unknown.contains("9999"), "{unknown}");
    assert_eq!(band(&house), (2000.0, 3000.0), "nothing changed");
}

#[test]
fn potting_on_retires_one_flat_and_asks_a_soak_of_the_others() {
    let mut house = House::new();
    house.typed(CHARD, 2600.0).unwrap();
    for (into, why) in [(vec![CHARD], "into itself"), (vec![BEET, BEET], "twice")] {
        assert!(house.flat(CHARD, Command::PotOn { into }).unwrap_err().contains(why));
    }
    house.flat(CHARD, Command::PotOn { into: vec![BEET, FENNEL] }).unwrap();
    assert!(house.typed(CHARD, 2600.0).unwrap_err().contains("retired"));
    assert_eq!(house.of_flat(CHARD, "advice"), "Retired: nothing to do.");
    assert!(house.flat(FENNEL, Command::PotOn { into: vec![CHARD] }).unwrap_err().contains("retired"));
    house.typed(BEET, 2950.0).unwrap();
    house.wait(120.0);
    let asked =
        |what: &Happening| matches!(what, Happening::AlertRaised { kind, .. } if kind.name() == "band-doubtful");
    assert!(house.last(BEET, asked).is_some());
    house.typed(BEET, 3010.0).unwrap();
    house.flat(BEET, Command::RecordCapacity { now: true }).unwrap();
    let over =
        |what: &Happening| matches!(what, Happening::AlertCleared { kind, .. } if kind.name() == "band-doubtful");
    house.wait(1200.0);
    assert!(house.last(BEET, over).is_some());
}

#[test]
fn what_is_known_between_weighings_survives_a_restart() {
    let mut house = House::new();
    house.reads(OWN, 2900.0, 20);
    house.dries(OWN, 2900.0, 10.0, 24);
    house.typed(CHARD, 2700.0).unwrap();
    house.dries(OWN, 2660.0, 10.0, 6);
    let (before, error) = (house.fraction(CHARD), house.of_flat(CHARD, "fraction_error"));
    let facts = [Subject::Flat(LEEKS), Subject::Flat(CHARD), Subject::Stand(OWN)];
    let facts = facts.iter().filter_map(|&subject| house.site.fact(subject)).collect();
    let saved = Saved { facts, ..Saved::default() };
    let mut again = House::of(plan());
    again.seconds = house.seconds;
    again.site = Site::new(Arc::new(plan()), &saved, moment(house.seconds));
    again.wait(1.0);
    assert!((again.fraction(CHARD) - before).abs() <= 0.002, "{} for {before}", again.fraction(CHARD));
    assert_eq!(again.of_flat(CHARD, "fraction_error"), error);
}

#[test]
fn a_forecast_that_has_come_true_is_not_told_again() {
    let mut house = House::new();
    house.reads(OWN, 2900.0, 20);
    let mut weight = house.dries(OWN, 2900.0, 12.0, 30);
    let mut told = 0;
    while weight > 2280.0 {
        weight -= 12.0 / 60.0;
        house.handle(Input::Reading { stand: OWN, part: Part::Whole, value: Ok(weight), retained: false });
        house.wait(60.0);
        let state = house.state(Subject::Flat(LEEKS));
        let fraction = state["fraction"].as_f64().unwrap();
        for (key, limit) in [("due_at", 0.4), ("low_at", 0.3)] {
            let Some(at) = state[key].as_str() else { continue };
            told += 1;
            assert!(fraction > limit, "{key} at {fraction}");
            assert!(at >= state["time"].as_str().unwrap(), "{key} {at} is past at {}", state["time"]);
        }
    }
    assert!(told > 1000, "{told}");
}

#[test]
fn the_condition_that_a_restart_has_carried_on_is_kept() {
    let mut house = House::new();
    house.reads(OWN, 2900.0, 20);
    let weight = house.dries(OWN, 2900.0, 12.0, 41);
    assert_eq!(house.of_flat(LEEKS, "condition"), "moist", "{weight}");
    let saved = Saved { facts: vec![house.site.fact(Subject::Flat(LEEKS)).unwrap()], ..Saved::default() };
    let mut again = Site::new(Arc::new(plan()), &saved, moment(house.seconds + 4.0 * 3600.0));
    let mut kept = false;
    while let Some(output) = again.poll() {
        kept |= output == Output::Keep(Subject::Flat(LEEKS));
    }
    let fact = again.fact(Subject::Flat(LEEKS)).unwrap();
    assert!(kept && fact.json.to_lowercase().contains("\"condition\":\"due\""), "{}", fact.json);
}

#[test]
fn a_dome_on_a_flat_that_is_weighed_by_hand_is_no_water() {
    let mut plan = plan();
    plan.flats[CHARD].1.dome_weight = Some(Grams::new(180.0));
    let mut house = House::of(plan);
    house.typed(CHARD, 2500.0).unwrap();
    house.flat(CHARD, Command::Dome { on: true }).unwrap();
    assert_eq!((house.fraction(CHARD), house.of_flat(CHARD, "weight_g")), (0.5, json!(2500.0)));
    house.wait(600.0);
    house.typed(CHARD, 2680.0).unwrap();
    assert_eq!((house.fraction(CHARD), house.of_flat(CHARD, "target_weight_g")), (0.5, json!(2500.0)));
    house.flat(CHARD, Command::Dome { on: false }).unwrap();
    assert_eq!((house.fraction(CHARD), house.of_flat(CHARD, "weight_g")), (0.5, json!(2500.0)));
}

/// Just above where it is due, within what a limit that was crossed is left with: whoever had seen it lower would say `due`.
#[test]
fn a_dome_that_comes_or_goes_leaves_the_condition_as_it_was() {
    let mut plan = plan();
    for flat in [LEEKS, CHARD] {
        plan.flats[flat].1.dome_weight = Some(Grams::new(180.0));
    }
    let mut house = House::of(plan);
    house.reads(OWN, 2410.0, 900);
    house.reads(OWN, 2590.0, 900);
    assert_eq!((house.of_flat(LEEKS, "dome"), house.fraction(LEEKS)), (json!(true), 0.41));
    assert_eq!(house.of_flat(LEEKS, "condition"), "moist");
    house.reads(OWN, 2910.0, 900);
    assert_eq!((house.fraction(LEEKS), house.of_flat(LEEKS, "condition")), (0.73, json!("moist")));
    house.reads(OWN, 2730.0, 900);
    assert_eq!((house.of_flat(LEEKS, "dome"), house.fraction(LEEKS)), (json!(false), 0.73));
    assert_eq!(house.of_flat(LEEKS, "condition"), "moist");

    house.typed(CHARD, 2410.0).unwrap();
    house.flat(CHARD, Command::Dome { on: true }).unwrap();
    assert_eq!((house.fraction(CHARD), house.of_flat(CHARD, "condition")), (0.41, json!("moist")));
}

/// Found by the storm (seed 400252): weighed too heavy to be it, and then recorded as full, it was held to be wet for what it seemed to
/// be in between.
#[test]
fn what_a_flat_seems_to_be_halfway_through_a_record_is_not_held() {
    let mut plan = plan();
    let limits = &mut plan.flats[LEEKS].1.limits;
    (limits.low, limits.water_at) = (Fraction::new(0.1), Fraction::new(0.2));
    (limits.target, limits.high) = (Fraction::new(0.95), Fraction::new(1.0));
    let mut house = House::of(plan);
    house.reads(OWN, 2500.0, 900);
    assert_eq!(house.of_flat(LEEKS, "condition"), "moist");
    house.reads(OWN, 4700.0, 1800);
    assert_eq!(house.of_flat(LEEKS, "locked"), Value::Null);
    assert!(house.site.alerts().any(|(kind, _)| kind.name() == "flat-changed"), "{}", house.of_flat(LEEKS, "advice"));
    house.asks(LEEKS, Command::RecordCapacity { now: true });
    house.reads(OWN, 4700.0, 10);
    house.answered().unwrap();
    assert_eq!((house.fraction(LEEKS), house.of_flat(LEEKS, "condition")), (1.0, json!("moist")));
}

#[test]
fn today_has_what_is_due_in_walking_order_and_the_digest_says_the_rest() {
    let mut house = House::new();
    for (flat, weight) in [(BEET, 2250.0), (CHARD, 2380.0), (FENNEL, 2950.0)] {
        house.typed(flat, weight).unwrap();
    }
    let flats: Vec<_> = house.site.today().iter().map(|item| (item.flat.to_owned(), item.to_target_ml)).collect();
    // 250 g and 120 g of water at 0.9982 g/mL.
    assert_eq!(flats, [("chard".to_owned(), Some(120.2)), ("beet".to_owned(), Some(250.4))]);
    let digest = house.site.digest();
    assert_eq!(digest.title, "Today: water 2 of 5 flats");
    for part in ["Chard, 38 %: 120 mL, to 2.50 kg\nBeet, 25 %", "Too wet, do not water: Fennel (95 %)", "Leeks"] {
        assert!(digest.text.contains(part), "{part:?} in {}", digest.text);
    }
    assert_eq!(House::new().site.digest().title, "Today: nothing to water");
}

#[test]
fn away_tells_the_early_end_from_now_and_from_a_soak() {
    let mut house = House::new();
    house.reads(OWN, 2900.0, 20);
    house.dries(OWN, 2900.0, 10.0, 30);
    let away = house.site.away();
    let leeks = &away[LEEKS];
    let at = |text: &Option<String>| {
        chrono::DateTime::parse_from_rfc3339(text.as_ref().unwrap()).unwrap().timestamp() as f64
    };
    let now = house.state(Subject::Flat(LEEKS));
    // 2,600 g, 10 g/h, low at 2,300 g: 30 h; from 3,000 g 70 h. The early end is not later, nor by a half earlier.
    let hours = |text: &Option<String>| (at(text) - at(&now["time"].as_str().map(str::to_owned))) / 3600.0;
    assert!((15.0..=30.5).contains(&hours(&leeks.lasts_until)), "{}", hours(&leeks.lasts_until));
    assert!((35.0..=70.5).contains(&hours(&leeks.lasts_until_from_soak)), "{}", hours(&leeks.lasts_until_from_soak));
    // The state's forecast is at most ten minutes old.
    let told = hours(&now["low_between"][0].as_str().map(str::to_owned));
    assert!((hours(&leeks.lasts_until) - told).abs() < 0.25, "{told}");
    assert_eq!((&away[CHARD].flat, &away[CHARD].lasts_until), (&"chard", &None), "never weighed");
}

#[test]
fn away_keeps_to_the_early_end_also_where_what_is_expected_lies_beyond_the_forecast() {
    let mut house = House::new();
    house.reads(OWN, 2900.0, 20);
    // 1.9 g/h: from a soak at 3,000 g to low, at 2,300 g, it takes more than 15 days; no forecast reaches further than 14.
    house.dries(OWN, 2900.0, 1.9, 30);
    let (now, soaked) = house.site.lasts(LEEKS);
    let furthest = house.site.furthest();
    let days = |at: Option<Moment>| 14.0 - furthest.mono.since(at.unwrap().mono).as_hours() / 24.0;
    let rate = house.of_flat(LEEKS, "drying_g_per_h").as_f64().unwrap();
    assert!(700.0 / rate / 24.0 > 14.0, "{rate}");
    assert!((5.0..13.9).contains(&days(soaked)), "its early end is nearer: {} at {rate}", days(soaked));
    assert!(days(now) <= days(soaked), "{} {}", days(now), days(soaked));
}

/// What somebody does to the flat on the stand: by how much its weight changes, at once, and what that was.
#[derive(Debug, Clone, Copy)]
struct Deed {
    change: f64,
    was: Was,
    cells: Option<u32>,
}

fn deeds() -> impl proptest::strategy::Strategy<Value = Vec<Deed>> {
    use proptest::prelude::*;
    // Small enough that three of them never lead beyond what this flat can weigh.
    let (more, less) = (|| 60.0..130.0, || -115.0..-60.0);
    let deed = prop_oneof![
        more().prop_map(|change| Deed { change, was: Was::Watered, cells: None }),
        more().prop_map(|change| Deed { change, was: Was::DomeOn, cells: None }),
        less().prop_map(|change| Deed { change, was: Was::DomeOff, cells: None }),
        less().prop_map(|change| Deed { change, was: Was::Thinned, cells: None }),
        prop_oneof![more(), less()].prop_map(|change| Deed { change, was: Was::TraySwapped, cells: None }),
        (less(), proptest::option::of(1_u32..12)).prop_map(|(change, cells)| Deed { change, was: Was::MixLost, cells }),
        more().prop_map(|change| Deed { change, was: Was::Nothing, cells: None }),
    ];
    prop::collection::vec(deed, 1..4)
}

/// The deeds one after the other, each corrected at once, or all of them in this order at the end. What is known then.
fn after(deeds: &[Deed], late: Option<&[usize]>) -> Value {
    let mut house = House::new();
    let mut weight = 2500.0;
    house.reads(OWN, weight, 300);
    let mut seqs = Vec::new();
    for deed in deeds {
        weight += deed.change;
        house.reads(OWN, weight, 1500);
        let is_deed = |what: &Happening| {
            matches!(
                what,
                Happening::Watered { .. }
                    | Happening::Removed { .. }
                    | Happening::Visited { .. }
                    | Happening::Bumped { .. }
                    | Happening::Dome { .. }
            )
        };
        let seq = house.seq(LEEKS, is_deed);
        seqs.push(seq);
        if late.is_none() {
            house.flat(LEEKS, Command::Correct { seq, was: deed.was, cells: deed.cells }).unwrap();
        }
    }
    for &at in late.unwrap_or_default() {
        let Deed { was, cells, .. } = deeds[at];
        house.flat(LEEKS, Command::Correct { seq: seqs[at], was, cells }).unwrap();
    }
    let fact = house.site.fact(Subject::Flat(LEEKS)).unwrap();
    let kept: Value = serde_json::from_str(&fact.json).unwrap();
    let state = house.state(Subject::Flat(LEEKS));
    json!({
        "watered": kept["watered"], "soaked": kept["soaked"], "dome_on": kept["dome_on"],
        "dome_weight": kept["dome_weight"], "ends": kept["season"]["ends"], "weighed": kept["weighed"],
        "fraction": state["fraction"], "dry": state["dry_weight_g"], "capacity": state["capacity_weight_g"],
        "plants": state["plant_mass_g"],
    })
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig { cases: 100, failure_persistence: None, ..Default::default() })]

    /// A history whose events are corrected later, in any order, ends as the one in which each was set right at once.
    #[test]
    fn a_late_correction_comes_to_the_same(deeds in deeds(), order in proptest::prelude::any::<u64>()) {
        let mut late: Vec<usize> = (0..deeds.len()).collect();
        let turn = usize::try_from(order % 7).unwrap() % deeds.len();
        late.rotate_left(turn);
        if order % 2 == 0 {
            late.reverse();
        }
        proptest::prop_assert_eq!(after(&deeds, None), after(&deeds, Some(&late)));
    }
}

/// What the property above found: whether a watering was a soak depends on the band, and so on a correction before it.
#[test]
fn a_late_correction_of_the_band_makes_a_watering_a_soak() {
    let deeds = [
        Deed { change: -60.0, was: Was::MixLost, cells: Some(11) },
        Deed { change: 60.0, was: Was::Watered, cells: None },
    ];
    let at_once = after(&deeds, None);
    assert_ne!(at_once["soaked"], Value::Null, "{at_once}");
    assert_eq!(at_once, after(&deeds, Some(&[1, 0])));
    assert_eq!(at_once, after(&deeds, Some(&[0, 1])));
}

/// Flats of one fill of which the file knows no band.
fn unmeasured() -> House {
    let mut plan = plan();
    for (_, flat) in &mut plan.flats {
        (flat.fill, flat.dry_weight, flat.capacity_weight, flat.like) = (Some(0), None, None, None);
    }
    for number in 0..3 {
        plan.flats.push((format!("more-{number}"), FlatSettings { fill: Some(0), ..flat("More", 0) }));
        let (_, more) = plan.flats.last_mut().unwrap();
        (more.dry_weight, more.capacity_weight) = (None, None);
    }
    House::of(plan)
}

impl House {
    fn measured(&mut self, flat: usize, dry: f64, capacity: f64) {
        for (weight, command) in [(dry, Command::RecordDry), (capacity, Command::RecordCapacity { now: true })] {
            self.flat(flat, Command::Weigh { weight: Grams::new(weight), at: None, sure: true }).unwrap();
            self.flat(flat, command).unwrap();
            self.wait(60.0);
        }
    }
}

#[test]
fn three_measured_flats_give_the_fills_band_with_its_spread() {
    let mut house = unmeasured();
    house.typed(LEEKS_TOO, 2500.0).unwrap();
    house.measured(CHARD, 2000.0, 3000.0);
    house.measured(BEET, 2010.0, 3040.0);
    assert_eq!(house.of_flat(LEEKS_TOO, "band_from"), Value::Null, "two are too few");
    house.measured(FENNEL, 1990.0, 2970.0);
    assert_eq!(house.of_flat(LEEKS_TOO, "band_from"), "fill");
    // Medians: 2000 g dry, bands of 980, 1000 and 1030 g.
    assert_eq!(
        (house.of_flat(LEEKS_TOO, "dry_weight_g"), house.of_flat(LEEKS_TOO, "capacity_weight_g")),
        (json!(2000.0), json!(3000.0))
    );
    house.typed(LEEKS_TOO, 2500.0).unwrap();
    assert_eq!(house.fraction(LEEKS_TOO), 0.5);
    let error = |flat| house.of_flat(flat, "fraction_error").as_f64().unwrap();
    assert!(error(LEEKS_TOO) > 2.0 * error(FENNEL), "{} and {}", error(LEEKS_TOO), error(FENNEL));
    // Its own dry weight moves the band, and keeps the width.
    house.typed(LEEKS_TOO, 2100.0).unwrap();
    house.flat(LEEKS_TOO, Command::RecordDry).unwrap();
    assert_eq!(house.of_flat(LEEKS_TOO, "capacity_weight_g"), 3100.0);
    // And with one record less the fill knows nothing again.
    house.flat(FENNEL, Command::ForgetBand).unwrap();
    assert_eq!(house.of_flat(LEEKS_TOO, "capacity_weight_g"), Value::Null);
}

#[test]
fn a_flat_out_of_line_with_its_batch_is_told() {
    let mut house = unmeasured();
    for (flat, dry, capacity) in
        [(CHARD, 2000.0, 3000.0), (BEET, 2010.0, 3040.0), (FENNEL, 1990.0, 2970.0), (5, 2000.0, 3010.0)]
    {
        house.measured(flat, dry, capacity);
    }
    let doubted = |house: &House, flat| {
        let is_it =
            |what: &Happening| matches!(what, Happening::AlertRaised { kind, .. } if kind.name() == "band-doubtful");
        house.last(flat, is_it).is_some()
    };
    assert!(![CHARD, BEET, FENNEL, 5].iter().any(|&flat| doubted(&house, flat)));
    house.measured(6, 2000.0, 2650.0);
    house.wait(120.0);
    assert!(doubted(&house, 6));
    assert!(![CHARD, BEET, FENNEL, 5].iter().any(|&flat| doubted(&house, flat)), "the others are right");
}

#[test]
fn two_flats_put_back_on_each_others_stands_are_told_with_the_one_thing_to_do() {
    let mut plan = plan();
    plan.stands.push(("other".to_owned(), StandSettings::default()));
    plan.flats[CHARD].1.stand = Some(2);
    let mut house = House::of(plan);
    let both = |house: &mut House, own: f64, other: f64, seconds: u32| {
        for second in 0..seconds {
            for (stand, grams) in [(OWN, own), (2, other)] {
                let value = Ok(grams + f64::from(second % 3) * 0.01);
                house.handle(Input::Reading { stand, part: Part::Whole, value, retained: false });
            }
            house.wait(1.0);
        }
    };
    both(&mut house, 2500.0, 2800.0, 300);
    both(&mut house, 0.0, 0.0, 120);
    both(&mut house, 2798.0, 2498.0, 300);
    let changed =
        |what: &Happening| matches!(what, Happening::AlertRaised { kind, .. } if kind.name() == "flat-changed");
    assert!(house.last(LEEKS, changed).is_some() && house.last(CHARD, changed).is_some());
    let advice = house.of_flat(LEEKS, "advice");
    assert!(
        advice.as_str().unwrap().contains("swapped") && advice.as_str().unwrap().contains("`move` leeks to other"),
        "{advice}"
    );
    house.flat(LEEKS, Command::Move { stand: Some(2) }).unwrap();
    both(&mut house, 2798.0, 2498.0, 60);
    assert_eq!((house.fraction(LEEKS), house.fraction(CHARD)), (0.498, 0.798));
    let cleared =
        |what: &Happening| matches!(what, Happening::AlertCleared { kind, .. } if kind.name() == "flat-changed");
    assert!(house.last(LEEKS, cleared).is_some() && house.last(CHARD, cleared).is_some());
}

#[test]
fn what_was_typed_while_a_flat_was_off_its_stand_is_over_when_it_is_back() {
    let mut house = House::new();
    house.reads(OWN, 2900.0, 300);
    house.dries(OWN, 2900.0, 10.0, 12);
    house.reads(OWN, 0.0, 120);
    house.typed(LEEKS, 2700.0).unwrap();
    house.flat(LEEKS, Command::Watered { volume: Millilitres::new(100.0), at: None, sure: false }).unwrap();
    assert_eq!(house.of_flat(LEEKS, "basis"), "typed");
    assert!((house.fraction(LEEKS) - 0.8).abs() < 0.003);
    house.reads(OWN, 2795.0, 300);
    assert_eq!((house.of_flat(LEEKS, "basis"), house.fraction(LEEKS)), (json!("stand"), 0.795));
    // And carried on by its own drying when the stand falls silent, with nothing poured twice.
    house.wait(2.0 * 3600.0);
    assert!((house.fraction(LEEKS) - 0.775).abs() < 0.02, "{}", house.fraction(LEEKS));
}

#[test]
fn a_stand_that_tared_itself_under_its_flat_is_restored() {
    let mut house = House::new();
    house.reads(OWN, 2900.0, 300);
    house.dries(OWN, 2900.0, 10.0, 30);
    // The device restarts: nothing for two minutes, then nothing on it.
    house.wait(120.0);
    house.reads(OWN, 0.0, 60);
    let error = house.say(Subject::Stand(OWN), Command::Restore { flat: CHARD }).unwrap_err();
    assert!(error.contains("does not belong on own"), "{error}");
    let answer = house.say(Subject::Stand(OWN), Command::Restore { flat: LEEKS }).unwrap();
    assert_eq!(answer["estimated"], true);
    house.reads(OWN, 0.0, 60);
    let state = house.state(Subject::Flat(LEEKS));
    let weight = state["weight_g"].as_f64().unwrap();
    // 2,600 g less half a minute's to three minutes' drying.
    assert!((weight - 2600.0).abs() < 2.0, "{state}");
    assert_eq!((&state["basis"], &state["condition"]), (&json!("stand"), &json!("moist")));
    house.dries(OWN, 0.0, 10.0, 3);
    assert!((house.fraction(LEEKS) - 0.57).abs() < 0.004, "it goes on from there: {}", house.fraction(LEEKS));
}

#[test]
fn a_flat_that_another_speaks_for_has_its_band_until_it_has_one_of_its_own() {
    let mut plan = plan();
    for flat in [LEEKS, LEEKS_TOO] {
        let (_, settings) = &mut plan.flats[flat];
        (settings.dry_weight, settings.capacity_weight, settings.fill) = (None, None, None);
    }
    plan.flats[LEEKS].1.stand = None;
    let mut house = House::of(plan);
    house.measured(LEEKS, 2000.0, 3000.0);
    house.flat(LEEKS, Command::Weigh { weight: Grams::new(2600.0), at: None, sure: true }).unwrap();
    house.wait(61.0);
    assert_eq!((house.fraction(LEEKS_TOO), house.of_flat(LEEKS_TOO, "capacity_weight_g")), (0.6, json!(3000.0)));
    assert!(house.of_flat(LEEKS_TOO, "fraction_error").as_f64().unwrap() > 0.03);
    // Without a stand a soak is not watched: what was weighed a moment ago counts.
    house.flat(LEEKS_TOO, Command::Weigh { weight: Grams::new(1900.0), at: None, sure: true }).unwrap();
    house.flat(LEEKS_TOO, Command::RecordDry).unwrap();
    assert_eq!(house.of_flat(LEEKS_TOO, "capacity_weight_g"), 2900.0, "the width of the one, its own dry weight");
    house.wait(60.0);
    house.flat(LEEKS_TOO, Command::Weigh { weight: Grams::new(2920.0), at: None, sure: true }).unwrap();
    house.flat(LEEKS_TOO, Command::RecordCapacity { now: false }).unwrap();
    assert_eq!(house.of_flat(LEEKS_TOO, "capacity_weight_g"), 2920.0);
}

#[test]
fn a_dome_of_known_weight_that_is_said_first_changes_nothing_until_it_is_seen() {
    let with_dome = || {
        let mut plan = plan();
        plan.flats[LEEKS].1.dome_weight = Some(Grams::new(180.0));
        let mut house = House::of(plan);
        house.reads(OWN, 2450.0, 300);
        house.flat(LEEKS, Command::Dome { on: true }).unwrap();
        assert_eq!(
            (house.fraction(LEEKS), house.of_flat(LEEKS, "dome")),
            (0.45, json!(true)),
            "it does not lie there yet"
        );
        house
    };
    let mut house = with_dome();
    house.reads(OWN, 2630.0, 900);
    assert_eq!((house.fraction(LEEKS), house.of_flat(LEEKS, "weight_g")), (0.45, json!(2450.0)));
    // Lifted, and put back without it.
    house.flat(LEEKS, Command::Dome { on: false }).unwrap();
    house.reads(OWN, 0.0, 120);
    house.reads(OWN, 2450.0, 300);
    assert_eq!((house.fraction(LEEKS), house.of_flat(LEEKS, "dome")), (0.45, json!(false)));
    assert!(house.last(LEEKS, is_watered).is_none());

    // Never seen: it must have lain there all the time.
    let mut house = with_dome();
    house.dries(OWN, 2450.0, 0.1, 1);
    assert_eq!(house.fraction(LEEKS), 0.27);
}

#[test]
fn a_dry_flat_stays_dry_within_the_hysteresis_over_a_restart() {
    let mut house = House::new();
    house.reads(OWN, 2290.0, 300);
    house.reads(OWN, 2310.0, 900);
    assert_eq!((house.of_flat(LEEKS, "condition"), house.fraction(LEEKS)), (json!("dry"), 0.31));
    let saved = Saved { facts: vec![house.site.fact(Subject::Flat(LEEKS)).unwrap()], ..Saved::default() };
    let mut again = House::of(plan());
    again.seconds = house.seconds + 30.0;
    again.site = Site::new(Arc::new(plan()), &saved, moment(again.seconds));
    assert_eq!(again.of_flat(LEEKS, "condition"), "dry");
    again.reads(OWN, 2310.0, 60);
    assert_eq!((again.of_flat(LEEKS, "condition"), again.fraction(LEEKS)), (json!("dry"), 0.31));
    again.reads(OWN, 2330.0, 900);
    assert_eq!(again.of_flat(LEEKS, "condition"), "due", "left at low and 0.02");
}

#[test]
fn what_is_too_unsure_is_asked_for() {
    // Nothing on a stand leads it, so it is carried on by the clock.
    let mut house = House::new();
    house.typed(CHARD, 2950.0).unwrap();
    house.wait(40.0 * 3600.0);
    assert_eq!(house.state(Subject::Flat(CHARD))["condition"], "unknown");
    assert!(house.site.alerts().any(|(kind, of)| kind.name() == "weigh-due" && of == Subject::Flat(CHARD)));
}

#[test]
fn a_leader_that_leaves_the_file_leaves_its_followers_known() {
    let mut house = House::new();
    house.typed(CHARD, 2600.0).unwrap();
    let mut fact = house.site.fact(Subject::Flat(CHARD)).unwrap();
    // As if a flat that is gone now had led it, far into its own count.
    let mut kept: Value = serde_json::from_str(&fact.json).unwrap();
    kept["between"]["leader"] = json!("gone");
    kept["between"]["led_to"] = json!(7.5);
    fact.json = kept.to_string();
    let saved = Saved { facts: vec![fact], ..Saved::default() };
    let mut again = House::of(plan());
    again.site = Site::new(Arc::new(plan()), &saved, moment(60.0));
    again.seconds = 60.0;
    again.wait(60.0);
    assert!((again.fraction(CHARD) - 0.6).abs() < 0.01, "{}", again.fraction(CHARD));
}
