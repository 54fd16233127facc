//! A scale that flats of the simulated house take turns on, and who makes a round with it.

use super::{messages, values};
use std::sync::Arc;
use tarewell::flat::FlatSettings;
use tarewell::moment::{Moment, Span, Wall, Zone};
use tarewell::sim::{
    Act, CellPlan, Deed, Doing, FlatPlan, House, HousePlan, Light, Message, Place, Sent, SimTime, WeighRound,
};
use tarewell::site::{
    Command, Event, Happening, Input, Order, Output, Part, Plan, Saved, Site, Subject, Ticket, Unreadable,
};
use tarewell::stand::StandSettings;
use tarewell::units::Words;

const EIGHT: SimTime = SimTime::at(0, 8, 0);
/// The only one that flats take turns on: behind the stand of the first flat.
const SCALE: usize = 1;

/// A flat on a stand, three on the bench, and a scale.
fn bench(scale: CellPlan) -> HousePlan {
    let flat = |cells, fraction| FlatPlan::cells(cells).at_fraction(fraction);
    let stand = CellPlan { period: Span::seconds(1), phase: Some(Span::ZERO), ..CellPlan::perfect() };
    HousePlan {
        flats: vec![flat(72, 0.5).on(0), flat(24, 0.8), flat(200, 0.4), flat(50, 0.3)],
        stands: vec![stand, scale],
        ..HousePlan::default()
    }
}

fn perfect() -> CellPlan {
    CellPlan { period: Span::seconds(1), phase: Some(Span::ZERO), ..CellPlan::perfect() }
}

/// What a stand reads from a second on, until before another.
fn between(sent: &[Sent], stand: usize, from: SimTime, until: SimTime) -> Vec<f64> {
    let some: Vec<Sent> = sent.iter().copied().filter(|sent| sent.at >= from && sent.at < until).collect();
    values(&some, stand)
}

#[test]
fn each_flat_lies_on_the_scale_in_its_turn_and_is_back_where_it_was() {
    let mut house = House::new(bench(perfect()), 1, EIGHT);
    let round = WeighRound::of(SCALE, [3, 0, 1], EIGHT + Span::minutes(1));
    let turns = house.weigh_round(&round);
    house.advance(EIGHT + Span::minutes(3));
    let sent = messages(&mut house);
    assert_eq!(turns.iter().map(|turn| (turn.meant, turn.lies)).collect::<Vec<_>>(), [(3, 3), (0, 0), (1, 1)]);
    for (place, turn) in turns.iter().enumerate() {
        let begins = EIGHT + Span::minutes(1) + Span::seconds(10 * place as i64);
        assert_eq!((turn.from, turn.until), (begins, begins + Span::seconds(7)));
        // A hand leans on it for at most 1.4 s; the scale itself is perfect. At 25 g/h a flat loses 1.3 g in three minutes.
        let weight = house.truth(turn.lies).unwrap().weight;
        let settled = between(&sent, SCALE, turn.from + Span::seconds(2), turn.until);
        assert!(
            settled.len() == 5 && settled.iter().all(|value| (value - weight).abs() < 1.3),
            "{weight}: {settled:?}"
        );
        let gap = between(&sent, SCALE, turn.until + Span::from_millis(1), turn.until + Span::from_millis(2999));
        assert!(gap.len() == 2 && gap.iter().all(|value| *value == 0.0), "{gap:?}");
    }
    assert_eq!(house.stand(SCALE).unwrap().flat, None, "nobody lives there");
    let places: Vec<Place> = (0..4).map(|flat| house.truth(flat).unwrap().place).collect();
    assert_eq!(places, [Place::Stand(0), Place::Bench, Place::Bench, Place::Bench]);
    let own = between(&sent, 0, turns[1].from + Span::from_millis(1), turns[1].until);
    assert!(own.iter().all(|value| *value == 0.0), "its own stand is empty meanwhile: {own:?}");
    let own = between(&sent, 0, turns[1].until + Span::seconds(1), EIGHT + Span::minutes(3));
    assert!(own.iter().all(|value| (value - house.truth(0).unwrap().weight).abs() < 1.3));
    let deeds: Vec<_> = house
        .injected()
        .iter()
        .map(|deed| match deed.what {
            Deed::Lifted { flat, stand } => ("lifted", flat, stand),
            Deed::PutBack { flat, stand, .. } => ("put", flat, stand),
            other => panic!("{other:?}"),
        })
        .collect();
    let expected = [
        ("put", 3, SCALE),
        ("lifted", 3, SCALE),
        ("lifted", 0, 0),
        ("put", 0, SCALE),
        ("lifted", 0, SCALE),
        ("put", 0, 0),
        ("put", 1, SCALE),
        ("lifted", 1, SCALE),
    ];
    assert_eq!(deeds, expected);
}

#[test]
fn a_hand_leans_on_the_scale_before_it_shows_the_flat_with_its_noise() {
    let cell = CellPlan {
        noise: 1.0,
        wander: 0.0,
        phase: Some(Span::ZERO),
        period: Span::from_millis(100),
        zero_drift: 0.0,
        span_drift: 0.0,
        ..CellPlan::shared_scale()
    };
    let mut plan = bench(cell);
    // In the dark it loses some 5 g/h: less than half a gram in five minutes.
    plan.room.light = Light::Dark;
    let mut house = House::new(plan, 3, EIGHT);
    let round = WeighRound { lasts: Span::seconds(60), ..WeighRound::of(SCALE, [1, 2, 3], EIGHT) };
    let turns = house.weigh_round(&round);
    house.advance(EIGHT + Span::minutes(5));
    let sent = messages(&mut house);
    for turn in turns {
        let weight = house.truth(turn.lies).unwrap().weight;
        let off = |from: i64, until: i64| -> Vec<f64> {
            let read = between(&sent, SCALE, turn.from + Span::from_millis(from), turn.from + Span::from_millis(until));
            read.iter().map(|value| value - weight).collect()
        };
        let first = off(1, 390);
        assert!(first.len() == 3 && first.iter().all(|off| (10.0..320.0).contains(off)), "{first:?}");
        let settled = off(2200, 60_000);
        let mean = settled.iter().sum::<f64>() / settled.len() as f64;
        let spread = (settled.iter().map(|off| (off - mean).powi(2)).sum::<f64>() / settled.len() as f64).sqrt();
        // Creep comes to 1.5e-4 of the load in 300 s, less than a gram in one minute. 1 g of noise, rounded to a gram:
        // √(1 + 1/12) = 1.04; of 578 readings five standard errors are 15 %.
        assert!(mean.abs() < 0.8 && (0.88..1.2).contains(&spread), "{mean} ± {spread}");
    }
}

#[test]
fn two_flats_mixed_up_lie_there_in_each_others_turn() {
    let plan = |mixed_up: Vec<usize>| {
        let round = WeighRound { mixed_up, ..WeighRound::of(SCALE, [1, 2, 3], EIGHT + Span::minutes(1)) };
        HousePlan { rounds: vec![round], ..bench(perfect()) }
    };
    let house_of = |mixed_up: Vec<usize>| {
        let planned = plan(mixed_up);
        let turns = planned.rounds[0].turns();
        let mut house = House::new(planned, 1, EIGHT);
        house.advance(EIGHT + Span::minutes(2));
        (turns, house)
    };
    let (turns, mut house) = house_of(vec![0]);
    assert_eq!(turns.iter().map(|turn| (turn.meant, turn.lies)).collect::<Vec<_>>(), [(1, 2), (2, 1), (3, 3)]);
    let sent = messages(&mut house);
    for turn in &turns {
        let shown = between(&sent, SCALE, turn.from + Span::seconds(2), turn.until);
        let weight = house.truth(turn.lies).unwrap().weight;
        assert!(shown.len() == 5 && shown.iter().all(|value| (value - weight).abs() < 1.3), "{turn:?}");
    }
    let mixed: Vec<_> = house.injected().iter().filter(|deed| matches!(deed.what, Deed::MixedUp { .. })).collect();
    assert_eq!(mixed.len(), 1);
    assert_eq!((mixed[0].at, mixed[0].what), (turns[0].from, Deed::MixedUp { flat: 1, with: 2 }));
    let (turns, house) = house_of(vec![2, 9]);
    assert!(turns.iter().all(|turn| turn.meant == turn.lies), "nothing comes after the last");
    assert!(!house.injected().iter().any(|deed| matches!(deed.what, Deed::MixedUp { .. })));
}

#[test]
fn what_cannot_be_weighed_is_not() {
    let mut house = House::new(bench(perfect()), 1, EIGHT);
    let weigh = |flat, scale, seconds| Act::Flat(flat, Doing::Weigh { scale, lasts: Span::seconds(seconds) });
    assert!(!house.act(weigh(9, SCALE, 60)) && !house.act(weigh(1, 9, 60)), "no such flat, no such scale");
    assert!(!house.act(weigh(0, 0, 60)), "it lives there");
    assert!(!house.act(weigh(1, 0, 60)), "taken by the flat that lives there");
    assert!(house.act(weigh(1, SCALE, 60)));
    assert!(!house.act(weigh(1, SCALE, 60)) && !house.act(weigh(2, SCALE, 60)), "taken");
    // Taken off before its time, and put on again: the end of the first turn does not end the second.
    house.advance(EIGHT + Span::seconds(30));
    assert!(house.act(Act::Flat(1, Doing::Lift)));
    assert!(house.act(weigh(1, SCALE, 60)));
    house.advance(EIGHT + Span::seconds(70));
    assert_eq!(house.truth(1).unwrap().place, Place::Stand(SCALE));
    house.advance(EIGHT + Span::seconds(95));
    assert_eq!(house.truth(1).unwrap().place, Place::Bench);
    // One whose turn comes while it is not free is skipped.
    house.act(weigh(2, SCALE, 600));
    house.weigh_round(&WeighRound::of(SCALE, [1, 3], EIGHT));
    house.advance(EIGHT + Span::minutes(4));
    assert_eq!(house.stand(SCALE).unwrap().flat, Some(2));
}

#[test]
fn a_flat_of_the_same_plan_on_the_bench_fares_as_the_one_on_the_stand() {
    let sample = FlatPlan { age: 10.0, ..FlatPlan::cells(72) }.at_fraction(0.9);
    let plan = HousePlan {
        flats: vec![sample.on(0), sample.on(0).off_stand()],
        stands: vec![CellPlan::default()],
        ..HousePlan::default()
    };
    let mut house = House::new(plan, 1, EIGHT);
    for hour in 1..=72 {
        house.advance(EIGHT + Span::hours(hour));
        let (one, two) = (house.truth(0).unwrap(), house.truth(1).unwrap());
        assert!((one.fraction - two.fraction).abs() < 1e-3, "{hour} h: {} and {}", one.fraction, two.fraction);
    }
    let (one, two) = (house.truth(0).unwrap(), house.truth(1).unwrap());
    assert!(one.fraction < 0.8 && two.place == Place::Bench && two.unaccounted().abs() < 1e-6);
}

#[test]
fn a_round_is_the_same_however_it_is_cut_and_changes_no_other_stand() {
    let run = |rounds: Vec<WeighRound>, step: i64| {
        let mut plan = bench(CellPlan::shared_scale());
        plan.stands[0] = CellPlan::ordinary();
        plan.rounds = rounds;
        let mut house = House::new(plan, 11, EIGHT);
        while house.now() < EIGHT + Span::minutes(20) {
            house.advance(house.now() + Span::from_millis(step));
        }
        messages(&mut house)
    };
    let round = || vec![WeighRound::of(SCALE, [1, 2, 3], EIGHT + Span::minutes(5))];
    let whole = run(round(), 20 * 60_000);
    assert_eq!(
        whole,
        run(round(), 1_700).into_iter().filter(|sent| sent.at <= EIGHT + Span::minutes(20)).collect::<Vec<_>>()
    );
    let of_stand = |sent: &[Sent]| values(sent, 0);
    assert_eq!(of_stand(&whole), of_stand(&run(Vec::new(), 20 * 60_000)));
}

/// The site at the bench, with the house's scale and stand, and someone who names flats as the person with the scale believes.
struct Watched {
    house: House,
    site: Site,
    answers: Vec<Result<(), String>>,
    /// What the scale said could not be.
    refused: Vec<String>,
}

fn moment(at: SimTime) -> Moment {
    Moment::recorded(Wall::from_millis(1_775_600_000_000) + Span::from_millis(at.millis()))
}

impl Watched {
    fn new(planned: HousePlan) -> Self {
        let flat = |(place, flat): (usize, &FlatPlan)| {
            let settings = FlatSettings {
                label: format!("Flat {place}"),
                stand: flat.stand,
                dry_weight: Some(flat.dry_weight()),
                capacity_weight: Some(flat.capacity_weight()),
                ..FlatSettings::default()
            };
            (format!("flat-{place}"), settings)
        };
        let stand = |shared| StandSettings { shared, ..StandSettings::default() };
        let plan = Plan {
            name: "Test".to_owned(),
            zone: Zone::UTC,
            words: Words::Metric,
            base_topic: "t".to_owned(),
            fills: Vec::new(),
            stands: vec![("own".to_owned(), stand(false)), ("scale".to_owned(), stand(true))],
            flats: planned.flats.iter().enumerate().map(flat).collect(),
            valves: Vec::new(),
            supplies: Vec::new(),
        };
        let site = Site::new(Arc::new(plan), &Saved::default(), moment(EIGHT));
        Self { house: House::new(planned, 5, EIGHT), site, answers: Vec::new(), refused: Vec::new() }
    }

    fn handle(&mut self, input: Input, at: SimTime) {
        self.site.handle(input, moment(at));
        while let Some(output) = self.site.poll() {
            match output {
                Output::Answer(_, answer) => self.answers.push(answer.map(|_| ())),
                Output::Event(Event { what: Happening::CommandRefused { error, .. }, .. }) => self.refused.push(error),
                _ => {}
            }
        }
    }

    fn live_until(&mut self, until: SimTime) {
        self.house.advance(until);
        while let Some(sent) = self.house.poll() {
            if let Message::Reading { stand, value, .. } = sent.message {
                let value = value.map_err(|_| Unreadable::Missing);
                self.handle(Input::Reading { stand, part: Part::Whole, value, retained: false }, sent.at);
            }
        }
        self.handle(Input::Tick, until);
    }

    fn says(&mut self, command: Command) {
        let word = "test".to_owned();
        let ticket = Some(Ticket(1));
        let to = Subject::Stand(SCALE);
        let order = Order { to, word, command: Ok(command), id: None, time: None, retained: false, ticket };
        self.handle(Input::Order(order), self.house.now());
    }

    fn state(&self, subject: Subject) -> serde_json::Value {
        let mut json = Vec::new();
        self.site.write_state(subject, &mut json);
        serde_json::from_slice(&json).unwrap()
    }

    /// A round by the person, which the site follows; whether each turn was confirmed for the flat that was meant.
    fn rounds(&mut self, round: &WeighRound) -> Vec<bool> {
        self.live_until(round.begins - Span::minutes(1));
        self.says(Command::Round { flats: Some(round.flats.clone()) });
        let mut confirmed = Vec::new();
        for turn in self.house.weigh_round(round) {
            self.live_until(turn.until);
            let weighed_at = self.state(Subject::Flat(turn.meant))["weighed_at"].clone();
            let when =
                weighed_at.as_str().map(|at| chrono::DateTime::parse_from_rfc3339(at).unwrap().timestamp_millis());
            let was_weighed = when.is_some_and(|when| when >= moment(turn.from).wall.millis());
            confirmed.push(was_weighed);
            self.live_until(turn.until + round.gap);
            if !was_weighed {
                self.says(Command::Skip);
            }
        }
        confirmed
    }
}

#[test]
fn a_round_of_the_house_is_confirmed_flat_by_flat() {
    let mut watched = Watched::new(bench(CellPlan::shared_scale()));
    let round = WeighRound::of(SCALE, [1, 2, 3], EIGHT + Span::minutes(2));
    assert_eq!(watched.rounds(&round), [true; 3]);
    for flat in 1..4 {
        let known = watched.state(Subject::Flat(flat))["fraction"].as_f64().unwrap();
        let truth = watched.house.truth(flat).unwrap().fraction;
        assert!((known - truth).abs() < 0.005, "flat {flat}: {known} and in truth {truth}");
    }
}

#[test]
fn two_flats_mixed_up_in_a_round_are_questioned_and_not_recorded() {
    let mut watched = Watched::new(bench(CellPlan::shared_scale()));
    let round = |minutes, mixed_up| WeighRound {
        mixed_up,
        lasts: Span::seconds(15),
        ..WeighRound::of(SCALE, [1, 2, 3], EIGHT + Span::minutes(minutes))
    };
    assert_eq!(watched.rounds(&round(2, Vec::new())), [true; 3]);
    let confirmed = watched.rounds(&round(60, vec![0]));
    assert_eq!(confirmed, [false, false, true], "{:?}", watched.refused);
    assert!(watched.refused[0].contains("lighter than Flat 1 can have become"), "{:?}", watched.refused);
    assert!(watched.refused[0].contains("Is it Flat 2, which should weigh about that?"), "{:?}", watched.refused);
    assert!(
        watched.refused[1].contains("Flat 1 should weigh, and Flat 2 seems to have lain here"),
        "{:?}",
        watched.refused
    );
    for flat in 1..4 {
        let known = watched.state(Subject::Flat(flat))["fraction"].as_f64().unwrap();
        let truth = watched.house.truth(flat).unwrap().fraction;
        assert!((known - truth).abs() < 0.02, "flat {flat}: {known} and in truth {truth}");
    }
}

#[test]
fn who_sees_the_mistake_puts_the_right_flat_on_and_it_is_weighed() {
    let mut watched = Watched::new(bench(CellPlan::shared_scale()));
    let round = WeighRound { lasts: Span::seconds(15), ..WeighRound::of(SCALE, [1, 2], EIGHT + Span::minutes(2)) };
    assert_eq!(watched.rounds(&round), [true; 2]);
    watched.says(Command::Round { flats: Some(vec![1, 2]) });
    let lies = |flat: usize, watched: &mut Watched| {
        let lasts = Span::seconds(15);
        assert!(watched.house.act(Act::Flat(flat, Doing::Weigh { scale: SCALE, lasts })));
        watched.live_until(watched.house.now() + lasts + Span::seconds(4));
    };
    lies(2, &mut watched);
    lies(1, &mut watched);
    assert_eq!(watched.refused.len(), 1, "the right one was put on in the same turn: {:?}", watched.refused);
    lies(2, &mut watched);
    assert_eq!(watched.refused.len(), 1, "what seemed to be it is it: {:?}", watched.refused);
    assert_eq!(watched.state(Subject::Stand(SCALE))["round"], serde_json::Value::Null, "the round is over");
    for flat in [1, 2] {
        let known = watched.state(Subject::Flat(flat))["fraction"].as_f64().unwrap();
        let truth = watched.house.truth(flat).unwrap().fraction;
        assert!((known - truth).abs() < 0.005, "flat {flat}: {known} and in truth {truth}");
    }
}

#[test]
fn the_rooms_light_dries_flats_on_the_bench_too() {
    let plan = HousePlan {
        room: tarewell::sim::RoomPlan { light: Light::Dark, ..tarewell::sim::RoomPlan::default() },
        ..bench(perfect())
    };
    let lost = |plan: HousePlan| {
        let mut house = House::new(plan, 1, EIGHT);
        let before = house.truth(1).unwrap().weight;
        house.advance(EIGHT + Span::hours(6));
        before - house.truth(1).unwrap().weight
    };
    assert!(lost(bench(perfect())) > 3.0 * lost(plan) && lost(bench(perfect())) > 50.0);
}
