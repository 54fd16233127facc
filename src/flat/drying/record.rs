//! Two days of drying by the hour, from weights that are noisy, uneven in time and now and then false.

use serde::{Deserialize, Serialize};

/// Weights within so many hours are one node: their mean at their mean time. Fine enough for the switching of lamps,
/// long enough to average out the noise of a reading a minute.
const NODE_HOURS: f64 = 0.25;
/// Two weights further apart than this many hours do not tell which hours the loss fell into.
const LONGEST_GAP_HOURS: f64 = 13.0;
/// An hour is known once this share of it is covered.
const ENOUGH_OF_AN_HOUR: f64 = 0.5;
/// Coverage is kept in steps of this part of an hour.
const COVERAGE_STEPS: f64 = 240.0;
/// A flat's fraction is kept in steps of this part of its band.
const FRACTION_STEPS: f64 = 200.0;
/// No fraction is known for that hour.
const NO_FRACTION: u8 = u8::MAX;
/// Hours that are kept: two days, so that every hour of the last day has its partner a day before.
pub const KEPT: i32 = 48;
/// How slowly the estimate of the noise follows, in nodes.
const NOISE_MEMORY: f64 = 30.0;

/// The dry weight and the band, by which a weight becomes a fraction.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Scale {
    /// Dry weight, g.
    pub dry: f64,
    /// Capacity less dry weight, g; above 0.
    pub band: f64,
}

/// A weight at a time on the flat's own clock, in hours.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Node {
    hour: f64,
    weight: f64,
}

/// A node that is still gathering; hours and weights against the first.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Gathering {
    first: Node,
    count: u32,
    hours: f32,
    weights: f32,
    last: f32,
    squared_steps: f32,
}

impl Gathering {
    fn new(first: Node) -> Self {
        Self { first, count: 1, hours: 0.0, weights: 0.0, last: 0.0, squared_steps: 0.0 }
    }

    #[expect(clippy::cast_possible_truncation, reason = "differences within a quarter of an hour")]
    fn add(&mut self, hour: f64, weight: f64) {
        let weight = (weight - self.first.weight) as f32;
        self.count += 1;
        self.hours += (hour - self.first.hour) as f32;
        self.weights += weight;
        self.squared_steps += (weight - self.last).powi(2);
        self.last = weight;
    }

    fn node(&self) -> Node {
        let count = f64::from(self.count);
        Node {
            hour: self.first.hour + f64::from(self.hours) / count,
            weight: self.first.weight + f64::from(self.weights) / count,
        }
    }

    /// Half the mean squared step: the variance of one weight, whatever the slope.
    fn noise(&self) -> Option<f64> {
        (self.count > 1).then(|| f64::from(self.squared_steps) / (2.0 * f64::from(self.count - 1)))
    }
}

/// What the hours of the last two days lost.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// Grams, by hour modulo 48.
    lost: [[f32; 24]; 2],
    /// Parts of the hour that were seen, in steps of `COVERAGE_STEPS`.
    covered: [[u8; 24]; 2],
    /// The flat's fraction then, in steps of `FRACTION_STEPS`.
    fraction: [[u8; 24]; 2],
    /// The newest hour that is kept.
    newest: Option<i32>,
    settled: Option<Node>,
    /// Believed once the next node does not contradict it.
    waiting: Option<Node>,
    gathering: Option<Gathering>,
    last_hour: f64,
    /// The variance of one weight, g²; 0 while unknown.
    noise: f32,
    /// How many weights make a node, about.
    per_node: f32,
}

impl Default for Record {
    fn default() -> Self {
        Self {
            lost: [[0.0; 24]; 2],
            covered: [[0; 24]; 2],
            fraction: [[NO_FRACTION; 24]; 2],
            newest: None,
            settled: None,
            waiting: None,
            gathering: None,
            last_hour: 0.0,
            noise: 0.0,
            per_node: 1.0,
        }
    }
}

fn slot(hour: i32) -> (usize, usize) {
    let at = usize::try_from(hour.rem_euclid(KEPT)).unwrap_or(0);
    (at / 24 % 2, at % 24)
}

fn get<T: Copy>(days: &[[T; 24]; 2], hour: i32) -> Option<T> {
    let (day, at) = slot(hour);
    days.get(day).and_then(|hours| hours.get(at)).copied()
}

fn set<T>(days: &mut [[T; 24]; 2], hour: i32, value: T) {
    let (day, at) = slot(hour);
    if let Some(kept) = days.get_mut(day).and_then(|hours| hours.get_mut(at)) {
        *kept = value;
    }
}

/// The whole hour that `hour` lies in.
#[expect(clippy::cast_possible_truncation, reason = "hours of a flat's life are far below 2^31; a cast saturates")]
pub fn whole(hour: f64) -> i32 {
    // Where a processor may lack an instruction for it, `floor` is a call.
    let towards_zero = hour as i32;
    towards_zero - i32::from(f64::from(towards_zero) > hour)
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped before, and a cast saturates")]
fn covered_steps(share: f64) -> u8 {
    (share * COVERAGE_STEPS).round().clamp(0.0, COVERAGE_STEPS) as u8
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped before, and a cast saturates")]
fn fraction_steps(fraction: f64) -> u8 {
    (fraction * FRACTION_STEPS).round().clamp(0.0, f64::from(NO_FRACTION - 1)) as u8
}

impl Record {
    /// Takes one weight in.
    pub fn add(&mut self, hour: f64, weight: f64, scale: Option<Scale>) {
        if let Some(gathering) = &mut self.gathering
            && hour - gathering.first.hour < NODE_HOURS
        {
            gathering.add(hour, weight);
            self.last_hour = hour;
            return;
        }
        if hour - self.last_hour > LONGEST_GAP_HOURS {
            self.end(scale);
        } else {
            self.close(scale);
        }
        self.gathering = Some(Gathering::new(Node { hour, weight }));
        self.last_hour = hour;
    }

    fn close(&mut self, scale: Option<Scale>) {
        let Some(gathering) = self.gathering.take() else { return };
        self.learn_noise(&gathering);
        let node = gathering.node();
        match self.waiting {
            // A flat gains nothing by itself: the higher weight after it shows that the one before was false, or noise.
            Some(before) if node.weight > before.weight => {}
            Some(before) => self.settle(before, scale),
            None => {}
        }
        self.waiting = Some(node);
    }

    #[expect(clippy::cast_possible_truncation, reason = "f32 is what is kept")]
    fn learn_noise(&mut self, gathering: &Gathering) {
        self.per_node += ((f64::from(gathering.count) - f64::from(self.per_node)) / NOISE_MEMORY) as f32;
        let Some(seen) = gathering.noise() else { return };
        let noise = f64::from(self.noise);
        self.noise = if noise > 0.0 { noise + (seen - noise) / NOISE_MEMORY } else { seen } as f32;
    }

    fn settle(&mut self, node: Node, scale: Option<Scale>) {
        if let Some(before) = self.settled {
            self.spread(before, node, scale);
        }
        self.settled = Some(node);
    }

    /// What lies before is over: the next weight has nothing to do with it.
    pub fn end(&mut self, scale: Option<Scale>) {
        let rising = match (self.waiting, self.gathering) {
            (Some(waiting), Some(gathering)) => gathering.node().weight > waiting.weight,
            _ => false,
        };
        // Before a watering the last weights may have begun to rise; they are no drying.
        if rising {
            self.gathering = None;
        }
        self.flush(scale);
        self.settled = None;
    }

    /// Everything that is known, put into its hours.
    pub fn flush(&mut self, scale: Option<Scale>) {
        self.close(scale);
        if let Some(node) = self.waiting.take() {
            self.settle(node, scale);
        }
    }

    #[expect(clippy::cast_possible_truncation, reason = "f32 is what is kept")]
    fn spread(&mut self, from: Node, to: Node, scale: Option<Scale>) {
        let hours = to.hour - from.hour;
        if hours <= 0.0 {
            return;
        }
        let rate = (from.weight - to.weight) / hours;
        let mut start = from.hour;
        while start < to.hour {
            let hour = whole(start);
            let end = to.hour.min(f64::from(hour) + 1.0);
            if end <= start {
                return;
            }
            self.open(hour);
            let lost = f64::from(get(&self.lost, hour).unwrap_or(0.0)) + rate * (end - start);
            set(&mut self.lost, hour, lost as f32);
            let covered = covered_steps(self.covered(hour) + end - start);
            set(&mut self.covered, hour, covered);
            if let Some(scale) = scale {
                let weight = from.weight - rate * (0.5 * (start + end) - from.hour);
                let fraction = (weight - scale.dry) / scale.band;
                set(&mut self.fraction, hour, fraction_steps(fraction));
            }
            start = end;
        }
    }

    /// Makes room for this hour.
    fn open(&mut self, hour: i32) {
        let first = match self.newest {
            Some(newest) if hour <= newest => return,
            Some(newest) => (newest + 1).max(hour - KEPT + 1),
            None => hour,
        };
        for fresh in first..=hour {
            set(&mut self.lost, fresh, 0.0);
            set(&mut self.covered, fresh, 0);
            set(&mut self.fraction, fresh, NO_FRACTION);
        }
        self.newest = Some(hour);
    }

    fn kept(&self, hour: i32) -> bool {
        self.newest.is_some_and(|newest| hour <= newest && hour > newest - KEPT)
    }

    /// The share of this hour that was seen, 0 to 1.
    pub fn covered(&self, hour: i32) -> f64 {
        if self.kept(hour) { f64::from(get(&self.covered, hour).unwrap_or(0)) / COVERAGE_STEPS } else { 0.0 }
    }

    /// Grams lost in the seen part of this hour.
    pub fn lost(&self, hour: i32) -> f64 {
        if self.kept(hour) { f64::from(get(&self.lost, hour).unwrap_or(0.0)) } else { 0.0 }
    }

    /// The rate in this hour, g/h, below 0 where noise or warmth outdid the drying; `None` while too little was seen.
    pub fn rate(&self, hour: i32) -> Option<f64> {
        let covered = self.covered(hour);
        (covered >= ENOUGH_OF_AN_HOUR).then(|| self.lost(hour) / covered)
    }

    /// The flat's fraction in this hour.
    pub fn fraction(&self, hour: i32) -> Option<f64> {
        let kept = get(&self.fraction, hour).filter(|&kept| kept != NO_FRACTION && self.kept(hour))?;
        Some(f64::from(kept) / FRACTION_STEPS)
    }

    /// The newest hour of which anything is known.
    pub fn newest(&self) -> Option<i32> {
        self.newest
    }

    /// When the last weight came, in hours of the flat's own clock.
    pub fn last_hour(&self) -> f64 {
        self.last_hour
    }

    /// The standard error of the weight at the edge of an hour, g.
    pub fn edge_error(&self) -> f64 {
        (f64::from(self.noise) / f64::from(self.per_node.max(1.0))).max(0.0).sqrt()
    }

    /// How many of the hours `first..=last` are known.
    pub fn known(&self, first: i32, last: i32) -> u32 {
        (first..=last).fold(0, |count, hour| count + u32::from(self.rate(hour).is_some()))
    }
}
