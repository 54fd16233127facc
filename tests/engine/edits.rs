//! The file edited between runs: what commands recorded holds until its own key changes in the file, nothing stale survives, and
//! each change is told.

use crate::bases::{CHARD, House};
use crate::recording::Random;
use chrono::NaiveDate;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::sync::Arc;
use tarewell::flat::{FlatSettings, SomeLimits};
use tarewell::moment::{Moment, Span, Wall, Zone};
use tarewell::site::{Answer, Command, Happening, Input, Order, Output, Plan, Saved, Set, Site, Subject, Ticket};
use tarewell::stand::StandSettings;
use tarewell::units::{Fraction, Grams, Words};

const START: Wall = Wall::from_millis(1_773_043_200_000);
const KEYS: [&str; 6] = ["dry_weight", "capacity_weight", "low", "target", "place", "stand"];

/// The file's keys for the one flat; what is not there is `null`.
type File = BTreeMap<&'static str, Value>;

fn plan(file: &File) -> Plan {
    let mass = |key| file[key].as_f64().map(Grams::new);
    let share = |key: &str| file[key].as_f64().map(Fraction::new);
    let own_limits = SomeLimits { low: share("low"), target: share("target"), ..SomeLimits::default() };
    let flat = FlatSettings {
        label: "Leeks".to_owned(),
        stand: file["stand"].as_str().map(|id| usize::from(id == "b")),
        dry_weight: mass("dry_weight"),
        capacity_weight: mass("capacity_weight"),
        place: file["place"].as_str().map(str::to_owned),
        limits: FlatSettings::default().limits.with(&own_limits),
        own_limits,
        ..FlatSettings::default()
    };
    let stand = |id: &str| (id.to_owned(), StandSettings::default());
    Plan {
        name: "Test".to_owned(),
        zone: Zone::named("Etc/UTC").unwrap(),
        words: Words::Metric,
        base_topic: "t".to_owned(),
        fills: Vec::new(),
        stands: vec![stand("a"), stand("b")],
        flats: vec![("leeks".to_owned(), flat)],
        valves: Vec::new(),
        supplies: Vec::new(),
    }
}

struct Run {
    site: Site,
    replaced: Vec<(String, Value, Value)>,
    moved: Vec<(Option<String>, Option<String>)>,
    answers: Vec<Answer>,
    now: Moment,
}

impl Run {
    fn start(file: &File, saved: &Saved, hours: i64) -> Self {
        let now = Moment::recorded(START + Span::hours(hours));
        let site = Site::new(Arc::new(plan(file)), saved, now);
        let mut run = Self { site, replaced: Vec::new(), moved: Vec::new(), answers: Vec::new(), now };
        run.poll();
        run
    }

    fn poll(&mut self) {
        while let Some(output) = self.site.poll() {
            match output {
                Output::Event(event) => match event.what {
                    Happening::SettingReplaced { what, from, to } => self.replaced.push((what, from, to)),
                    Happening::Moved { from, to } => self.moved.push((from, to)),
                    _ => {}
                },
                Output::Answer(_, answer) => self.answers.push(answer),
                _ => {}
            }
        }
    }

    fn say(&mut self, command: Command) -> bool {
        let (to, word) = (Subject::Flat(0), "test".to_owned());
        let ticket = Some(Ticket(1));
        let order = Order { to, word, command: Ok(command), id: None, time: None, retained: false, ticket };
        self.site.handle(Input::Order(order), self.now);
        self.poll();
        self.answers.pop().is_some_and(|answer| answer.is_ok())
    }

    /// What holds of each key.
    fn holds(&self) -> File {
        let state = self.site.flat_state(0).unwrap();
        let place = self.site.today().first().and_then(|item| item.place.map(str::to_owned));
        let mut holds = File::from([
            ("dry_weight", json!(state.dry_weight_g)),
            ("capacity_weight", json!(state.capacity_weight_g)),
            ("low", json!(state.low)),
            ("target", json!(state.target)),
            ("stand", json!(state.stand)),
        ]);
        holds.insert("place", json!(place));
        holds
    }

    fn saved(&self) -> Saved {
        let facts = [Subject::Flat(0), Subject::Site].map(|subject| self.site.fact(subject).unwrap());
        Saved { facts: facts.to_vec(), ..Saved::default() }
    }
}

/// A value of a key that fits all others.
fn value(key: &str, random: &mut Random) -> Value {
    match key {
        "dry_weight" => json!(random.between(1900.0, 2100.0).round()),
        "capacity_weight" => json!(random.between(2900.0, 3100.0).round()),
        "low" => json!((random.between(0.1, 0.3) * 100.0).round() / 100.0),
        "target" => json!((random.between(0.45, 0.7) * 100.0).round() / 100.0),
        "place" => json!(format!("shelf {:.0}", random.between(1.0, 9.0))),
        _ => json!(if random.chance(0.5) { "a" } else { "b" }),
    }
}

/// Commands that one key; whether it was done.
fn command(run: &mut Run, key: &str, value: &Value) -> bool {
    let share = || Some(Some(Fraction::new(value.as_f64().unwrap())));
    let weigh = |run: &mut Run| {
        let weight = Grams::new(value.as_f64().unwrap());
        run.now = run.now.after(Span::seconds(1));
        run.say(Command::Weigh { weight, at: None, sure: true })
    };
    match key {
        "low" => run.say(Command::Set(Set { low: share(), ..Set::default() })),
        "target" => run.say(Command::Set(Set { target: share(), ..Set::default() })),
        "place" => {
            let place = Some(value.as_str().map(str::to_owned));
            run.say(Command::Set(Set { place, ..Set::default() }))
        }
        "stand" => run.say(Command::Move { stand: Some(usize::from(value == "b")) }),
        // A flat on a stand that was never heard of is weighed there only.
        "dry_weight" => run.holds()["stand"].is_null() && weigh(run) && run.say(Command::RecordDry),
        _ => run.holds()["stand"].is_null() && weigh(run) && run.say(Command::RecordCapacity { now: true }),
    }
}

/// A measurement, which holds where the file says nothing.
fn is_end(key: &str) -> bool {
    matches!(key, "dry_weight" | "capacity_weight")
}

#[test]
fn a_key_taken_out_of_the_file_leaves_the_band_to_what_was_recorded() {
    // Found by a new user.
    let without = File::from(KEYS.map(|key| (key, Value::Null)));
    let mut with = without.clone();
    with.insert("dry_weight", json!(1400.0));
    let mut run = Run::start(&without, &Saved::default(), 0);
    for (weight, record) in [(1450.0, Command::RecordDry), (2500.0, Command::RecordCapacity { now: true })] {
        run.now = run.now.after(Span::seconds(1));
        assert!(run.say(Command::Weigh { weight: Grams::new(weight), at: None, sure: true }) && run.say(record));
    }
    let band = |run: &Run| (run.holds()["dry_weight"].clone(), run.holds()["capacity_weight"].clone());
    let from = |run: &Run| run.site.flat_state(0).unwrap().band_from;
    assert_eq!(from(&run), Some("recorded"));
    let told = |from: f64, to: f64| ("dry_weight".to_owned(), json!(from), json!(to));

    let mut by_file = Run::start(&with, &run.saved(), 1);
    assert_eq!((band(&by_file), from(&by_file)), ((json!(1400.0), json!(2500.0)), Some("file")));
    assert_eq!(by_file.replaced, [told(1450.0, 1400.0)]);
    let saved = by_file.saved();
    assert!(by_file.say(Command::Undo));
    assert_eq!(band(&by_file), (json!(1400.0), Value::Null), "the last record, and no other, is taken back");

    let again = Run::start(&without, &saved, 2);
    assert_eq!((band(&again), from(&again)), ((json!(1450.0), json!(2500.0)), Some("recorded")));
    assert_eq!(again.replaced, [told(1400.0, 1450.0)]);
    let mut again = Run::start(&without, &again.saved(), 3);
    assert!(again.replaced.is_empty(), "it is told once");
    assert!(again.say(Command::Undo));
    assert_eq!(band(&again), (json!(1450.0), Value::Null));

    let mut forgotten = Run::start(&with, &saved, 2);
    assert!(forgotten.say(Command::ForgetBand));
    let forgotten = Run::start(&without, &forgotten.saved(), 3);
    assert_eq!(band(&forgotten), (Value::Null, Value::Null), "what is forgotten does not come back");
}

#[test]
fn three_hundred_edits_lose_nothing_leave_nothing_stale_and_are_told() {
    let mut random = Random::new(11);
    let mut file = File::from(KEYS.map(|key| (key, Value::Null)));
    file.extend([("dry_weight", json!(2000.0)), ("capacity_weight", json!(3000.0))]);
    // What a command set, and what the file said then.
    let mut over: BTreeMap<&str, (Value, Value)> = BTreeMap::new();
    // A recorded end of the band that has given way to the file, and what that says.
    let mut behind: BTreeMap<&str, (Value, Value)> = BTreeMap::new();
    let mut run = Run::start(&file, &Saved::default(), 0);
    // Dry, so that it is on today's list, where its place stands.
    assert!(run.say(Command::Weigh { weight: Grams::new(2050.0), at: None, sure: true }));
    let (mut told, mut held, mut moved, mut held_again) = (0, 0, 0, 0);
    for edit in 1..=300 {
        let key = KEYS[random.between(0.0, 5.999) as usize];
        let wanted = value(key, &mut random);
        if random.chance(0.5) && run.holds()[key] != wanted && command(&mut run, key, &wanted) {
            behind.remove(key);
            let goes_back = file[key] == wanted && key == "stand";
            if goes_back {
                over.remove(key)
            } else {
                over.insert(key, (wanted, file[key].clone()))
            };
        }
        if run.holds()["stand"].is_string() && random.chance(0.5) && run.say(Command::Move { stand: None }) {
            if file["stand"].is_null() {
                over.remove("stand")
            } else {
                over.insert("stand", (Value::Null, file["stand"].clone()))
            };
        }
        // A flat's last weight stays dry, whatever was weighed for its band.
        run.now = run.now.after(Span::seconds(1));
        run.say(Command::Weigh { weight: Grams::new(2050.0), at: None, sure: true });

        let key = KEYS[random.between(0.0, 5.999) as usize];
        // Without a band it is on no list.
        let may_miss = !is_end(key) || over.contains_key(key) || behind.contains_key(key);
        let edited = if may_miss && random.chance(0.25) { Value::Null } else { value(key, &mut random) };
        let before = file.insert(key, edited).unwrap();
        let is_measured = |key: &str| is_end(key) && file[key].is_null();
        for (key, (_, then)) in over.iter_mut().filter(|(key, _)| is_measured(key)) {
            then.clone_from(&file[*key]);
        }
        let gives_way: Vec<&str> =
            KEYS.into_iter().filter(|key| over.get(key).is_some_and(|(_, then)| *then != file[key])).collect();
        let holds_again: Vec<&str> = behind.keys().copied().filter(|key| is_measured(key)).collect();
        let saved = run.saved();
        run = Run::start(&file, &saved, edit);
        for key in &gives_way {
            let (was, _) = over.remove(key).unwrap();
            let event = run.replaced.iter().find(|(what, ..)| what == key);
            let (_, from, to) = event.unwrap_or_else(|| panic!("edit {edit}: {key} gave way, and nothing was told"));
            assert_eq!((from, to), (&was, &file[key]), "edit {edit}: {key}");
            told += 1;
            if is_end(key) {
                behind.insert(key, (was, Value::Null));
            }
        }
        for key in &holds_again {
            let (value, then) = behind.remove(key).unwrap();
            assert!(
                run.replaced.contains(&((*key).to_owned(), then, value.clone())),
                "edit {edit}: {:?}",
                run.replaced
            );
            over.insert(key, (value, Value::Null));
            held_again += 1;
        }
        for (key, (_, then)) in &mut behind {
            then.clone_from(&file[*key]);
        }
        let is_moved = key == "stand" && before != file["stand"] && !over.contains_key("stand");
        let is_moved = is_moved && !gives_way.contains(&"stand");
        let stand = |value: &Value| value.as_str().map(str::to_owned);
        let moves = is_moved.then(|| (stand(&before), stand(&file["stand"])));
        assert_eq!(run.moved, moves.into_iter().collect::<Vec<_>>(), "edit {edit}: its stand in the file");
        moved += run.moved.len();
        assert_eq!(run.replaced.len(), gives_way.len() + holds_again.len(), "edit {edit}: {:?}", run.replaced);
        let holds = run.holds();
        for key in KEYS {
            let usual = match key {
                "low" => json!(0.3),
                "target" => json!(0.5),
                _ => Value::Null,
            };
            let by_file = if file[key].is_null() { &usual } else { &file[key] };
            let should = over.get(key).map_or(by_file, |(value, _)| value);
            assert_eq!(&holds[key], should, "edit {edit}: {key}");
            held += usize::from(over.contains_key(key));
        }
    }
    assert!(
        told > 20 && held > 100 && moved > 5 && held_again > 2,
        "{told} told, {held} held, {moved} moved, {held_again} held again"
    );
}

#[test]
fn the_day_of_sowing_is_known_from_the_start_at_which_the_file_has_it() {
    // Found by a new user: without a command between the two edits the last season's weight stayed.
    let mut house = House::new();
    let sown = |house: &mut House, day: u32| {
        let mut plan = (**house.site.plan()).clone();
        plan.flats[CHARD].1.sown = NaiveDate::from_ymd_opt(2026, 3, day);
        house.edited(plan, 60.0);
    };
    house.typed(CHARD, 2600.0).unwrap();
    sown(&mut house, 1);
    assert_eq!(house.of_flat(CHARD, "weight_g"), 2600.0, "from no day to a day it goes on");
    sown(&mut house, 2);
    assert_eq!(house.of_flat(CHARD, "weight_g"), Value::Null);
}

#[test]
fn a_raised_alert_takes_the_label_that_the_file_has_at_the_start() {
    // Found by a new user: what the broker kept had the old one until the alert changed.
    let now = |hours| Moment::recorded(START + Span::hours(hours));
    let mut file = plan(&File::from(KEYS.map(|key| (key, Value::Null))));
    (file.flats[0].1.dry_weight, file.flats[0].1.capacity_weight) =
        (Some(Grams::new(2000.0)), Some(Grams::new(3000.0)));
    let mut run = Run {
        site: Site::new(Arc::new(file.clone()), &Saved::default(), now(0)),
        ..Run::start(&File::from(KEYS.map(|key| (key, Value::Null))), &Saved::default(), 0)
    };
    assert!(run.say(Command::Weigh { weight: Grams::new(2050.0), at: None, sure: false }));
    let subject = Subject::Flat(0);
    let dry = *run
        .site
        .alerts()
        .map(|(kind, _)| kind)
        .filter(|kind| kind.name() == "dry")
        .collect::<Vec<_>>()
        .first()
        .unwrap();
    let alert = run.site.alert_fact(dry, subject).unwrap();
    assert!(alert.contains("Leeks is very dry"), "{alert}");
    let saved = Saved { alerts: vec![("dry".to_owned(), "flat".to_owned(), "leeks".to_owned(), alert)], ..run.saved() };
    for (label, is_news) in [("Late leeks", true), ("Leeks", false)] {
        file.flats[0].1.label = label.to_owned();
        let mut site = Site::new(Arc::new(file.clone()), &saved, now(0));
        let outputs: Vec<Output> = std::iter::from_fn(|| site.poll()).collect();
        for output in [Output::AlertRaised(dry, subject), Output::KeepAlert(dry, subject)] {
            assert_eq!(outputs.contains(&output), is_news, "{label}: {output:?} in {outputs:?}");
        }
        let alert: Value = serde_json::from_str(&site.alert_fact(dry, subject).unwrap()).unwrap();
        assert_eq!(alert["title"], format!("{label} is very dry"));
        assert!(alert["text"].as_str().unwrap().starts_with(&format!("{label}: ")), "{alert}");
    }
}
