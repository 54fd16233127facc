//! The file edited between runs: what commands recorded holds until its own key changes in the file, nothing stale survives, and
//! each change is told.

use crate::recording::Random;
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

#[test]
fn two_hundred_edits_lose_nothing_leave_nothing_stale_and_are_told() {
    let mut random = Random::new(11);
    let mut file = File::from(KEYS.map(|key| (key, Value::Null)));
    file.extend([("dry_weight", json!(2000.0)), ("capacity_weight", json!(3000.0))]);
    // What a command set, and what the file said then.
    let mut over: BTreeMap<&str, (Value, Value)> = BTreeMap::new();
    let mut run = Run::start(&file, &Saved::default(), 0);
    // Dry, so that it is on today's list, where its place stands.
    assert!(run.say(Command::Weigh { weight: Grams::new(2050.0), at: None, sure: true }));
    let (mut told, mut held, mut moved) = (0, 0, 0);
    for edit in 1..=200 {
        let key = KEYS[random.between(0.0, 5.999) as usize];
        let wanted = value(key, &mut random);
        if random.chance(0.5) && run.holds()[key] != wanted && command(&mut run, key, &wanted) {
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
        let may_miss = !matches!(key, "dry_weight" | "capacity_weight");
        let edited = if may_miss && random.chance(0.25) { Value::Null } else { value(key, &mut random) };
        let before = file.insert(key, edited).unwrap();
        let gives_way: Vec<&str> =
            KEYS.into_iter().filter(|key| over.get(key).is_some_and(|(_, then)| *then != file[key])).collect();
        let saved = run.saved();
        run = Run::start(&file, &saved, edit);
        for key in &gives_way {
            let (was, _) = over.remove(key).unwrap();
            let event = run.replaced.iter().find(|(what, ..)| what == key);
            let (_, from, to) = event.unwrap_or_else(|| panic!("edit {edit}: {key} gave way, and nothing was told"));
            assert_eq!((from, to), (&was, &file[key]), "edit {edit}: {key}");
            told += 1;
        }
        let is_moved = key == "stand" && before != file["stand"] && !over.contains_key("stand");
        let is_moved = is_moved && !gives_way.contains(&"stand");
        let stand = |value: &Value| value.as_str().map(str::to_owned);
        let moves = is_moved.then(|| (stand(&before), stand(&file["stand"])));
        assert_eq!(run.moved, moves.into_iter().collect::<Vec<_>>(), "edit {edit}: its stand in the file");
        moved += run.moved.len();
        assert_eq!(run.replaced.len(), gives_way.len(), "edit {edit}: {:?}", run.replaced);
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
    assert!(told > 20 && held > 100 && moved > 5, "{told} told, {held} held, {moved} moved");
}
