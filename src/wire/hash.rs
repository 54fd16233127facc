//! A fast hash for short names that are settled before anything arrives.
//!
//! Its tables are filled from the configuration alone and only looked up with what comes from outside, so nobody
//! can fill them with names that collide.

use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hasher};

/// A map from names to places.
pub(super) type NameMap<V> = HashMap<Box<str>, V, BuildHasherDefault<NameHasher>>;

/// Multiplies and folds eight bytes at a time.
#[derive(Default)]
pub(super) struct NameHasher(u64);

impl NameHasher {
    fn mix(&mut self, word: u64) {
        // 2^64 over the golden ratio, made odd: the usual constant of multiplicative hashing (Knuth, TAOCP 3, 6.4).
        let product = u128::from(self.0.rotate_left(23) ^ word) * u128::from(0x9e37_79b9_7f4a_7c15_u64);
        #[expect(clippy::cast_possible_truncation, reason = "the two halves are folded into one another")]
        let folded = (product as u64) ^ ((product >> 64) as u64);
        self.0 = folded;
    }
}

impl Hasher for NameHasher {
    fn finish(&self) -> u64 {
        self.0
    }

    fn write(&mut self, bytes: &[u8]) {
        let (words, rest) = bytes.as_chunks::<8>();
        for word in words {
            self.mix(u64::from_le_bytes(*word));
        }
        if !rest.is_empty() {
            let last = rest.iter().fold(0, |word, byte| word << 8 | u64::from(*byte));
            self.mix(last ^ (rest.len() as u64) << 56);
        }
    }

    fn write_u8(&mut self, byte: u8) {
        self.mix(u64::from(byte));
    }
}
