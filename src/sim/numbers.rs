//! The few functions that the model needs beyond `+ − × ÷ √`, made of those alone.
//!
//! IEEE 754 defines these five operations to the last bit; the exponential of a machine's own library is not so defined. So a
//! plan and a seed give the same bytes on every machine.

/// ln 2 in two parts: the first has trailing zeros, so that a whole multiple of it is exact.
const LN_2_HIGH: f64 = 6.931_471_803_691_238e-1;
const LN_2_LOW: f64 = 1.908_214_929_270_587_7e-10;

/// Of 1/n!, from n = 13 down to 0.
const EXPONENTIAL: [f64; 14] = [
    1.0 / 6_227_020_800.0,
    1.0 / 479_001_600.0,
    1.0 / 39_916_800.0,
    1.0 / 3_628_800.0,
    1.0 / 362_880.0,
    1.0 / 40_320.0,
    1.0 / 5_040.0,
    1.0 / 720.0,
    1.0 / 120.0,
    1.0 / 24.0,
    1.0 / 6.0,
    0.5,
    1.0,
    1.0,
];

/// e to the power `x`, to about 1e-15 of its value; 0 below −700 and as at 700 above it.
#[must_use]
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the power of two lies between -1010 and 1010"
)]
pub(super) fn exp(x: f64) -> f64 {
    if x < -700.0 {
        return 0.0;
    }
    let x = x.min(700.0);
    let twos = (x * std::f64::consts::LOG2_E).round();
    let rest = (x - twos * LN_2_HIGH) - twos * LN_2_LOW;
    let series = EXPONENTIAL.iter().fold(0.0, |sum, term| sum * rest + term);
    series * f64::from_bits(((twos as i64 + 1023) as u64) << 52)
}

/// The natural logarithm of a positive number, to about 1e-15 of its value.
#[must_use]
pub(super) fn ln(x: f64) -> f64 {
    let bits = x.max(f64::MIN_POSITIVE).to_bits();
    let mut twos = f64::from(u16::try_from(bits >> 52).unwrap_or(1023)) - 1023.0;
    let mut mantissa = f64::from_bits((bits & ((1 << 52) - 1)) | (1023 << 52));
    if mantissa > std::f64::consts::SQRT_2 {
        mantissa *= 0.5;
        twos += 1.0;
    }
    // ln m = 2 (s + s³/3 + s⁵/5 + …) with s = (m − 1)/(m + 1); here |s| ≤ 0.172.
    let s = (mantissa - 1.0) / (mantissa + 1.0);
    let square = s * s;
    let fourth = square * square;
    // Every other term by itself: two short chains side by side are faster than one long.
    let terms = |odds: [f64; 5]| odds.iter().fold(0.0, |sum, odd| sum * fourth + 1.0 / odd);
    let series = square * (terms([19.0, 15.0, 11.0, 7.0, 3.0]) + square * terms([21.0, 17.0, 13.0, 9.0, 5.0]));
    twos * LN_2_HIGH + (2.0 * s * (1.0 + series) + twos * LN_2_LOW)
}

/// sin πx for `x` from 0 to 1; 0 outside.
#[must_use]
pub(super) fn sin_half_turn(x: f64) -> f64 {
    if !(0.0..=1.0).contains(&x) {
        return 0.0;
    }
    let angle = std::f64::consts::PI * x.min(1.0 - x);
    let square = angle * angle;
    let mut series = 0.0;
    for n in [20.0, 18.0, 16.0, 14.0, 12.0, 10.0, 8.0, 6.0, 4.0, 2.0] {
        series = 1.0 - series * square / (n * (n + 1.0));
    }
    angle * series
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn they_agree_with_the_library_of_this_machine() {
        for step in -40_000..40_000 {
            let x = f64::from(step) * 0.01;
            assert!((exp(x) / x.exp() - 1.0).abs() < 4e-15, "exp {x}");
            let y = x.exp();
            assert!((ln(y) - y.ln()).abs() <= 4e-16 * y.ln().abs() + 1e-16, "ln {y}");
            let turn = f64::from(step) / 40_000.0;
            assert!((sin_half_turn(turn) - (std::f64::consts::PI * turn).sin().max(0.0)).abs() < 1e-15, "sin {turn}");
        }
        assert!((ln(1.0 + 1e-9) - 1e-9_f64.ln_1p()).abs() < 1e-15);
    }
}
