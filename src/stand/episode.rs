//! One disturbance of a plateau, from the last quiet weight to the next: its weights, thinned, and what they add up to.

mod shifts;

use super::drainage::{Mark, Tail};
use crate::moment::Mono;

pub use shifts::Shift;

const MOST_BINS: usize = 96;
/// A plateau is one when two halves of it agree; a half lasts at least so long, s.
const HALF: f64 = 120.0;
/// So long after the last rise a watering is told in any case, s.
const LATEST: f64 = 2400.0;
/// And so long after the beginning, s.
const LONGEST: f64 = 4.0 * 3600.0;
/// Readings slower than this do not show how a weight fell, s.
const SEEN: f64 = 60.0;
/// A rise that takes longer is a drip, s.
const DRIP: f64 = 180.0;
/// What drying may look like drainage where it is not known, g/h.
const DRYING: f64 = 40.0;
/// A fall of which so much came at once is no drainage.
const AT_ONCE: f64 = 0.6;

/// What an episode measures itself by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Yardstick {
    /// Of one reading, g².
    pub(super) variance: f64,
    /// In grams.
    pub(super) division: f64,
    /// Between readings, s.
    pub(super) period: f64,
}

impl Yardstick {
    /// A change that is no noise, in grams.
    fn change(&self) -> f64 {
        (16.0 * self.variance).sqrt().max(6.0).max(3.0 * self.division)
    }
}

/// Weights of about one time: seconds since the beginning, grams above the weight before, drying taken out.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Bin {
    from: f32,
    seconds: f32,
    grams: f32,
    count: f32,
}

impl Bin {
    fn add(&mut self, other: &Self) {
        let all = self.count + other.count;
        self.seconds += (other.seconds - self.seconds) * other.count / all;
        self.grams += (other.grams - self.grams) * other.count / all;
        self.count = all;
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Half {
    from: f64,
    sum: f64,
    count: f64,
}

impl Half {
    fn mean(&self) -> f64 {
        self.sum / self.count.max(1.0)
    }
}

/// A disturbance that is not over.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Episode {
    before: f64,
    begun: Mono,
    /// g/h, at least 0.
    drying: f64,
    bins: Vec<Bin>,
    /// The lowest weight since the last rise, and when that was.
    low: f64,
    moved: f64,
    seconds: f64,
    grams: f64,
    /// The same, with noise taken out a little; and the highest it has been.
    smooth: f64,
    peak: f64,
    half: Half,
    earlier: Option<Half>,
    /// Begun when it was put on, not with a change.
    pub(super) arrival: bool,
    pub(super) draining_told: bool,
    /// So long nothing had been heard when it began, s: how fast things went in that time nobody can tell.
    pub(super) unheard: f64,
}

/// What an episode adds up to, drying taken out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sum {
    /// From the plateau before to the one after.
    pub(super) change: f64,
    /// What was poured, drainage added back; the change if nothing drained.
    pub(super) gross: f64,
    /// What is still to run off.
    pub(super) left: f64,
    /// The highest and lowest weight in between, against the one before.
    pub(super) peak: f64,
    pub(super) trough: f64,
    /// From the last quiet weight to the first near its end, s; without the time in which nothing was heard.
    pub(super) transit: f64,
    /// Whether most of a net loss came at once.
    pub(super) abrupt: bool,
}

impl Episode {
    pub(super) fn new(before: f64, begun: Mono, drying: f64) -> Self {
        let mut bins = Vec::with_capacity(MOST_BINS);
        bins.push(Bin { from: 0.0, seconds: 0.0, grams: 0.0, count: 1.0 });
        Self {
            before,
            begun,
            drying,
            bins,
            low: 0.0,
            moved: 0.0,
            seconds: 0.0,
            grams: 0.0,
            smooth: 0.0,
            peak: 0.0,
            half: Half::default(),
            earlier: None,
            arrival: false,
            draining_told: false,
            unheard: 0.0,
        }
    }

    /// Takes in a weight; whether the episode is over.
    pub(super) fn weigh(&mut self, at: Mono, weight: f64, by: &Yardstick) -> bool {
        let seconds = at.since(self.begun).as_seconds().clamp(0.0, 1e6).max(self.seconds);
        let grams = weight - self.before + self.drying * seconds / 3600.0;
        let fell = self.grams - grams > 20.0_f64.max(2.0 * by.change()) && by.period < SEEN;
        let jumped = (grams - self.smooth).abs() > 1.5 * by.change() || by.period >= SEEN;
        self.smooth = if jumped { grams } else { self.smooth + (grams - self.smooth) / 4.0 };
        if self.smooth - self.low > by.change() || fell {
            self.moved = seconds;
            self.low = self.smooth;
            self.half = Half { from: seconds, ..Half::default() };
            self.earlier = None;
        }
        self.low = self.low.min(self.smooth);
        self.peak = if self.bins.len() == 1 { grams } else { self.peak.max(self.smooth) };
        (self.seconds, self.grams) = (seconds, grams);
        self.file(seconds, grams, by);
        self.settle(by)
    }

    #[expect(clippy::cast_possible_truncation, reason = "clamped seconds, and grams within what a stand admits")]
    fn file(&mut self, seconds: f64, grams: f64, by: &Yardstick) {
        let fresh = Bin { from: seconds as f32, seconds: seconds as f32, grams: grams as f32, count: 1.0 };
        // Coarser the longer nothing has moved: some forty bins hold a whole tail.
        let width = (0.8 * by.period).max(2.0).max((seconds - self.moved) / 8.0);
        let first = self.bins.len() == 1;
        match self.bins.last_mut() {
            Some(bin)
                if !first
                    && seconds - f64::from(bin.from) < width
                    && (grams - f64::from(bin.grams)).abs() <= by.change() =>
            {
                bin.add(&fresh);
            }
            _ => self.bins.push(fresh),
        }
        if self.bins.len() >= MOST_BINS {
            self.thin();
        }
    }

    /// Joins the older half of the bins two by two; the first, the weight before, stays alone.
    fn thin(&mut self) {
        let bins = std::mem::take(&mut self.bins);
        let older = MOST_BINS / 2;
        for (place, bin) in bins.into_iter().enumerate() {
            match self.bins.last_mut() {
                Some(last) if place > 1 && place <= older && place % 2 == 0 => last.add(&bin),
                _ => self.bins.push(bin),
            }
        }
    }

    fn settle(&mut self, by: &Yardstick) -> bool {
        self.half.sum += self.grams;
        self.half.count += 1.0;
        let whole = HALF.max(0.9 * by.period);
        let full = self.seconds - self.half.from >= whole * if self.earlier.is_none() { 0.9 } else { 1.0 };
        let slow = by.period >= HALF;
        if full || slow {
            let half = std::mem::replace(&mut self.half, Half { from: self.seconds, ..Half::default() });
            if let Some(earlier) = self.earlier.replace(half) {
                let noise = 9.0 * by.variance * (1.0 / earlier.count + 1.0 / half.count);
                let most = noise.sqrt().max(1.5).max(by.division).max(0.01 * self.peak.abs());
                let change = half.mean() - earlier.mean();
                if change.abs() <= most {
                    return true;
                }
                if change > 0.0 {
                    self.moved = self.seconds;
                }
            }
        }
        self.seconds - self.moved > LATEST || self.seconds > LONGEST
    }

    /// Whether water is seen running off: a steady fall since the last rise.
    pub(super) fn drains(&self, by: &Yardstick) -> bool {
        let fallen = self.peak - self.smooth;
        let least = by.change().max(0.03 * self.peak);
        self.seconds - self.moved >= 60.0 && self.peak > 20.0 && fallen > least && fallen < 0.9 * self.peak
    }

    /// The plateau it now stands on, above the weight before.
    fn plateau(&self) -> f64 {
        let halves = [Some(self.half).filter(|half| half.count > 0.0), self.earlier];
        let latest = halves.iter().flatten().max_by(|one, other| one.count.total_cmp(&other.count));
        latest.map_or(self.grams, Half::mean)
    }

    /// The weight of that plateau.
    pub(super) fn weight(&self) -> f64 {
        self.plateau() + self.before - self.drying * self.seconds / 3600.0
    }

    /// Whether it has been seen standing since the last move, at least for half a plateau.
    pub(super) fn has_stood(&self) -> bool {
        self.earlier.is_some()
    }

    /// Whether it stands higher than before by what may be a watering.
    pub(super) fn has_risen(&self) -> bool {
        self.plateau() > 20.0
    }

    /// Adds up what has happened.
    pub(super) fn sum(&self, by: &Yardstick) -> Sum {
        let marks = self.marks(by);
        let level = self.plateau();
        let mut sum = Sum {
            change: level,
            gross: level,
            left: 0.0,
            peak: marks.iter().map(|mark| mark.grams).fold(0.0, f64::max),
            trough: marks.iter().map(|mark| mark.grams).fold(0.0, f64::min),
            transit: self.transit(&marks, level),
            abrupt: largest_fall(&marks) >= 0.5 * -level,
        };
        let turns = turns(&marks, by.change());
        for window in turns.windows(2) {
            let &[high, low] = window else { continue };
            self.add_back(&marks, high, low, by, &mut sum);
        }
        sum.gross = sum.gross.max(level);
        sum
    }

    /// Adds what ran off between two turns, and unseen before them.
    fn add_back(&self, marks: &[Mark], high: usize, low: usize, by: &Yardstick, sum: &mut Sum) {
        let (Some(top), Some(bottom)) = (marks.get(high), marks.get(low)) else { return };
        let fall = top.grams - bottom.grams;
        let rise = rise_before(marks, high, by);
        // After a long drip little is left to run off, but it tells how much did.
        let drip = rise > DRIP;
        let dried = if drip && self.drying <= 0.0 { DRYING * (bottom.seconds - top.seconds) / 3600.0 } else { 0.0 };
        let least = dried + if drip && by.period < SEEN { 0.5 * by.change() } else { by.change() };
        if fall <= least || top.grams < by.change() {
            return;
        }
        let Some(part) = marks.get(high..=low) else { return };
        if by.period < SEEN && largest_fall(part) > AT_ONCE * fall {
            return;
        }
        let from_top: Vec<Mark> = part
            .iter()
            .skip(usize::from(part.len() > 5))
            .map(|mark| Mark { seconds: mark.seconds - top.seconds, ..*mark })
            .collect();
        let Some(tail) = Tail::fit(&from_top) else {
            sum.gross += fall;
            return;
        };
        let length = bottom.seconds - top.seconds;
        let is_last = low + 1 == marks.len();
        let left = if is_last { tail.left(length).min(fall) } else { 0.0 };
        sum.left += left;
        sum.gross += (tail.amplitude - tail.left(length)).clamp(0.0, 1.5 * fall + 1.0);
        // Where more than a third would have run off while it rose, drainage began later than the rise.
        sum.gross += tail.missed(rise).min((0.35 * top.grams).max(tail.missed(rise_seen(marks, high))));
    }

    fn transit(&self, marks: &[Mark], level: f64) -> f64 {
        let near = |mark: &&Mark| (mark.grams - level).abs() <= 0.1 * level.abs();
        (marks.iter().find(near).map_or(self.seconds, |mark| mark.seconds) - self.unheard).max(0.0)
    }

    /// The bins as marks; where readings come fast enough, a lone outlier among them is flattened.
    fn marks(&self, by: &Yardstick) -> Vec<Mark> {
        let mark = |bin: &Bin| Mark {
            seconds: f64::from(bin.seconds),
            grams: f64::from(bin.grams),
            variance: (by.variance + by.division * by.division / 12.0) / f64::from(bin.count) + 0.25,
        };
        let raw: Vec<Mark> = self.bins.iter().map(mark).collect();
        if by.period >= SEEN {
            return raw;
        }
        let middle = |place: usize, own: &Mark| {
            let (before, after) = (raw.get(place.wrapping_sub(1))?, raw.get(place + 1)?);
            let (low, high) = (before.grams.min(after.grams), before.grams.max(after.grams));
            Some(own.grams.clamp(low, high))
        };
        let flat = |(place, own): (usize, &Mark)| Mark {
            grams: middle(place, own).filter(|_| place > 0).unwrap_or(own.grams),
            ..*own
        };
        raw.iter().enumerate().map(flat).collect()
    }
}

/// How long the rise to `high` took, s.
fn rise_before(marks: &[Mark], high: usize, by: &Yardstick) -> f64 {
    let Some(top) = marks.get(high) else { return 0.0 };
    let mut low = *top;
    let mut begun = top.seconds;
    for mark in marks.get(..high).unwrap_or_default().iter().rev() {
        if mark.grams > low.grams + by.change() {
            break;
        }
        if mark.grams < low.grams {
            low = *mark;
        }
    }
    for mark in marks.get(..high).unwrap_or_default().iter().rev() {
        begun = mark.seconds;
        if mark.grams <= low.grams + 0.1 * (top.grams - low.grams) {
            break;
        }
    }
    top.seconds - begun
}

/// Seconds between the mark at `high` and the one before it.
fn rise_seen(marks: &[Mark], high: usize) -> f64 {
    match (marks.get(high), marks.get(high.wrapping_sub(1))) {
        (Some(top), Some(before)) => top.seconds - before.seconds,
        _ => 0.0,
    }
    .min(300.0)
}

fn largest_fall(marks: &[Mark]) -> f64 {
    let falls = marks.windows(2).map(|pair| match pair {
        [one, other] => one.grams - other.grams,
        _ => 0.0,
    });
    falls.fold(0.0, f64::max)
}

/// Where the weights turn by more than `least`; the last is the end.
fn turns(marks: &[Mark], least: f64) -> Vec<usize> {
    let grams = |place: usize| marks.get(place).map_or(0.0, |mark| mark.grams);
    let (mut found, mut high, mut low, mut rising) = (Vec::new(), 0, 0, None);
    for place in 0..marks.len() {
        if grams(place) > grams(high) {
            high = place;
        }
        if grams(place) < grams(low) {
            low = place;
        }
        if rising != Some(true) && grams(place) - grams(low) > least {
            found.push(low);
            (rising, high) = (Some(true), place);
        } else if rising != Some(false) && grams(high) - grams(place) > least {
            found.push(high);
            (rising, low) = (Some(false), place);
        }
    }
    let end = marks.len().saturating_sub(1);
    if rising == Some(true) {
        found.push(high);
    }
    if found.last() != Some(&end) {
        found.push(end);
    }
    found
}
