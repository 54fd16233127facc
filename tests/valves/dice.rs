//! Numbers from a seed.

/// `SplitMix64` (Steele, Lea and Flood 2014, constants from memory).
pub struct Dice(pub u64);

impl Dice {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    pub fn below(&mut self, end: u64) -> u64 {
        self.next() % end
    }

    pub fn bytes(&mut self, most: u64) -> Vec<u8> {
        let count = self.next() % most;
        (0..count).map(|_| self.next().to_le_bytes()[0]).collect()
    }
}
