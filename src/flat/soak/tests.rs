//! Simulated soaks: a mix that drains its excess with time constant τ and dries all along, as the watch must bear it.

use super::*;
use crate::moment::Wall;

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

#[test]
fn survey() {
    for period in [10, 60, 300] {
        for evaporation in [None, Some(0.6), Some(1.0)] {
            let mut line = String::new();
            for tau in [60.0, 180.0, 600.0] {
                for per_hour in [10.0, 20.0, 30.0] {
                    let mut worst: f64 = 0.0;
                    let mut mean = 0.0;
                    let mut longest = 0;
                    for seed in 0..10 {
                        let mut house = House::new(tau, per_hour, seed + 1);
                        let known = evaporation.map(|part| part * per_hour);
                        let told = watch(&mut house, period, 4, known, ten_passes, never);
                        let off = told.capacity().map_or(f64::NAN, |capacity| capacity - CAPACITY);
                        worst = worst.max(off.abs());
                        mean += off / 10.0;
                        longest = longest.max(told.ended() / 60 - 20);
                    }
                    line += &format!(" {worst:.1}({mean:+.1},{longest})");
                }
            }
            println!("{period} {evaporation:?}{line}");
        }
    }
}
