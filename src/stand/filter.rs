//! Outliers: a causal Hampel filter over the last readings.
//!
//! An outlier is a reading farther from the median of the last n than t times 1.4826 times the median absolute
//! deviation (Hampel 1974; Davies & Gather 1993, J. Am. Stat. Assoc. 88:782).

/// How many readings are looked at.
const LONG: usize = 7;
/// How many where readings come slowly, or water is running and a step must be seen at once.
const SHORT: usize = 3;
/// How many readings are held back at most.
const MOST: usize = LONG / 2 + 1;
/// Deviations beyond so many spreads are outliers.
const BEYOND: f64 = 3.0;
/// Makes the median absolute deviation of Gaussian noise its standard deviation.
const GAUSS: f64 = 1.4826;

/// The last readings, outliers among them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Hampel {
    ring: [f64; LONG],
    /// Where the next reading goes.
    next: u8,
    held: u8,
    /// How many of the latest readings in a row were outliers.
    outliers: u8,
}

impl Hampel {
    pub(super) const fn new() -> Self {
        Self { ring: [0.0; LONG], next: 0, held: 0, outliers: 0 }
    }

    pub(super) fn clear(&mut self) {
        *self = Self::new();
    }

    /// How many of the latest readings in a row were held back as outliers.
    pub(super) const fn outliers(&self) -> u8 {
        self.outliers
    }

    /// Whether `value` is an outlier; `floor` is the least spread to go by.
    pub(super) fn outlying(&mut self, value: f64, short: bool, floor: f64) -> bool {
        self.put(value);
        let (median, deviation) = self.spread(if short { SHORT } else { LONG });
        let spread = (GAUSS * deviation).max(floor);
        let outlying = (value - median).abs() > BEYOND * spread;
        // A step is believed once more than half of the window lies behind it; readings that agree on nothing soon after.
        let most = if short { SHORT } else { LONG } / 2 + 1;
        if outlying && usize::from(self.outliers) < most {
            self.outliers += 1;
            return true;
        }
        false
    }

    /// The readings held back in a row, oldest first, and forgets that they were.
    pub(super) fn release(&mut self) -> ([f64; MOST], usize) {
        let mut held_back = [0.0; MOST];
        let count = usize::from(self.outliers).min(MOST);
        for (place, slot) in held_back.iter_mut().take(count).enumerate() {
            *slot = self.back(count - place);
        }
        self.outliers = 0;
        (held_back, count)
    }

    fn put(&mut self, value: f64) {
        if let Some(slot) = self.ring.get_mut(usize::from(self.next)) {
            *slot = value;
        }
        self.next = if usize::from(self.next) + 1 >= LONG { 0 } else { self.next + 1 };
        if usize::from(self.held) < LONG {
            self.held += 1;
        }
    }

    /// The reading `steps` before the newest.
    fn back(&self, steps: usize) -> f64 {
        let place = (usize::from(self.next) + 2 * LONG - 1 - steps) % LONG;
        self.ring.get(place).copied().unwrap_or_default()
    }

    /// Median and median absolute deviation of the newest `count` readings.
    fn spread(&self, count: usize) -> (f64, f64) {
        if count == LONG && usize::from(self.held) == LONG {
            return seven(self.ring);
        }
        let count = count.min(usize::from(self.held));
        if count < 3 {
            return (self.back(0), f64::MAX);
        }
        let mut values = [0.0; LONG];
        for (place, slot) in values.iter_mut().take(count).enumerate() {
            *slot = self.back(place);
        }
        let values = values.get_mut(..count).unwrap_or_default();
        let median = median(values);
        for value in values.iter_mut() {
            *value = (*value - median).abs();
        }
        (median, self::median(values))
    }
}

/// The median of a few finite numbers, which it sorts; 0 of none.
pub(super) fn median(values: &mut [f64]) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    let half = values.len() / 2;
    let upper = values.get(half).copied().unwrap_or_default();
    if values.len() % 2 == 1 {
        return upper;
    }
    let lower = values.get(half.wrapping_sub(1)).copied().unwrap_or_default();
    lower + (upper - lower) / 2.0
}

/// Median and median absolute deviation of seven. The hot path: a sorting network of 16 exchanges, then the fourth
/// smallest deviation from two sides that are sorted already.
fn seven(mut a: [f64; LONG]) -> (f64, f64) {
    macro_rules! order {
        ($($low:literal $high:literal),*) => { $(
            let (low, high) = (a[$low], a[$high]);
            let swap = high < low;
            a[$low] = if swap { high } else { low };
            a[$high] = if swap { low } else { high };
        )* };
    }
    order!(0 6, 2 3, 4 5, 0 2, 1 4, 3 6, 0 1, 2 5, 3 4, 1 2, 4 6, 2 3, 4 5, 1 2, 3 4, 5 6);
    let median = a[3];
    let below = [median - a[2], median - a[1], median - a[0]];
    let above = [a[4] - median, a[5] - median, a[6] - median];
    let pair = below[1].max(above[0]).min(below[0].max(above[1]));
    (median, below[2].min(above[2]).min(pair))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn outliers_are_those_of_the_reference() {
        // The project's own reference (numpy): causal, n = 7, t = 3, floor 0.1 g; the values 2^22-1 and raw 0 in it.
        let values =
            [3412.1, 3412.4, 3411.9, 3412.2, 19531.0, 3412.0, 3412.3, 3411.8, 3412.1, 0.0, 3412.2, 3411.9, 3412.0];
        let mut filter = Hampel::new();
        let flagged: Vec<usize> = (0..values.len())
            .filter(|place| {
                let outlying = filter.outlying(values[*place], false, 0.1);
                if !outlying {
                    filter.release();
                }
                outlying
            })
            .collect();
        assert_eq!(flagged, [4, 9]);
    }

    #[test]
    fn a_step_is_believed_once_four_of_seven_agree() {
        let mut filter = Hampel::new();
        for _ in 0..7 {
            assert!(!filter.outlying(3000.0, false, 0.5));
        }
        for _ in 0..3 {
            assert!(filter.outlying(3400.0, false, 0.5));
        }
        assert!(!filter.outlying(3400.0, false, 0.5));
        assert_eq!(filter.release(), ([3400.0, 3400.0, 3400.0, 0.0], 3));
    }

    #[test]
    fn the_network_agrees_with_sorting() {
        let mut seed = 7_u64;
        for _ in 0..2000 {
            let values: [f64; 7] = std::array::from_fn(|_| {
                seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                f64::from((seed >> 40) as u32 % 50)
            });
            let middle = median(&mut values.clone());
            let deviation = median(&mut values.map(|value| (value - middle).abs()));
            assert_eq!(seven(values), (middle, deviation));
        }
    }
}
