//! When a weight stands still: the last 3 s, or the last four readings where they come slower, two at a minute or
//! more, lie within the larger of two divisions and six times the noise (contract, section 3).

use super::filter::median;
use super::pace::{Noise, Pace};
use crate::moment::{Mono, Span};

const FEW: usize = 4;
/// Fast readings are gathered in blocks this long; so memory does not grow with their number.
const BLOCK: Span = Span::from_millis(250);
const BLOCKS: usize = 16;
const REACH: Span = Span::seconds(3);
/// What a flat may lose between two slow readings before its drying is known, g/h.
const DRYING_AT_FIRST: f64 = 40.0;
/// Faster than this nothing dries or leaks evenly, g/h: twice the contract's default of `fastest_drying`, so that a leak is weighed.
const FASTEST_DRYING: f64 = 360.0;

/// The last readings, as far as steadiness goes.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Window {
    last: [f64; FEW],
    held: u8,
    fast: Option<Box<Fast>>,
}

/// Blocks of readings.
#[derive(Debug, Clone, PartialEq)]
struct Fast {
    blocks: [Block; BLOCKS],
    next: u8,
    verdict: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Block {
    from: Mono,
    sum: f64,
    low: f64,
    high: f64,
    count: u32,
}

const NOTHING: Block = Block { from: Mono::from_millis(0), sum: 0.0, low: f64::MAX, high: f64::MIN, count: 0 };

/// What a reading has made of the window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Judged {
    /// The median of the window, if it is steady.
    pub(super) steady: Option<f64>,
    /// A weight that is worth looking at, and how many readings lie behind it: each slow reading, one a second of
    /// fast ones.
    pub(super) point: Option<(f64, u32)>,
}

impl Window {
    pub(super) const fn new() -> Self {
        Self { last: [0.0; FEW], held: 0, fast: None }
    }

    pub(super) fn clear(&mut self) {
        self.held = 0;
        if let Some(fast) = &mut self.fast {
            **fast = Fast::new();
        }
    }

    /// Whether there is a reading to compare the next one with.
    pub(super) const fn is_used(&self) -> bool {
        self.held > 0
    }

    /// Takes in a reading of `step` after the one before, and judges.
    pub(super) fn judge(
        &mut self,
        at: Mono,
        value: f64,
        step: Span,
        pace: Pace,
        noise: &Noise,
        division: f64,
    ) -> Judged {
        self.last.rotate_right(1);
        self.last[0] = value;
        if usize::from(self.held) < FEW {
            self.held += 1;
        }
        if pace.is_fast() {
            return self.fast.get_or_insert_with(|| Box::new(Fast::new())).judge(at, value, noise, division);
        }
        self.fast = None;
        let count = if pace.is_slow() { 2 } else { FEW };
        let steady = (usize::from(self.held) >= count).then(|| self.few(count, step, noise, division)).flatten();
        Judged { steady, point: Some((value, 1)) }
    }

    fn few(&self, count: usize, step: Span, noise: &Noise, division: f64) -> Option<f64> {
        let [a, b, c, d] = self.last;
        let ((lower, upper), (left, right)) = ((a.min(b), a.max(b)), (c.min(d), c.max(d)));
        let (low, high) = if count == 2 { (lower, upper) } else { (lower.min(left), upper.max(right)) };
        let drift = match noise.drift() {
            Some(drift) => drift * if count == 2 { 1.0 } else { 3.0 },
            None if count == 2 => DRYING_AT_FIRST * step.as_hours().clamp(0.0, 1.0),
            None => 0.0,
        };
        let still = within(high - low - drift, noise.variance(), division);
        if !still && !self.dries_evenly(count, step, noise, division) {
            return None;
        }
        // The middle two of four are the larger of the lower ones and the smaller of the upper ones.
        let (one, other) = if count == 2 { (low, high) } else { (lower.max(left), upper.min(right)) };
        Some(one + (other - one) * 0.5)
    }

    /// Whether the last three or four fall evenly, and no faster than a flat dries: it stands still, and has begun to dry faster
    /// than was learned, as on a hot day.
    fn dries_evenly(&self, count: usize, step: Span, noise: &Noise, division: f64) -> bool {
        let [a, b, c, d] = self.last;
        let (held, steps, oldest) = if count == 2 { (3, 2.0, c) } else { (FEW, 3.0, d) };
        let fall = (oldest - a) / steps;
        let fastest = FASTEST_DRYING * step.as_hours().clamp(0.0, 1.0);
        if usize::from(self.held) < held || fall <= 0.0 || fall > fastest {
            return false;
        }
        let off = (b - a - fall).abs();
        let off = if count == 2 { off } else { off.max((c - a - 2.0 * fall).abs()) };
        within(2.0 * off, noise.variance(), division)
    }
}

fn within(range: f64, variance: f64, division: f64) -> bool {
    range <= 2.0 * division || range * range <= 36.0 * variance
}

impl Fast {
    const fn new() -> Self {
        Self { blocks: [NOTHING; BLOCKS], next: 0, verdict: None }
    }

    fn judge(&mut self, at: Mono, value: f64, noise: &Noise, division: f64) -> Judged {
        let mut point = None;
        let open = self.newest();
        if open.count == 0 || at.since(open.from) >= BLOCK {
            if open.count > 0 {
                self.verdict = self.verdict(at, noise, division);
                point = if self.next.is_multiple_of(4) { self.last_second() } else { None };
            }
            self.begin(at);
        }
        let block = self.newest_mut();
        block.sum += value;
        block.low = block.low.min(value);
        block.high = block.high.max(value);
        block.count += 1;
        Judged { steady: self.verdict, point }
    }

    fn newest(&self) -> Block {
        self.blocks.get((usize::from(self.next) + BLOCKS - 1) % BLOCKS).copied().unwrap_or(NOTHING)
    }

    fn newest_mut(&mut self) -> &mut Block {
        let place = (usize::from(self.next) + BLOCKS - 1) % BLOCKS;
        &mut self.blocks[place]
    }

    fn begin(&mut self, at: Mono) {
        if let Some(slot) = self.blocks.get_mut(usize::from(self.next)) {
            *slot = Block { from: at, ..NOTHING };
        }
        self.next = if usize::from(self.next) + 1 < BLOCKS { self.next + 1 } else { 0 };
    }

    /// The median of the last 3 s if they are steady.
    fn verdict(&self, now: Mono, noise: &Noise, division: f64) -> Option<f64> {
        let mut means = [0.0; BLOCKS];
        let (mut count, mut low, mut high, mut oldest) = (0, f64::MAX, f64::MIN, now);
        for block in self.blocks.iter().filter(|block| block.count > 0 && now.since(block.from) <= REACH + BLOCK) {
            if let Some(slot) = means.get_mut(count) {
                *slot = block.sum / f64::from(block.count);
            }
            count += 1;
            low = low.min(block.low);
            high = high.max(block.high);
            oldest = oldest.min(block.from);
        }
        let whole = now.since(oldest) >= REACH - BLOCK;
        (whole && within(high - low, noise.variance(), division))
            .then(|| median(means.get_mut(..count).unwrap_or_default()))
    }

    fn last_second(&self) -> Option<(f64, u32)> {
        let (mut sum, mut count) = (0.0, 0);
        for steps in 1..=4 {
            let place = (usize::from(self.next) + BLOCKS - steps) % BLOCKS;
            let block = self.blocks.get(place)?;
            sum += block.sum;
            count += block.count;
        }
        (count > 0).then(|| (sum / f64::from(count), count))
    }
}
