//! Simulated soaks: a mix that drains its excess with time constant τ and dries all along, as the watch must bear it.

use super::*;
use crate::moment::Wall;
use proptest::prelude::*;

const DRY: f64 = 2900.0;
const BAND: f64 = 1600.0;
const CAPACITY: f64 = DRY + BAND;

/// A small generator (xorshift64*), so that a seed means the same everywhere.
struct Noise(u64);

impl Noise {
    fn unit(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        #[expect(clippy::cast_precision_loss)]
        let unit = (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64;
        unit
    }

    /// Normal, as the sum of twelve.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

/// A flat on a stand, stepped second by second.
struct House {
    seconds: i64,
    /// Above capacity: what still drips.
    mix: f64,
    tray: f64,
    tray_on_stand: bool,
    tau: f64,
    per_hour: f64,
    sigma: f64,
    noise: Noise,
}

impl House {
    fn new(tau: f64, per_hour: f64, seed: u64) -> Self {
        Self {
            seconds: 0,
            mix: DRY + 200.0,
            tray: 0.0,
            tray_on_stand: false,
            tau,
            per_hour,
            sigma: 1.5,
            noise: Noise(seed * 7919 + 1),
        }
    }

    fn at(&self) -> Moment {
        Moment::recorded(Wall::from_millis(self.seconds * 1000))
    }

    fn second(&mut self, poured: f64) {
        let drips = (self.mix - CAPACITY).max(0.0) / self.tau;
        self.mix += poured - drips - self.per_hour / 3600.0;
        if self.tray_on_stand {
            self.tray += drips;
        }
        self.seconds += 1;
    }

    fn weight(&mut self) -> Grams {
        Grams::new((self.mix + self.tray + self.noise.normal() * self.sigma).round())
    }
}

/// What a watch said, with the second it said it at.
struct Told(Vec<(i64, SoakStep)>);

impl Told {
    fn capacity(&self) -> Option<f64> {
        self.0.iter().find_map(|(_, step)| match step {
            SoakStep::Recorded { capacity, .. } => Some(capacity.get()),
            _ => None,
        })
    }

    fn passes(&self) -> u32 {
        self.0.iter().filter(|(_, step)| matches!(step, SoakStep::Pass { .. })).count().try_into().unwrap()
    }

    fn ended(&self) -> i64 {
        self.0.last().map_or(0, |(at, _)| *at)
    }
}

/// Runs for `hours`; `pours(second)` grams a second; `away(second)`: whether it is off its stand.
fn watch(
    house: &mut House,
    period: i64,
    hours: i64,
    evaporation: Option<f64>,
    pours: impl Fn(i64) -> f64,
    away: impl Fn(i64) -> bool,
) -> Told {
    let first = house.weight();
    let mut soak = Soak::begin(house.at(), Some(first));
    let mut told = Vec::new();
    let mut was_away = false;
    while house.seconds < hours * 3600 && soak.phase() != SoakPhase::Over {
        house.second(pours(house.seconds));
        let at = house.at();
        let mut steps = Vec::new();
        match (was_away, away(house.seconds)) {
            (false, true) => soak.lifted(at),
            (true, false) => steps.extend(soak.returned(house.weight(), at)),
            _ => {}
        }
        was_away = away(house.seconds);
        if soak.next_wake().is_some_and(|wake| wake <= at.mono) {
            steps.extend(soak.tick(at));
        }
        if !was_away && house.seconds % period == 0 {
            steps.extend(soak.weighed(house.weight(), at, evaporation.map(GramsPerHour::new)));
        }
        told.extend(steps.into_iter().map(|step| (house.seconds, step)));
    }
    Told(told)
}

/// Common practice, no source: about ten passes a minute apart soak a dry mix through.
fn ten_passes(second: i64) -> f64 {
    let since = second - 600;
    if (0..600).contains(&since) && since % 60 < 20 { 9.0 } else { 0.0 }
}

fn never(_: i64) -> bool {
    false
}

const TOLERANCE: f64 = 0.003 * BAND;

#[track_caller]
fn assert_recorded(told: &Told, expected: f64, case: &str) {
    let capacity = told.capacity().unwrap_or_else(|| panic!("{case}: nothing recorded, {:?}", told.0));
    assert!((capacity - expected).abs() <= TOLERANCE, "{case}: {capacity:.1} g, not {expected:.1} g");
}

#[test]
fn a_soak_on_the_stand_is_recorded_however_it_drips_and_dries() {
    for (period, evaporation) in [(10, None), (10, Some(0.6)), (60, Some(1.0)), (300, None), (300, Some(1.0))] {
        for (tau, per_hour) in [(60.0, 10.0), (60.0, 30.0), (180.0, 20.0), (600.0, 10.0), (600.0, 30.0)] {
            for seed in 1..4 {
                let mut house = House::new(tau, per_hour, seed);
                let known = evaporation.map(|part| part * per_hour);
                let told = watch(&mut house, period, 4, known, ten_passes, never);
                let case = format!("τ {tau} s, {per_hour} g/h, every {period} s, seed {seed}");
                assert_recorded(&told, CAPACITY, &case);
                // 20 min is the end of the pouring; an hour later it is recorded at the latest.
                assert!((40..=81).contains(&(told.ended() / 60)), "{case}: after {} min", told.ended() / 60);
            }
        }
    }
}

#[test]
fn passes_are_counted_as_they_come() {
    let mut house = House::new(180.0, 20.0, 5);
    let told = watch(&mut house, 10, 4, None, ten_passes, never);
    assert_eq!(told.passes(), 10);
    let steps: Vec<_> = told.0.iter().skip(10).map(|(_, step)| step).collect();
    assert!(matches!(steps[..], [SoakStep::Draining { .. }, SoakStep::Recorded { .. }]), "{steps:?}");
}

#[test]
fn a_pass_while_it_drains_starts_the_draining_anew() {
    for late in [8, 15, 35] {
        let mut house = House::new(300.0, 20.0, late);
        let once_more = 1200 + i64::try_from(late).unwrap() * 60;
        let pours = |second| if (once_more..once_more + 30).contains(&second) { 6.0 } else { ten_passes(second) };
        let told = watch(&mut house, 10, 4, Some(20.0), pours, never);
        assert_recorded(&told, CAPACITY, &format!("once more after {late} min"));
        assert_eq!(told.passes(), 11);
        assert!(told.ended() > once_more + 1200);
    }
}

#[test]
fn carried_away_and_brought_back_still_dripping() {
    for (period, tau) in [(10, 120.0), (60, 300.0), (10, 600.0), (300, 300.0)] {
        let mut house = House::new(tau, 20.0, 3);
        let pours = |second| if (700..1200).contains(&second) { 3.6 } else { 0.0 };
        let told = watch(&mut house, period, 5, None, pours, |second| (610..1210).contains(&second));
        assert_recorded(&told, CAPACITY, &format!("every {period} s, τ {tau} s"));
        assert_eq!(told.passes(), 1);
    }
}

#[test]
fn carried_away_again_while_it_drains() {
    let mut house = House::new(300.0, 20.0, 9);
    let told = watch(&mut house, 10, 5, None, ten_passes, |second| (1800..2400).contains(&second));
    assert_recorded(&told, CAPACITY, "away for ten minutes");
}

#[test]
fn a_tray_on_the_stand_is_emptied_and_its_water_does_not_count() {
    let mut house = House::new(180.0, 20.0, 4);
    house.tray_on_stand = true;
    let (mut soak, mut capacity) = (Soak::begin(house.at(), Some(house.weight())), None);
    while house.seconds < 4 * 3600 && capacity.is_none() {
        house.second(ten_passes(house.seconds));
        if house.seconds == 2000 {
            house.tray = 0.0;
            house.tray_on_stand = false;
        }
        if house.seconds % 10 == 0
            && let Some(SoakStep::Recorded { capacity: found, .. }) = soak.live(house.weight(), house.at())
        {
            capacity = Some(found.get());
        }
    }
    // It was emptied 800 s after the last pass, when nothing dripped any more: what dried until then is gone.
    let dried = 20.0 * (2000.0 - 1200.0) / 3600.0;
    let capacity = capacity.unwrap();
    assert!((capacity - CAPACITY).abs() <= TOLERANCE + dried, "{capacity}");
}

#[test]
fn a_tray_left_on_the_stand_counts() {
    let mut house = House::new(180.0, 20.0, 6);
    house.tray_on_stand = true;
    let pours = ten_passes;
    let told = watch(&mut house, 10, 4, None, pours, never);
    assert_recorded(&told, DRY + 200.0 + 1800.0 - 1200.0 / 3600.0 * 20.0, "nothing leaves the stand");
}

#[test]
fn soaked_before_the_watch_began() {
    let mut house = House::new(300.0, 20.0, 2);
    house.mix = CAPACITY + 250.0;
    let told = watch(&mut house, 10, 4, None, |_| 0.0, never);
    assert_recorded(&told, CAPACITY, "no pass seen");
    assert_eq!(told.passes(), 0);
}

#[test]
fn without_water_it_gives_up_after_a_day() {
    let mut house = House::new(300.0, 20.0, 2);
    let told = watch(&mut house, 60, 30, Some(20.0), |_| 0.0, never);
    assert!(matches!(&told.0[..], [(86_400, SoakStep::GaveUp(text))] if text.contains("no water")), "{:?}", told.0);
}

#[test]
fn away_for_good_it_gives_up_after_a_day() {
    let mut soak = Soak::begin(Moment::recorded(Wall::from_millis(0)), None);
    let wake = soak.next_wake().unwrap();
    let step = soak.tick(Moment::recorded(Wall::from_millis(wake.millis())));
    assert!(matches!(step, Some(SoakStep::GaveUp(text)) if text.contains("carried away")));
    assert_eq!(soak.next_wake(), None);
}

#[test]
fn a_hand_on_the_stand_for_a_minute_changes_nothing() {
    for hand in [-30.0, 12.0] {
        let mut house = House::new(300.0, 20.0, 8);
        let mut soak = Soak::begin(house.at(), Some(house.weight()));
        let mut capacity = None;
        while house.seconds < 4 * 3600 && capacity.is_none() {
            house.second(ten_passes(house.seconds));
            let leans = if (2400..2450).contains(&house.seconds) { hand } else { 0.0 };
            if house.seconds % 10 == 0
                && let Some(SoakStep::Recorded { capacity: found, .. }) =
                    soak.live(house.weight() + Grams::new(leans), house.at())
            {
                capacity = Some(found.get());
            }
        }
        let capacity = capacity.unwrap();
        assert!((capacity - CAPACITY).abs() <= TOLERANCE, "{hand} g: {capacity}");
    }
}

#[test]
fn a_silent_stand_is_waited_for() {
    let mut house = House::new(300.0, 20.0, 8);
    let mut soak = Soak::begin(house.at(), Some(house.weight()));
    let mut told = Vec::new();
    while house.seconds < 5 * 3600 && soak.phase() != SoakPhase::Over {
        house.second(ten_passes(house.seconds));
        let at = house.at();
        if soak.next_wake().is_some_and(|wake| wake <= at.mono) {
            told.extend(soak.tick(at));
            assert!(soak.next_wake().is_none_or(|wake| wake > at.mono), "a wake that comes back at once");
        }
        if house.seconds % 10 == 0 && !(1500..9000).contains(&house.seconds) {
            told.extend(soak.live(house.weight(), at));
        }
    }
    assert!(matches!(told.last(), Some(SoakStep::Recorded { .. })), "{told:?}");
    assert!(house.seconds >= 9000);
}

#[test]
fn steady_weights_alone_will_do() {
    // Steady as the contract has it: the last four weights within six times the noise.
    for (tau, seed) in [(60.0, 1), (180.0, 2), (600.0, 3)] {
        let mut house = House::new(tau, 20.0, seed);
        let mut soak = Soak::begin(house.at(), Some(house.weight()));
        let (mut last, mut capacity) = (Vec::new(), None);
        while house.seconds < 4 * 3600 && capacity.is_none() {
            house.second(ten_passes(house.seconds));
            if house.seconds % 10 != 0 {
                continue;
            }
            last.insert(0, house.weight());
            last.truncate(4);
            let range = last.iter().fold(Grams::ZERO, |range, weight| range.max((*weight - last[0]).abs()));
            if range <= Grams::new(9.0)
                && let Some(SoakStep::Recorded { capacity: found, .. }) = soak.weighed(last[0], house.at(), None)
            {
                capacity = Some(found.get());
            }
        }
        let capacity = capacity.unwrap();
        assert!((capacity - CAPACITY).abs() <= TOLERANCE, "τ {tau} s: {capacity}");
    }
}

#[test]
fn a_flood_at_once_and_a_trickle_drain_to_the_same() {
    let flood = |second| if (600..640).contains(&second) { 75.0 } else { 0.0 };
    let trickle = |second| if (600..3600).contains(&second) { 0.5 } else { 0.0 };
    for tau in [90.0, 400.0] {
        let mut house = House::new(tau, 25.0, 11);
        assert_recorded(&watch(&mut house, 10, 4, None, flood, never), CAPACITY, "a flood");
        let mut house = House::new(tau, 25.0, 12);
        assert_recorded(&watch(&mut house, 10, 5, None, trickle, never), CAPACITY, "a trickle");
    }
}

#[test]
fn a_noisy_stand_takes_longer_and_errs_by_its_noise() {
    let mut house = House::new(180.0, 20.0, 13);
    house.sigma = 10.0;
    let mut soak = Soak::begin(house.at(), Some(house.weight()));
    soak.set_noise(Grams::new(10.0));
    let mut capacity = None;
    while house.seconds < 4 * 3600 && capacity.is_none() {
        house.second(ten_passes(house.seconds));
        if house.seconds % 10 == 0
            && let Some(SoakStep::Recorded { capacity: found, .. }) = soak.live(house.weight(), house.at())
        {
            capacity = Some(found.get());
        }
    }
    let capacity = capacity.unwrap();
    assert!((capacity - CAPACITY).abs() <= 10.0, "{capacity}");
}

#[derive(Debug, Clone)]
enum Happens {
    Weight(f64),
    Lifted,
    Returned(f64),
    Time,
}

fn happens() -> impl Strategy<Value = Happens> {
    prop_oneof![
        8 => (-100.0..7000.0f64).prop_map(Happens::Weight),
        8 => (4490.0..4510.0f64).prop_map(Happens::Weight),
        1 => Just(Happens::Weight(1e308)),
        1 => Just(Happens::Lifted),
        1 => (0.0..7000.0f64).prop_map(Happens::Returned),
        1 => Just(Happens::Time),
    ]
}

proptest! {
    #[test]
    fn whatever_happens_a_watch_ends_once_and_in_a_finite_weight(
        all in proptest::collection::vec((happens(), -60i64..4000), 1..200),
    ) {
        let mut at = Moment::recorded(Wall::from_millis(0));
        let mut soak = Soak::begin(at, Some(Grams::new(4500.0)));
        let mut ends = 0;
        for (what, seconds) in all {
            at = at.after(Span::seconds(seconds));
            let step = match what {
                Happens::Weight(weight) => soak.live(Grams::new(weight), at),
                Happens::Returned(weight) => soak.returned(Grams::new(weight), at),
                Happens::Time => soak.tick(at),
                Happens::Lifted => {
                    soak.lifted(at);
                    None
                }
            };
            match step {
                Some(SoakStep::Recorded { capacity, drained }) => {
                    prop_assert!(capacity.get().is_finite() && drained.get().is_finite());
                    prop_assert!((-20_000.0..20_000.0).contains(&capacity.get()));
                    ends += 1;
                }
                Some(SoakStep::GaveUp(_)) => ends += 1,
                _ => {}
            }
            prop_assert!(ends <= 1);
            prop_assert_eq!(ends == 1, soak.phase() == SoakPhase::Over);
        }
    }
}
