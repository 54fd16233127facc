//! Cells, networks, valves and tanks of the simulated house.

use super::{alone, messages, pour, values};
use tarewell::moment::Span;
use tarewell::sim::{
    Act, CellPlan, Deed, Doing, Failure, Feed, FlatPlan, Glitch, House, HousePlan, Message, Mishap, NetworkPlan, Onto,
    Outage, Reports, Sent, Shows, SimTime, SupplyPlan, Timer, Trouble, ValveOrder, ValvePlan,
};

const NINE: SimTime = SimTime::at(0, 9, 0);

fn dark(plan: &mut HousePlan) {
    plan.room.light = tarewell::sim::Light::Dark;
    plan.room.swing = 0.0;
}

fn run(plan: HousePlan, hours: i64) -> (House, Vec<Sent>) {
    let mut house = House::new(plan, 1, NINE);
    house.advance(NINE + Span::hours(hours));
    let sent = messages(&mut house);
    (house, sent)
}

#[test]
fn noise_is_as_planned() {
    // A platform without a flat: nothing moves but noise. 20,000 readings: five standard errors are 2.5 %.
    let cell = CellPlan {
        noise: 0.4,
        wander: 0.3,
        wander_stays: 0.8,
        zero_drift: 0.0,
        shows: Shows::Grams { digit: 0.0 },
        period: Span::seconds(1),
        ..CellPlan::default()
    };
    let plan = HousePlan { stands: vec![cell], ..HousePlan::default() };
    let mut house = House::new(plan, 1, NINE);
    house.advance(NINE + Span::seconds(20_000));
    let found = values(&messages(&mut house), 0);
    let count = found.len() as f64;
    let variance = found.iter().map(|x| x * x).sum::<f64>() / count;
    let lagged = found.windows(2).map(|pair| pair[0] * pair[1]).sum::<f64>() / count;
    assert!((variance / (0.16 + 0.09) - 1.0).abs() < 0.05, "{variance}");
    assert!((lagged / (0.09 * 0.8) - 1.0).abs() < 0.12, "{lagged}");
}

#[test]
fn counts_are_whole_and_glitches_are_the_known_codes() {
    let cell = CellPlan { shows: Shows::Counts, glitches: 0.05, missing: 0.02, ..CellPlan::default() };
    let (house, sent) = run(alone(FlatPlan::default(), cell), 24);
    let tally = house.stand(0).unwrap().tally;
    let asked = tally.published + tally.missing;
    assert_eq!(asked, 8640);
    assert!(
        (tally.missing as f64 / 8640.0 - 0.02).abs() < 0.008 && (tally.glitches as f64 / 8640.0 - 0.05).abs() < 0.012
    );
    let (mut odd, mut text) = (std::collections::BTreeSet::new(), 0);
    for sent in &sent {
        match sent.message {
            Message::Reading { value: Ok(value), .. } => {
                assert_eq!(value.fract(), 0.0);
                if !(500_000.0..1_500_000.0).contains(&value) {
                    odd.insert(value as i64);
                }
            }
            Message::Reading { value: Err(failure), .. } => {
                assert!(matches!(failure, Failure::NotANumber | Failure::Null));
                text += 1;
            }
            _ => {}
        }
    }
    // 2^23 − 1, 2^22 − 1, 2^21 − 1, 0, −1 and an overload; 2^20 − 1 lies among the weights.
    let overload = (84_213.0_f64 + 214.748_5 * 30_000.0).round() as i64;
    assert_eq!(odd.into_iter().collect::<Vec<_>>(), [-1, 0, 2_097_151, 4_194_303, overload, 8_388_607]);
    assert!(text > 50);
}

#[test]
fn faults_do_to_readings_what_they_say() {
    let at = |minute| NINE + Span::minutes(minute);
    let lasts = Span::minutes(10);
    let mut plan = alone(FlatPlan::default().at_fraction(0.5), CellPlan::default());
    dark(&mut plan);
    plan.stands[0].tares = true;
    plan.acts = vec![
        (at(10), Act::Stand(0, Trouble::Freeze { lasts })),
        (at(30), Act::Stand(0, Trouble::Silence { lasts })),
        (at(50), Act::Stand(0, Trouble::Garble { glitch: Glitch::Null, lasts })),
        (at(70), Act::Stand(0, Trouble::Bump { grams: 400.0, lasts })),
        (at(90), Act::Stand(0, Trouble::Shake { factor: 10.0, lasts })),
        (at(110), Act::Stand(0, Trouble::Load { grams: 2000.0 })),
        (at(120), Act::Stand(0, Trouble::Load { grams: 0.0 })),
        (at(130), Act::Stand(0, Trouble::Shift { grams: 60.0 })),
        (at(150), Act::Stand(0, Trouble::Restart { lasts: Span::seconds(30) })),
    ];
    let (house, sent) = run(plan, 3);
    let between = |from: i64, to: i64| -> Vec<Sent> {
        sent.iter().copied().filter(|sent| sent.at >= at(from) && sent.at < at(to)).collect()
    };
    let mean = |from, to| {
        let found = values(&between(from, to), 0);
        found.iter().sum::<f64>() / found.len() as f64
    };
    // In the dark it loses 5 g/h, a gram from one ten minutes to the next.
    let frozen = values(&between(10, 20), 0);
    assert!(frozen.len() == 60 && frozen.iter().all(|value| value.to_bits() == frozen[0].to_bits()));
    assert!(between(30, 40).is_empty());
    let null = Message::Reading { stand: 0, value: Err(Failure::Null), retained: false };
    assert!(between(50, 60).len() == 60 && between(50, 60).iter().all(|sent| sent.message == null));
    assert!((mean(70, 80) - mean(80, 90) - 400.0).abs() < 2.0);
    let shaken = values(&between(90, 100), 0);
    let spread = shaken.iter().fold(0.0_f64, |most, value| most.max((value - mean(90, 100)).abs()));
    assert!(spread > 4.0, "{spread}");
    assert!((mean(110, 120) - mean(100, 110) - 2000.0).abs() < 3.0);
    assert!((mean(130, 140) - mean(120, 130) - 60.0).abs() < 2.0);
    assert!(mean(151, 160).abs() < 1.0, "tared under its flat: {}", mean(151, 160));
    assert_eq!(house.injected().len(), 9);
}

#[test]
fn noise_stays_when_an_act_is_added() {
    let plan = alone(FlatPlan::default(), CellPlan::ordinary());
    let mut other = plan.clone();
    other.acts =
        vec![(NINE + Span::minutes(30), Act::Stand(0, Trouble::Bump { grams: 300.0, lasts: Span::seconds(60) }))];
    let (_, one) = run(plan, 2);
    let (_, two) = run(other, 2);
    let differ = one.iter().zip(&two).filter(|(one, two)| one != two).count();
    assert!((1..=6).contains(&differ), "{differ}");
}

#[test]
fn two_flats_swapped_show_each_others_weight() {
    let mut plan = HousePlan {
        flats: vec![FlatPlan::cells(24).on(0), FlatPlan::cells(200).on(1)],
        stands: vec![CellPlan::perfect(); 2],
        ..HousePlan::default()
    };
    plan.acts = vec![
        (NINE + Span::minutes(30), Act::Flat(0, Doing::Swap { with: 1 })),
        (NINE + Span::minutes(60), Act::Flat(0, Doing::Lift)),
        (NINE + Span::minutes(70), Act::Flat(0, Doing::PutBack { stand: Some(0) })),
        (NINE + Span::minutes(80), Act::Flat(1, Doing::Lift)),
        (NINE + Span::minutes(85), Act::Flat(0, Doing::PutBack { stand: Some(0) })),
    ];
    let (house, sent) = run(plan, 2);
    let (one, two) = (values(&sent, 0), values(&sent, 1));
    assert!((one[0] - one[200]).abs() > 500.0 && (one[0] - two[200]).abs() < 20.0 && (two[0] - one[200]).abs() < 20.0);
    // The first attempt to put it back fails: the stand is taken.
    let back: Vec<_> = house.injected().iter().filter(|done| matches!(done.what, Deed::PutBack { .. })).collect();
    assert!(back.len() == 1 && back[0].at == NINE + Span::minutes(85));
}

#[test]
fn a_network_loses_doubles_delays_and_goes() {
    let mut plan =
        alone(FlatPlan::default(), CellPlan { retained: true, phase: Some(Span::ZERO), ..CellPlan::perfect() });
    plan.network = NetworkPlan {
        loss: 0.1,
        duplicates: 0.05,
        delay: Span::from_millis(50),
        jitter: Span::seconds(6),
        outages: vec![Outage { from: NINE + Span::hours(10), lasts: Span::hours(1) }],
        ..NetworkPlan::default()
    };
    let (_, sent) = run(plan, 24);
    // 23 h of readings each 10 s, of which 10 % are lost and 5 % of the rest double.
    let expected = 8280.0 * 0.9 * 1.05;
    assert!((values(&sent, 0).len() as f64 / expected - 1.0).abs() < 0.03);
    let gone = |sent: &&Sent| sent.at >= NINE + Span::hours(10) && sent.at < NINE + Span::hours(11);
    let during: Vec<_> = sent.iter().filter(gone).map(|sent| sent.message).collect();
    assert_eq!(during, [Message::Disconnected]);
    let after: Vec<_> = sent.iter().filter(|sent| sent.at == NINE + Span::hours(11)).map(|sent| sent.message).collect();
    assert!(matches!(after[..], [Message::Connected, Message::Reading { retained: true, .. }, ..]), "{after:?}");
    // A flat that only dries: a reading heavier than the one before has been overtaken.
    let weights = values(&sent, 0);
    assert!(weights.windows(2).filter(|pair| pair[1] > pair[0]).count() > 100);
}

fn with_valve(valve: ValvePlan, supply: Option<SupplyPlan>) -> House {
    let mut plan = alone(FlatPlan::default().at_fraction(0.5), CellPlan::perfect());
    dark(&mut plan);
    plan.supplies = supply.into_iter().collect();
    plan.valves = vec![ValvePlan { supply: supply.map(|_| 0), ..valve }];
    House::new(plan, 1, NINE)
}

fn open(house: &mut House, valve: usize, seconds: i64) {
    let now = house.now();
    house.order(valve, ValveOrder::Open { timer: Some(Span::seconds(seconds)) }, now);
}

fn pass(house: &mut House, seconds: f64) {
    let to = house.now() + Span::from_seconds(seconds);
    house.advance(to);
}

fn even(stand: usize) -> ValvePlan {
    ValvePlan { spread: 0.0, ..ValvePlan::onto(stand) }
}

#[test]
fn a_valve_delivers_what_the_closed_form_says() {
    // delivered = q (t − opening + closing) + hose (1 − exp(−t/τ)): 10 s at 6 g/s, 0.25 s, 0.20 s, 9 g, 4 s: 59.7 g when it has
    // closed, 99 % of the hose's 9 g after 18.4 s more, 68.7 g in the end (computed by hand).
    let mut house = with_valve(even(0), None);
    let before = house.truth(0).unwrap().arrived;
    open(&mut house, 0, 10);
    pass(&mut house, 10.2);
    assert!((house.truth(0).unwrap().arrived - before - 59.7).abs() < 1e-6);
    pass(&mut house, 18.42);
    assert!((house.truth(0).unwrap().arrived - before - 59.7 - 0.99 * 9.0).abs() < 0.01);
    pass(&mut house, 60.0);
    assert!((house.truth(0).unwrap().arrived - before - 68.7).abs() < 0.05);
    assert!(house.truth(0).unwrap().unaccounted().abs() < 1e-9);
    let sent: Vec<_> =
        messages(&mut house).into_iter().filter(|sent| matches!(sent.message, Message::Report { .. })).collect();
    let report = |open| Message::Report { valve: 0, open, retained: false };
    assert_eq!(sent[0], Sent { at: NINE, message: report(true) });
    assert_eq!(sent[1], Sent { at: NINE + Span::seconds(10), message: report(false) });
}

#[test]
fn readings_follow_a_valve_that_runs() {
    let mut plan =
        alone(FlatPlan::default().at_fraction(0.5), CellPlan { period: Span::seconds(1), ..CellPlan::perfect() });
    plan.valves = vec![even(0)];
    let mut house = House::new(plan, 1, NINE);
    pass(&mut house, 5.0);
    messages(&mut house);
    open(&mut house, 0, 30);
    pass(&mut house, 20.0);
    let weights = values(&messages(&mut house), 0);
    assert!(weights.windows(2).skip(1).all(|pair| (pair[1] - pair[0] - 6.0).abs() < 0.02), "{weights:?}");
}

#[test]
fn flow_falls_with_the_tank_and_no_water_is_made() {
    let tank = SupplyPlan { holds: 2000.0, begins_with: 2000.0, master: None };
    let mut house = with_valve(ValvePlan { timer: Timer::None, ..even(0) }, Some(tank));
    open(&mut house, 0, 60);
    pass(&mut house, 100.0);
    let (level, valve) = (house.level(0).unwrap(), house.valve(0).unwrap());
    // Torricelli: √h falls evenly, so after t: h/h0 = (1 − q t / 2 h0)²; here with the hose's 9 g off first.
    let root = (1991.0_f64 / 2000.0).sqrt() - 6.0 * 99.75 / 4000.0;
    assert!((level / 2000.0 - root * root).abs() < 0.002, "{level}");
    assert!((valve.flow / 6.0 - (level / 2000.0).sqrt()).abs() < 0.002);
    assert!((2000.0 - level - valve.poured - valve.hose).abs() < 1e-6 + valve.flow);
    pass(&mut house, 2000.0);
    let (level, valve) = (house.level(0).unwrap(), house.valve(0).unwrap());
    assert!(level < 5.0 && (2000.0 - level - valve.poured - valve.hose).abs() < 1e-3);
    house.act(Act::Refill { supply: 0, to: None });
    assert!(
        house.level(0) == Some(2000.0)
            && house.injected().iter().any(|done| matches!(done.what, Deed::Refilled { .. }))
    );
}

#[test]
fn what_goes_wrong_with_a_valve() {
    let poured = |mishap: Option<Mishap>, valve: ValvePlan| {
        let mut house = with_valve(valve, None);
        if let Some(mishap) = mishap {
            house.act(Act::Valve(0, mishap));
        }
        open(&mut house, 0, 20);
        pass(&mut house, 10.0);
        let now = house.now();
        house.order(0, ValveOrder::Close, now);
        pass(&mut house, 100.0);
        (house.truth(0).unwrap().arrived, messages(&mut house), house)
    };
    let reports = |sent: &[Sent]| -> Vec<bool> {
        sent.iter()
            .filter_map(|sent| if let Message::Report { open, .. } = sent.message { Some(open) } else { None })
            .collect()
    };
    let (usual, _, _) = poured(None, even(0));
    assert!((usual - 68.7).abs() < 0.05);
    let (stuck, sent, mut house) = poured(Some(Mishap::StuckOpen), even(0));
    assert!((stuck - 6.0 * 109.75).abs() < 0.1, "{stuck}");
    assert_eq!(reports(&sent), [true, false], "its relay says that it is closed");
    house.act(Act::Valve(0, Mishap::Mended));
    pass(&mut house, 100.0);
    assert!((house.truth(0).unwrap().arrived - stuck - 9.0).abs() < 0.1);
    assert!(poured(Some(Mishap::StuckClosed), even(0)).0 < 1e-9);
    let half = poured(Some(Mishap::Clogged { passes: 0.5 }), even(0)).0;
    assert!((half - 29.85 - 9.0).abs() < 0.05, "{half}");
    // Unreachable: neither order is heard. Current gone: not open, and it says closed when it is back.
    let away = Mishap::Unreachable { lasts: Span::seconds(60) };
    assert!(poured(Some(away), even(0)).0 < 1e-9);
    let (none, sent, _) = poured(Some(Mishap::PowerCut { lasts: Span::seconds(60) }), even(0));
    assert!(none < 1e-9 && reports(&sent) == [false]);
    let lost = ValvePlan { orders_lost: 1.0, ..even(0) };
    assert!(poured(None, lost).0 < 1e-9);
    let leaking = poured(Some(Mishap::Leaks { share: 0.1 }), even(0)).0;
    assert!((leaking - 68.7 - 0.6 * 100.05).abs() < 0.5, "{leaking}");
    let position = ValvePlan { reports: Reports::Position, ..even(0) };
    assert_eq!(reports(&poured(Some(Mishap::StuckOpen), position).1), [true]);
}

#[test]
fn orders_that_come_late_or_twice_and_the_timer_that_begins_anew() {
    let open_for = |valve: ValvePlan, seconds: i64| {
        let mut house = with_valve(ValvePlan { hose: 0.0, ..valve }, None);
        open(&mut house, 0, seconds);
        pass(&mut house, 300.0);
        house.truth(0).unwrap().arrived / 6.0
    };
    assert!((open_for(even(0), 20) - 19.95).abs() < 1e-6);
    let twice = open_for(ValvePlan { orders_doubled: 1.0, ..even(0) }, 20);
    assert!((21.0..25.0).contains(&twice), "{twice}");
    let limited = open_for(ValvePlan { timer: Timer::AtMost(Span::seconds(12)), ..even(0) }, 20);
    assert!((limited - 11.95).abs() < 1e-6);
    assert!((open_for(ValvePlan { timer: Timer::None, ..even(0) }, 20) - 299.75).abs() < 1e-6);

    let late = ValvePlan { orders_late: (1.0, Span::minutes(10)), ..even(0) };
    let mut house = with_valve(late, None);
    open(&mut house, 0, 20);
    pass(&mut house, 599.0);
    assert!(house.truth(0).unwrap().arrived < 1e-9 && !house.valve(0).unwrap().open);
    pass(&mut house, 10.0);
    assert!(house.valve(0).unwrap().open);
}

#[test]
fn water_falls_on_whatever_is_there() {
    let drip = |onto, flow| Feed { onto, flow, below: false };
    let valve = ValvePlan {
        feeds: vec![drip(Onto::Stand(0), 2.0), drip(Onto::Stand(1), 1.0), drip(Onto::Nothing, 1.0)],
        ..even(0)
    };
    let mut plan = HousePlan {
        flats: vec![FlatPlan::default().on(0), FlatPlan::default().on(1)],
        stands: vec![CellPlan::perfect(); 2],
        valves: vec![valve],
        ..HousePlan::default()
    };
    // Lifted half-way through 60 s, and brought back at its end: it misses half.
    plan.acts = vec![
        (NINE + Span::from_millis(30_250), Act::Flat(1, Doing::Look { lasts: Span::seconds(300) })),
        (NINE + Span::seconds(10), Act::Flat(0, pour(50.0, 5))),
    ];
    let mut house = House::new(plan, 1, NINE);
    open(&mut house, 0, 60);
    pass(&mut house, 600.0);
    let (one, two, valve) = (house.truth(0).unwrap(), house.truth(1).unwrap(), house.valve(0).unwrap());
    let all = 4.0 * 59.95 + 9.0;
    assert!((valve.poured - all).abs() < 0.05);
    assert!((one.arrived - 50.0 - all / 2.0).abs() < 0.05, "{}", one.arrived);
    assert!((two.arrived - 30.0).abs() < 1e-6, "{}", two.arrived);
    assert!((one.arrived - 50.0 + two.arrived + valve.spilled - valve.poured).abs() < 1e-9);
}

#[test]
fn without_its_master_a_valve_gives_nothing() {
    let master = ValvePlan { feeds: Vec::new(), supply: Some(0), ..even(0) };
    let mut plan = alone(FlatPlan::default().at_fraction(0.5), CellPlan::perfect());
    plan.supplies = vec![SupplyPlan { master: Some(1), ..SupplyPlan::default() }];
    plan.valves = vec![ValvePlan { supply: Some(0), hose: 0.0, ..even(0) }, master];
    let mut house = House::new(plan, 1, NINE);
    open(&mut house, 0, 100);
    pass(&mut house, 50.0);
    assert!(house.truth(0).unwrap().arrived < 1e-9);
    open(&mut house, 1, 100);
    pass(&mut house, 10.25);
    let arrived = house.truth(0).unwrap().arrived;
    assert!((arrived - 60.0).abs() < 0.2, "{arrived}");
}

#[test]
fn a_flat_that_is_away_is_not_lifted_again() {
    let mut house = House::new(alone(FlatPlan::default(), CellPlan::perfect()), 1, NINE);
    assert!(house.act(Act::Flat(0, Doing::Lift)));
    assert!(!house.act(Act::Flat(0, Doing::Look { lasts: Span::seconds(30) })));
    assert!(!house.act(Act::Flat(0, Doing::WaterAtTheSink { grams: 100.0, drips: Span::seconds(30) })));
    assert!(!house.act(Act::Flat(7, Doing::Lift)) && !house.act(Act::Stand(7, Trouble::Shift { grams: 1.0 })));
    pass(&mut house, 600.0);
    let readings = values(&messages(&mut house), 0);
    assert!(house.injected().len() == 1 && readings.iter().all(|grams| grams.abs() < 1e-9), "{readings:?}");
    assert!(house.act(Act::Flat(0, Doing::PutBack { stand: None })));
}
