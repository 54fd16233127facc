//! Random numbers: a stream of its own for each flat, stand, valve and line, so that none changes when another is added.

use super::numbers::{exp, ln};
use rand::rngs::Xoshiro256PlusPlus;
use rand::{Rng, SeedableRng};
use std::sync::LazyLock;

/// What a stream is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u64)]
pub(super) enum For {
    Cell = 1,
    Troubles,
    Line,
    People,
    Valve,
    ValveLine,
    Broker,
    Clouds,
    Hands,
}

/// A stream of random numbers: xoshiro256++ (Blackman and Vigna 2021), named, so that it stays what it is.
#[derive(Debug, Clone)]
pub(super) struct Random(Xoshiro256PlusPlus);

impl Random {
    /// The stream of the `place`-th of its kind in a house of that seed.
    pub(super) fn stream(seed: u64, what: For, place: usize) -> Self {
        // Golden-ratio steps keep neighbours apart; what comes out is mixed by SplitMix64 when it is spread over the state.
        let place = (place as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        let kind = (what as u64).wrapping_mul(0xd1b5_4a32_d192_ed03);
        let first = Xoshiro256PlusPlus::seed_from_u64(seed ^ kind.rotate_left(17)).next_u64();
        Self(Xoshiro256PlusPlus::seed_from_u64(first ^ place))
    }

    /// From 0 to below 1.
    #[expect(clippy::cast_precision_loss, reason = "53 bits are exact")]
    pub(super) fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 * (1.0 / (1_u64 << 53) as f64)
    }

    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    pub(super) fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }

    /// Between, evenly in the logarithm.
    pub(super) fn scale(&mut self, low: f64, high: f64) -> f64 {
        exp(self.between(ln(low), ln(high)))
    }

    /// The wait until something that happens on average once in `mean` (exponential).
    pub(super) fn wait(&mut self, mean: f64) -> f64 {
        -ln(1.0 - self.unit()) * mean
    }

    /// A normal with mean 0 and deviation 1: the ziggurat of Marsaglia and Tsang (2000) in the form of Doornik (2005), which takes the
    /// layer and the place in it from different bits.
    #[expect(clippy::cast_precision_loss, reason = "53 bits are exact")]
    pub(super) fn normal(&mut self) -> f64 {
        let layers = &*LAYERS;
        loop {
            let bits = self.0.next_u64();
            let share = (bits >> 11) as f64 * (2.0 / (1_u64 << 53) as f64) - 1.0;
            let layer = (bits & 127) as usize;
            let (Some(&edge), Some(&above)) = (layers.get(layer), layers.get(layer + 1)) else { continue };
            let x = share * edge;
            if x.abs() < above {
                return x;
            }
            if layer == 0 {
                return self.tail().copysign(share);
            }
            let (below, top) = (exp(-0.5 * (edge * edge - x * x)), exp(-0.5 * (above * above - x * x)));
            if top + self.unit() * (below - top) < 1.0 {
                return x;
            }
        }
    }

    /// Beyond the lowest layer (Marsaglia 1964).
    fn tail(&mut self) -> f64 {
        loop {
            let beyond = self.wait(1.0 / TAIL_FROM);
            if 2.0 * self.wait(1.0) >= beyond * beyond {
                return TAIL_FROM + beyond;
            }
        }
    }
}

/// Where the lowest layer of 128 ends and its tail begins, and the area of each (Marsaglia and Tsang 2000).
const TAIL_FROM: f64 = 3.442_619_855_899;
const AREA: f64 = 9.912_563_035_262_17e-3;

/// How far out each layer reaches, from the lowest (with its tail as a rectangle) to nothing above the highest.
static LAYERS: LazyLock<[f64; 129]> = LazyLock::new(|| {
    let mut height = exp(-0.5 * TAIL_FROM * TAIL_FROM);
    let mut edge = TAIL_FROM;
    let mut layers = [0.0; 129];
    layers[0] = AREA / height;
    for layer in &mut layers[1..128] {
        *layer = edge;
        height += AREA / edge;
        edge = (-2.0 * ln(height)).max(0.0).sqrt();
    }
    layers
});

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[expect(clippy::unreadable_literal, reason = "as the authors' program prints them")]
    fn the_stream_is_that_of_the_authors_of_the_generator() {
        // Output of xoshiro256plusplus.c for the state 1, 2, 3, 4 (Blackman and Vigna), as quoted in the tests of `rand`.
        let mut seed = [0; 32];
        for (place, byte) in [(0, 1), (8, 2), (16, 3), (24, 4)] {
            seed[place] = byte;
        }
        let mut made = Xoshiro256PlusPlus::from_seed(seed);
        let first: Vec<u64> = (0..4).map(|_| made.next_u64()).collect();
        assert_eq!(first, [41943041, 58720359, 3588806011781223, 3591011842654386]);
    }

    #[test]
    fn normals_are_normal() {
        let mut random = Random::stream(1, For::Cell, 0);
        let drawn: Vec<f64> = (0..200_000).map(|_| random.normal()).collect();
        let mean = |power: i32| drawn.iter().map(|x| x.powi(power)).sum::<f64>() / 200_000.0;
        // Five standard errors of each moment of 200,000 draws.
        assert!(mean(1).abs() < 0.012 && (mean(2) - 1.0).abs() < 0.016);
        assert!(mean(3).abs() < 0.044 && (mean(4) - 3.0).abs() < 0.11);
        // Shares beyond 0.5, 2 and 3.5 deviations (tables of the normal distribution), within five standard errors.
        for (limit, share) in [(0.5, 0.617_075), (2.0, 0.045_500), (3.5, 0.000_465_3)] {
            let found = drawn.iter().filter(|x| x.abs() > limit).count() as f64 / 200_000.0;
            assert!((found - share).abs() < 5.0 * (share / 200_000.0_f64).sqrt(), "{limit}: {found}");
        }
        // The layers close: the height above the last is 1.
        let last = LAYERS[127];
        assert!((exp(-0.5 * last * last) + AREA / last - 1.0).abs() < 1e-9);
    }

    #[test]
    fn streams_of_neighbours_differ() {
        let first = |what, place| Random::stream(7, what, place).0.next_u64();
        let drawn: std::collections::BTreeSet<u64> =
            (0..1000).flat_map(|place| [first(For::Cell, place), first(For::Line, place)]).collect();
        assert_eq!(drawn.len(), 2000);
    }
}
