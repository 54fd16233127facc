//! Recordings of one stand, made up from a seed: a flat that dries by day and night, is watered, lifted and knocked, on
//! a cell with noise, spikes and a daily swing. The truth comes along.
#![allow(dead_code, reason = "each test uses a part of it")]

/// A small deterministic generator of numbers: splitmix64 (Steele, Lea & Flood 2014).
#[derive(Debug, Clone)]
pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Evenly from 0 to below 1.
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Between, evenly in the logarithm.
    pub fn scale(&mut self, low: f64, high: f64) -> f64 {
        (self.between(low.ln(), high.ln())).exp()
    }

    pub fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }

    /// Gaussian, by Box and Muller (1958).
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.unit()).cos()
    }
}

/// What is recorded.
#[derive(Debug, Clone)]
pub struct Recipe {
    pub seed: u64,
    /// Seconds between readings.
    pub period: f64,
    pub days: f64,
    /// Of one reading, g.
    pub noise: f64,
    /// Of a day, from lowest to highest, g.
    pub swing: f64,
    /// What is rounded to, g.
    pub rounding: f64,
    /// Share of readings that are spikes.
    pub spikes: f64,
    pub bumps_per_day: f64,
    pub lifts_per_day: f64,
    /// Time constants of drainage, s.
    pub tau: (f64, f64),
    /// Kinds of watering that occur.
    pub ways: Vec<Way>,
}

impl Recipe {
    pub fn new(seed: u64, period: f64) -> Self {
        Self {
            seed,
            period,
            days: 7.0,
            noise: 1.5,
            swing: 4.0,
            rounding: 0.1,
            spikes: 0.002,
            bumps_per_day: 2.0,
            lifts_per_day: 0.7,
            tau: (60.0, 600.0),
            ways: vec![Way::Jug, Way::RunsThrough, Way::Several, Way::Drip, Way::Away],
        }
    }
}

/// How a flat is watered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// Poured in one go; little drains.
    Jug,
    /// Poured in one go; half and more drains.
    RunsThrough,
    /// Two to four pours within a few minutes.
    Several,
    /// Half a gram a second for minutes.
    Drip,
    /// Lifted, watered elsewhere, put back.
    Away,
}

/// One true watering.
#[derive(Debug, Clone, Copy)]
pub struct Watering {
    pub way: Way,
    /// When it began and ended, s.
    pub from: f64,
    pub to: f64,
    /// All that was poured, and what stayed, g.
    pub gross: f64,
    pub kept: f64,
}

/// One reading, with the true weight.
#[derive(Debug, Clone, Copy)]
pub struct Row {
    pub seconds: f64,
    pub value: f64,
    pub truth: f64,
}

#[derive(Debug, Clone)]
pub struct Recording {
    pub rows: Vec<Row>,
    pub waterings: Vec<Watering>,
    /// From and to, s, of lifts without watering.
    pub lifts: Vec<(f64, f64)>,
    pub dry: f64,
    pub capacity: f64,
}

#[derive(Debug, Clone, Copy)]
struct Pour {
    from: f64,
    to: f64,
    /// g/s.
    rate: f64,
    drains: f64,
    tau: f64,
}

pub fn record(recipe: &Recipe) -> Recording {
    let mut house = House::new(recipe);
    let mut rows = Vec::new();
    let end = recipe.days * 86_400.0;
    let mut next_reading: f64 = 0.0;
    let mut now: f64 = 0.0;
    while now < end {
        house.plan(now);
        let step = if house.is_busy(now) { recipe.period.min(5.0) } else { recipe.period };
        let to = (now + step).min(next_reading.max(now + 0.5));
        house.pass(now, to);
        now = to;
        if now >= next_reading {
            rows.push(house.read(now));
            next_reading += recipe.period;
        }
    }
    Recording { rows, waterings: house.waterings, lifts: house.lifts, dry: house.dry, capacity: house.capacity }
}

struct House<'a> {
    recipe: &'a Recipe,
    random: Random,
    dry: f64,
    capacity: f64,
    water: f64,
    draining: f64,
    tau: f64,
    /// g/h at noon.
    thirst: f64,
    pours: Vec<Pour>,
    away: Option<(f64, f64)>,
    waterings: Vec<Watering>,
    lifts: Vec<(f64, f64)>,
    bump: (f64, f64, f64),
    next_lift: f64,
    next_bump: f64,
    rest_until: f64,
    turn: usize,
}

impl<'a> House<'a> {
    fn new(recipe: &'a Recipe) -> Self {
        let mut random = Random::new(recipe.seed);
        let dry = random.between(2200.0, 3200.0);
        let band = random.between(1200.0, 1900.0);
        let water = band * random.between(0.45, 0.7);
        let next_lift = random.between(3.0, 30.0) * 3600.0;
        let next_bump = random.between(1.0, 15.0) * 3600.0;
        let turn = random.bits() as usize % 16;
        let thirst = random.between(25.0, 60.0);
        Self {
            recipe,
            random,
            dry,
            capacity: dry + band,
            water,
            draining: 0.0,
            tau: 180.0,
            thirst,
            pours: Vec::new(),
            away: None,
            waterings: Vec::new(),
            lifts: Vec::new(),
            bump: (-1.0, -1.0, 0.0),
            next_lift,
            next_bump,
            rest_until: 7200.0,
            turn,
        }
    }

    fn is_busy(&self, now: f64) -> bool {
        self.draining > 0.05 || self.pours.iter().any(|pour| pour.to > now - 1.0 && pour.from < now + 600.0)
    }

    fn fraction(&self) -> f64 {
        self.water / (self.capacity - self.dry)
    }

    fn plan(&mut self, now: f64) {
        let hour = now / 3600.0 % 24.0;
        let by_day = (7.5..19.0).contains(&hour);
        if now >= self.next_bump {
            let push = self.random.between(50.0, 500.0) * if self.random.chance(0.5) { 1.0 } else { -1.0 };
            self.bump = (now, now + self.random.scale(0.2, 20.0), push);
            self.next_bump = now + 86_400.0 / self.recipe.bumps_per_day * self.random.between(0.3, 1.7);
        }
        if now < self.rest_until || self.away.is_some_and(|(_, back)| now < back) || self.is_busy(now) {
            return;
        }
        if by_day && self.fraction() < 0.32 {
            self.water_it(now);
        } else if now >= self.next_lift && by_day {
            let back = now + self.random.scale(120.0, 2400.0);
            self.away = Some((now, back));
            self.lifts.push((now, back));
            self.next_lift = now + 86_400.0 / self.recipe.lifts_per_day * self.random.between(0.4, 1.6);
            self.rest_until = back + 3600.0;
        }
    }

    fn water_it(&mut self, now: f64) {
        let band = self.capacity - self.dry;
        let way = self.recipe.ways[self.turn % self.recipe.ways.len()];
        self.turn += 1;
        let kept = band * self.random.between(0.15, 0.4);
        let drains = match way {
            Way::RunsThrough => self.random.between(0.5, 0.7),
            _ if self.random.chance(0.5) => self.random.between(0.02, 0.2),
            _ => 0.0,
        };
        let gross = kept / (1.0 - drains);
        let tau = self.random.scale(self.recipe.tau.0, self.recipe.tau.1);
        let begin = now + self.random.between(1.0, 600.0);
        let end = match way {
            Way::Away => {
                let back = begin + self.random.between(240.0, 1800.0) + 2.0 * self.recipe.period;
                self.away = Some((begin - 60.0, back));
                self.pour(begin, begin + 40.0, gross, drains, tau);
                back
            }
            Way::Jug | Way::RunsThrough => {
                let end = begin + self.random.between(15.0, 60.0);
                self.pour(begin, end, gross, drains, tau);
                end
            }
            Way::Several => {
                let count = 2 + self.random.bits() % 3;
                let mut at = begin;
                for _ in 0..count {
                    self.pour(at, at + 20.0, gross / count as f64, drains, tau);
                    at += self.random.between(45.0, 150.0);
                }
                at
            }
            Way::Drip => {
                let rate = self.random.between(0.35, 0.7);
                self.pour(begin, begin + gross / rate, gross, drains, tau);
                begin + gross / rate
            }
        };
        self.waterings.push(Watering { way, from: begin, to: end, gross, kept });
        self.rest_until = end + 3.0 * 3600.0;
    }

    fn pour(&mut self, from: f64, to: f64, grams: f64, drains: f64, tau: f64) {
        self.pours.push(Pour { from, to, rate: grams / (to - from), drains, tau });
    }

    fn pass(&mut self, from: f64, to: f64) {
        for pour in &self.pours {
            let seconds = (to.min(pour.to) - from.max(pour.from)).max(0.0);
            if seconds > 0.0 {
                self.water += pour.rate * seconds * (1.0 - pour.drains);
                self.draining += pour.rate * seconds * pour.drains;
                self.tau = pour.tau;
            }
        }
        self.pours.retain(|pour| pour.to > to);
        self.draining *= (-(to - from) / self.tau).exp();
        let hour = from / 3600.0 % 24.0;
        let sun = (std::f64::consts::PI * (hour - 6.0) / 14.0).sin().max(0.0);
        let stress = (self.fraction() / 0.4).clamp(0.0, 1.0);
        let rate = self.thirst * (0.15 + 0.85 * sun) * stress;
        self.water -= rate * (to - from) / 3600.0;
    }

    fn read(&mut self, now: f64) -> Row {
        let flat = self.dry + self.water + self.draining;
        let gone = self.away.is_some_and(|(off, back)| (off..back).contains(&now));
        let truth = if gone { 0.0 } else { flat };
        let turn = std::f64::consts::TAU * (now / 86_400.0 - 0.375);
        let mut value = truth + self.recipe.swing / 2.0 * turn.sin() + self.recipe.noise * self.random.normal();
        if (self.bump.0..self.bump.1).contains(&now) {
            value += self.bump.2;
        }
        if self.random.chance(self.recipe.spikes) {
            let spikes = [0.0, -392.0, 19_140.0, value + 300.0, value - 300.0];
            value = spikes[self.random.bits() as usize % spikes.len()];
        }
        let value = (value / self.recipe.rounding).round() * self.recipe.rounding;
        Row { seconds: now, value, truth }
    }
}
