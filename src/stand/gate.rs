//! What cannot be a weight: failure codes, overload, far below zero, and how long it has gone on.

use super::settings::StandSettings;
use super::words::Fault;
use crate::moment::{Mono, Span};
use crate::units::{Grams, WeightUnit};

/// Without a `max_load`, zero is held against this many grams (contract, section 2).
pub(super) const MAX_LOAD: f64 = 10_000.0;
/// So far below zero, as a share of the greatest load, no empty stand reads.
const BELOW: f64 = 0.02;
/// No stand bears ten tonnes: not a weight, whatever it is.
const ABSURD: f64 = 1e7;
/// Nothing good for so long, and so many payloads, is a fault.
const BAD_FOR: Span = Span::minutes(1);
const BAD_PAYLOADS: u16 = 5;
/// More than this share of failing readings, in one of some hundred, is a fault too; each bad one weighs nine good ones.
const BAD_WEIGHT: u16 = 9;
const BAD_SHARE: u16 = 360;

/// What a weight may be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Gate {
    least: f64,
    most: f64,
    counts: bool,
}

impl Gate {
    pub(super) fn of(settings: &StandSettings) -> Self {
        let load = settings.max_load.map_or(MAX_LOAD, Grams::get);
        Self {
            least: -BELOW * load,
            most: settings.max_load.map_or(ABSURD, Grams::get),
            counts: settings.unit == WeightUnit::Counts,
        }
    }

    /// A value that a converter gives when it has none: 0, −1, 2^n − 1, the ends of its range. Only of counts.
    pub(super) fn is_code(&self, value: f64) -> bool {
        self.counts && is_failure_code(value)
    }

    /// Whether its values are counts of a converter.
    pub(super) const fn is_of_counts(&self) -> bool {
        self.counts
    }

    /// Grams that can be a weight.
    pub(super) fn admits(&self, grams: f64) -> bool {
        self.least <= grams && grams <= self.most
    }

    /// Why they cannot.
    pub(super) fn fault(&self, grams: f64) -> Fault {
        match Grams::checked(grams) {
            Some(weight) if grams > self.most && self.most < ABSURD => Fault::Overload(weight),
            Some(weight) if grams < self.least && grams > -ABSURD => Fault::BelowZero(weight),
            _ => Fault::Unreadable("far too large a number".to_owned()),
        }
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::float_cmp,
    reason = "codes are exact integers below 2^24"
)]
fn is_failure_code(value: f64) -> bool {
    if value == 0.0 || value == -1.0 || value.abs() == 8_388_608.0 {
        return true;
    }
    if !(32_767.0..=16_777_215.0).contains(&value) || value.fract() != 0.0 {
        return false;
    }
    let code = value as u32;
    code & (code + 1) == 0
}

/// How long nothing good has come.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Doubt {
    since: Option<Mono>,
    payloads: u16,
    share: u16,
    /// Good ones in a row.
    good: u8,
    /// Good and bad ones come by turns, so that their share tells more than the time.
    mixed: bool,
}

/// So many weights in a row, and whatever was wrong is mended; where good and bad ones had come by turns, so many.
const MENDED: u8 = 5;
const MENDED_FOR_GOOD: u8 = 30;

impl Doubt {
    /// A payload without a weight; whether that makes a fault.
    pub(super) fn bad(&mut self, at: Mono) -> bool {
        let since = *self.since.get_or_insert(at);
        let first = self.share == 0;
        self.payloads = self.payloads.saturating_add(1);
        self.share = (self.share + BAD_WEIGHT).min(2 * BAD_SHARE);
        // After a row of good ones it is another trouble, not the same by turns.
        self.mixed |= (1..MENDED).contains(&self.good) && !first;
        self.good = 0;
        (self.payloads >= BAD_PAYLOADS && at.since(since) >= BAD_FOR) || (self.mixed && self.share > BAD_SHARE)
    }

    /// A weight; whether all is well again.
    pub(super) fn good(&mut self) -> bool {
        self.since = None;
        self.payloads = 0;
        self.share = self.share.saturating_sub(1);
        self.good = self.good.saturating_add(1);
        if self.good >= if self.mixed { MENDED_FOR_GOOD } else { MENDED } {
            self.share = 0;
        }
        self.mixed &= self.share > 0;
        self.share < BAD_SHARE / 2
    }

    /// Whether there is anything to forget.
    pub(super) const fn is_clear(&self) -> bool {
        self.share == 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn failure_codes_are_those_seen_of_such_converters() {
        // Issue threads of the common converter library, as collected in the project's notes on weighing, 2.5.
        for code in [8_388_607.0, 4_194_303.0, 2_097_151.0, 1_048_575.0, 0.0, -1.0, -8_388_608.0, 8_388_608.0] {
            assert!(is_failure_code(code), "{code}");
        }
        for value in [84_213.0, 513_710.0, 4_194_302.0, -2.0, 1.0, 817_230.0, f64::NAN, f64::INFINITY] {
            assert!(!is_failure_code(value), "{value}");
        }
    }

    #[test]
    fn a_minute_and_five_payloads_make_a_fault() {
        let mut doubt = Doubt::default();
        let bad: Vec<bool> = (0..8).map(|place| doubt.bad(Mono::from_millis(place * 10_000))).collect();
        assert_eq!(bad, [false, false, false, false, false, false, true, true]);
        assert!(doubt.good());
    }

    #[test]
    fn five_minutes_of_failure_after_a_long_life_are_over_after_five_weights() {
        // Seed 111 of the storm: the fault went on for half an hour of good weights, and a flat that was dry was not told of.
        let mut doubt = Doubt::default();
        for _ in 0..200 {
            doubt.good();
        }
        for place in 0..28 {
            doubt.bad(Mono::from_millis(place * 11_000));
        }
        let well: Vec<bool> = (0..5).map(|_| doubt.good()).collect();
        assert_eq!(well, [false, false, false, false, true]);
    }

    #[test]
    fn good_and_bad_by_turns_are_a_fault_until_only_good_ones_have_come_for_long() {
        let mut doubt = Doubt::default();
        let raised = (0..100).any(|place| {
            doubt.good();
            doubt.bad(Mono::from_millis(place * 1000))
        });
        assert!(raised);
        let mended = (1..200).find(|_| doubt.good());
        assert_eq!(mended, Some(30));
    }
}
