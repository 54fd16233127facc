//! What an alert is judged by, as plain values.

use crate::moment::{Moment, Span, Wall, Zone};
use crate::units::{Fraction, Grams, GramsPerHour, Millilitres, Words};

/// The condition of a flat, hysteresis and all.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wetness {
    /// Below low.
    Dry,
    /// Below water at.
    Due,
    /// Between water at and high.
    Moist,
    /// Above high.
    Wet,
    /// No band, or nothing to go by.
    Unknown,
}

/// The signs of one flat.
#[derive(Debug, Clone, PartialEq)]
pub struct FlatSigns<'a> {
    /// Now.
    pub at: Moment,
    /// Hours since local midnight, now.
    pub local_hour: f64,
    /// The site's time zone.
    pub zone: Zone,
    /// The units people read.
    pub words: Words,
    /// What people call the flat.
    pub label: &'a str,
    /// Where it stands, in words.
    pub place: Option<&'a str>,
    /// Its share of the band, rounded to 0.001; also while it is only carried on. `None`: unknown.
    pub fraction: Option<Fraction>,
    /// Its condition.
    pub condition: Wetness,
    /// Below it the flat is dry.
    pub low: Fraction,
    /// Below it a watering is due.
    pub water_at: Fraction,
    /// What a watering lifts it to.
    pub target: Fraction,
    /// Above it the flat is wet.
    pub high: Fraction,
    /// Water above its dry weight.
    pub water: Option<Grams>,
    /// Capacity weight less dry weight; `None`: it has no band.
    pub band: Option<Grams>,
    /// Fresh mass of its plants since the band was recorded.
    pub plant_mass: Grams,
    /// The standard error of that.
    pub plant_error: Grams,
    /// What a scale shows when the target is reached.
    pub target_weight: Option<Grams>,
    /// What lifts it to its target; 0 at or above it.
    pub to_target: Option<Millilitres>,
    /// The last weight.
    pub weight: Option<Grams>,
    /// Since when it has been off its own stand; `None`: on it, or it has none.
    pub off_stand_since: Option<Moment>,
    /// Off its stand for so long it is absent.
    pub absent_for: Span,
    /// Wet for so long it is too wet.
    pub wet_for: Span,
    /// Why what came back cannot be this flat.
    pub misfit: Option<String>,
    /// A `record-capacity` watch runs.
    pub soaking: bool,
    /// Its stage means it to be wet.
    pub wet_is_meant: bool,
    /// Its valve will water it by itself, at any hour.
    pub waters_itself: bool,
    /// Whether its dome is on; `None`: not known.
    pub dome_on: Option<bool>,
    /// It is, and nobody knows what it weighs: what a scale shows has it in it, and `target_weight` has not.
    pub dome_unknown: bool,
    /// What it lost in the last 24 h, waterings set aside; `None` unless weights cover all of them.
    pub lost_24h: Option<Grams>,
    /// The standard error of a weight.
    pub weight_error: Grams,
    /// The standard error of the fraction.
    pub fraction_error: f64,
    /// How long it has been carried on without a weight: off its stand, or its stand silent or faulty.
    pub carried_for: Option<Span>,
    /// It has never been weighed itself: only another flat speaks for it.
    pub never_weighed: bool,
    /// Carried on for so long it should be weighed.
    pub weigh_after: Span,
    /// It has a stand of its own, to which it can be put back.
    pub has_stand: bool,
    /// Weighed now and then, not on a stand of its own.
    pub weighed_by_hand: bool,
    /// How fast it lost weight over the last 30 min; `None` unless weights cover them.
    pub loss_30min: Option<GramsPerHour>,
    /// Faster loss is a leak, not drying.
    pub fastest_drying: GramsPerHour,
    /// The last watering seen.
    pub last_watered: Option<Moment>,
    /// When it falls to low.
    pub low_at: Option<Moment>,
    /// When it falls to water at.
    pub due_at: Option<Moment>,
    /// The early end of the range of `low_at`.
    pub low_early: Option<Moment>,
    /// How long it lasts from capacity to low.
    pub full_soak_lasts: Option<Span>,
    /// Why its band cannot be right.
    pub band_doubt: Option<String>,
    /// What speaks against its last soak for capacity, and what to do about it.
    pub soak_doubt: Option<String>,
    /// Gone from the configuration, or potted on.
    pub retired: bool,
}

impl<'a> FlatSigns<'a> {
    /// A flat of which nothing is known yet but its name, with the contract's defaults.
    #[must_use]
    pub fn unknown(at: Moment, zone: Zone, words: Words, label: &'a str) -> Self {
        Self {
            at,
            local_hour: zone.hour(at.wall),
            zone,
            words,
            label,
            place: None,
            fraction: None,
            condition: Wetness::Unknown,
            low: Fraction::new(0.30),
            water_at: Fraction::new(0.40),
            target: Fraction::new(0.50),
            high: Fraction::new(0.75),
            water: None,
            band: None,
            plant_mass: Grams::ZERO,
            plant_error: Grams::ZERO,
            target_weight: None,
            to_target: None,
            weight: None,
            off_stand_since: None,
            absent_for: Span::minutes(90),
            wet_for: Span::hours(72),
            misfit: None,
            soaking: false,
            waters_itself: false,
            wet_is_meant: false,
            dome_on: None,
            dome_unknown: false,
            lost_24h: None,
            weight_error: Grams::ZERO,
            fraction_error: 0.0,
            carried_for: None,
            never_weighed: false,
            weigh_after: Span::hours(60),
            has_stand: true,
            weighed_by_hand: false,
            loss_30min: None,
            fastest_drying: GramsPerHour::new(180.0),
            last_watered: None,
            low_at: None,
            due_at: None,
            low_early: None,
            full_soak_lasts: None,
            band_doubt: None,
            soak_doubt: None,
            retired: false,
        }
    }

    /// Whether it was watered at or after `since`.
    pub(super) fn watered_since(&self, since: Wall) -> bool {
        self.last_watered.is_some_and(|watered| watered.wall >= since)
    }
}

/// What a stand reads with nothing on it, where that is too much.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ZeroOff {
    /// What it should read.
    pub was: Grams,
    /// What it read when it lay empty last.
    pub reads: Grams,
}

/// The signs of one stand.
#[derive(Debug, Clone, PartialEq)]
pub struct StandSigns<'a> {
    /// Now.
    pub at: Moment,
    /// Its id.
    pub stand: &'a str,
    /// The label of the flat on it.
    pub flat: Option<&'a str>,
    /// The moment of its last reading, or, without any, since when one has been waited for. `None`: it is heard.
    pub silent_since: Option<Moment>,
    /// Silent for longer it counts as silent; 0 for a stand that is known to be gone.
    pub stale_after: Span,
    /// Why its readings cannot be believed.
    pub fault: Option<String>,
    /// How it is not level, or that it rocks.
    pub uneven: Option<String>,
    /// What it read with nothing on it, if that is not what it should.
    pub moved_zero: Option<ZeroOff>,
    /// In which units weights are told.
    pub words: Words,
    /// Whether its flat is watered by a valve in auto.
    pub on_auto_valve: bool,
}
