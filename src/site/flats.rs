//! The flats of a site: each with its band, its weight, what is left in it and where that is going.

use super::bases::Between;
use super::domes::{DomeGuess, DomeSaid};
use super::potting::Potted;
use super::told::{OutOfReach, Told};
use crate::alert::FlatWatch;
use crate::flat::{
    Band, BandFrom, Condition, Drying, FillSettings, FlatSettings, Grown, Growth, Leader, Ledger, Limits, OddSoak,
    Prior, Season, Soak, in_force,
};
use crate::moment::{Moment, Mono, Span, Wall, Zone};
use crate::units::{Fraction, Grams, GramsPerHour};
use serde::{Deserialize, Serialize};

/// The number of an input, by which all that one input brings about is known to belong together.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Heard(pub u64);

/// A weight that the rest goes by.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Weighed {
    pub weight: Grams,
    pub at: Moment,
}

/// What of a flat survives.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Kept {
    // What each reading touches comes first.
    /// The last weight it goes by.
    pub weighed: Option<Weighed>,
    /// Its condition, for the hysteresis.
    pub condition: Condition,
    /// A watch for capacity under way.
    pub soak: Option<Box<Soak>>,
    /// What commands recorded.
    pub season: Season,
    /// The first weight of the season.
    pub first_weighed: Option<Wall>,
    /// When this season took the place of an earlier one.
    pub begun: Option<Wall>,
    /// Off its stand since.
    pub off_since: Option<Moment>,
    /// What stands there cannot be this flat: why.
    pub misfit: Option<String>,
    /// Last watered, by whomever.
    pub watered: Option<Moment>,
    /// Last soaked through.
    pub soaked: Option<Moment>,
    /// What speaks against the last soak for capacity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub odd_soak: Option<OddSoak>,
    /// Nobody is told of its alerts before then.
    pub shelved_until: Option<Wall>,
    /// Whether its dome is on, if known.
    pub dome_on: Option<bool>,
    /// Its weight alone says that its dome was put on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dome_guess: Option<DomeGuess>,
    /// Somebody has said that its dome goes on or off, and no weight has shown it yet.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dome_said: Option<DomeSaid>,
    /// Weighed then, it lacked about the weight of its dome, which is not known to be off.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dome_missed: Option<Moment>,
    /// Weighed then, it had about the weight of its dome more than expected, which is not known to be on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dome_weighed: Option<Moment>,
    /// Its dome's weight, as learned.
    pub dome_weight: Option<Grams>,
    /// Since when what its alerts wait for has held.
    pub watch: FlatWatch,
    /// What is known of it between weighings, if it is not weighed all the time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub between: Option<Box<Between>>,
    /// What somebody told last, weights and pours, with what was known before: to be taken back.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub told: Vec<Told>,
    /// The last of that which cannot be taken back any more.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub out_of_reach: Option<OutOfReach>,
    /// Its last events, as they were read.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ledger: Option<Box<Ledger>>,
    /// Potted on, and done with, since.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub retired: Option<Wall>,
    /// What that has changed elsewhere.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub potted: Option<Box<Potted>>,
    /// Plants were potted on into it, and it has not been soaked since.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub asks_soak: Option<Wall>,
    /// The flats that its plants came from, the first one first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub lineage: Vec<String>,
    /// All that has dried off it on its stand so far, as a share of its band: what flats without a stand are led by.
    pub dried: f64,
    /// When that was counted last.
    pub dried_at: Option<Moment>,
    /// And what it weighed then; `None` after it was touched. What is lost while nothing is heard of it is in its next weight.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dried_to: Option<Grams>,
    /// What was learned of its drying.
    #[serde(skip_serializing_if = "Drying::knows_nothing")]
    pub drying: Drying,
}

/// What was last published.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Sent {
    pub at: Option<Mono>,
    pub weight: Option<Grams>,
    pub fraction: Option<Fraction>,
    /// Waiting to be polled.
    pub queued: bool,
    /// What it said of standing still.
    pub stable: bool,
    /// Nothing had been heard yet.
    pub first: bool,
}

/// At most once a second…
pub(super) const LEAST_PAUSE: Span = Span::seconds(1);
/// … and at least so often.
pub(super) const LONGEST_PAUSE: Span = Span::minutes(10);

impl Sent {
    /// Whether the movement since the last state asks for a new one.
    pub fn is_outdone(&self, weight: Option<Grams>, fraction: Option<Fraction>, division: Grams, now: Mono) -> bool {
        let Some(at) = self.at else { return true };
        if now.since(at) < LEAST_PAUSE {
            return false;
        }
        moved(self.weight, weight, Grams::get, 2.0 * division.get())
            || moved(self.fraction, fraction, Fraction::get, 0.002)
            || now.since(at) >= LONGEST_PAUSE
    }
}

/// Whether two values differ by `step` or more, or one of them is missing. A hair is taken off the step: what two decimal
/// numbers differ by is often a hair less in binary.
fn moved<T: Copy>(before: Option<T>, now: Option<T>, number: impl Fn(T) -> f64, step: f64) -> bool {
    match (before, now) {
        (Some(before), Some(now)) => (number(now) - number(before)).abs() >= step - 1e-9,
        (None, None) => false,
        _ => true,
    }
}

/// The forecast as last worked out.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Outlook {
    pub worked_out: Option<Mono>,
    /// What was left then.
    pub of: Option<Fraction>,
    pub rate: Option<GramsPerHour>,
    pub due: Option<crate::flat::Forecast>,
    pub low: Option<crate::flat::Forecast>,
    /// Whether a day's drying is known.
    pub whole_day: bool,
    pub lost_24h: Option<Grams>,
    /// How long it takes from capacity to low at the most, and when that was worked out.
    pub full_soak: Option<(Mono, Option<Span>)>,
}

/// One flat.
#[derive(Debug)]
pub(super) struct Flat {
    // What each reading touches comes first.
    /// Fresh weights come from its stand, and nothing speaks against them.
    pub on_stand: bool,
    /// The stand it is assigned to.
    pub stand: Option<usize>,
    pub band: Option<(Band, BandFrom)>,
    pub limits: Limits,
    /// How far its band may be off, where that is not its own.
    pub band_spread: Grams,
    /// What its plants weigh, as last worked out.
    pub grown: Grown,
    /// What its dome weighs while that is on: neither water nor plants.
    pub dome: Grams,
    /// Rounded; carried on by the drying while it is not weighed.
    pub fraction: Option<Fraction>,
    /// The weight that the fraction goes by: the last one, less what has dried since.
    pub present: Option<Grams>,
    /// Its standard uncertainty, where that is not the stand's: worked out when it is told, not for each reading.
    pub error: Option<Grams>,
    /// When drying and alerts are looked at again by the way.
    pub next_look: Mono,
    pub sent: Sent,
    pub kept: Kept,
    pub stage: Option<usize>,
    /// Its condition before the input that is being handled.
    before: Option<(Heard, Condition)>,
    /// How its plants are expected to grow; `None` until something is known of them.
    growth: Option<Box<Growth>>,
    pub last_sample: Option<Mono>,
    pub outlook: Outlook,
    pub recent: Recent,
    /// What it weighed when a command moved it to another stand, and when that was: it may be carried there only now.
    pub carried: Option<(Grams, Mono)>,
    /// The last weight before it was lifted, and when that was: what came back may turn out to be something else.
    pub lifted: Option<(Weighed, Mono)>,
    /// A known mass lies on its stand in its place.
    pub stood_in_for: bool,
    /// Whether it gets heavier while nobody waters it.
    pub rise: Option<super::rising::Rise>,
    /// How its band differs from those of the others of its batch.
    pub out_of_line: Option<Box<str>>,
    /// What its drying is held against between weighings, as a place in the plan.
    pub leader: (Leader, Option<usize>),
    /// What its kin have shown of its pace against that.
    pub prior: Prior,
}

impl Flat {
    pub fn new(kept: Kept) -> Self {
        Self {
            kept,
            band: None,
            limits: Limits::default(),
            stage: None,
            grown: Grown::default(),
            dome: Grams::ZERO,
            band_spread: Grams::ZERO,
            out_of_line: None,
            before: None,
            growth: None,
            stand: None,
            on_stand: false,
            fraction: None,
            present: None,
            error: None,
            sent: Sent::default(),
            outlook: Outlook::default(),
            next_look: Mono::from_millis(i64::MIN),
            recent: Recent::default(),
            last_sample: None,
            carried: None,
            lifted: None,
            stood_in_for: false,
            rise: None,
            leader: (Leader::Clock, None),
            prior: Prior::of(Leader::Clock),
        }
    }

    /// What its plants weigh, grown since the band was recorded.
    pub fn plants(&self) -> Grams {
        self.grown.mass
    }

    /// Works out what the plants weigh now.
    pub fn grow(&mut self, now: Wall) {
        self.grown = self.plants_at(now);
    }

    /// What they will weigh.
    pub fn plants_at(&self, at: Wall) -> Grown {
        self.growth.as_ref().map(|growth| growth.at(at)).unwrap_or_default()
    }

    /// When something was last known of the plants' mass for sure, and what that was.
    pub fn plants_known(&self) -> Option<(Wall, Grams)> {
        self.growth.as_ref().map(|growth| growth.last())
    }

    fn fit_growth(&mut self, now: Wall) {
        let known = self.kept.season.ends.grown.as_deref().zip(self.band.map(|(band, _)| band.width()));
        let is_fitted = match (&self.growth, known) {
            (Some(growth), Some((plants, width))) => growth.is_of(plants, width),
            (growth, known) => growth.is_none() && known.is_none(),
        };
        if !is_fitted {
            self.growth = known.and_then(|(plants, width)| Growth::fit(plants, width)).map(Box::new);
        }
        self.grow(now);
    }

    /// Works out band, stage and limits anew from what was recorded and what the file says.
    pub fn settle(&mut self, settings: &FlatSettings, fill: Option<&FillSettings>, zone: Zone, now: Wall) {
        self.band = self.kept.season.band(settings, fill).filter(|_| self.kept.retired.is_none());
        let sown = settings.sown.or(self.kept.season.day_of_sowing());
        let sown = sown.or_else(|| self.kept.first_weighed.map(|wall| zone.date(wall)));
        self.stage = in_force(&settings.stages, self.kept.season.stage.as_deref(), sown, zone.date(now));
        let stage = self.stage.and_then(|stage| settings.stages.get(stage));
        self.limits = self.kept.season.limits(settings, stage.map(|stage| &stage.limits));
        // Said, and not yet seen in the weights: what lies there weighs as it did.
        if self.kept.dome_said.is_none_or(|said| said.counts()) {
            let dome = self.kept.dome_weight.or(settings.dome_weight).filter(|_| self.kept.dome_on == Some(true));
            self.dome = dome.unwrap_or(Grams::ZERO);
        }
        self.fit_growth(now);
    }

    /// What is left, by a weight; `error` is its standard uncertainty if that is not the stand's.
    pub fn goes_by(&mut self, weight: Grams, error: Option<Grams>, heard: Heard) {
        (self.present, self.error) = (Some(weight), error);
        let Some((band, _)) = self.band else {
            self.unknown(heard);
            return;
        };
        let fraction = band.fraction(weight - self.dome, self.plants());
        self.fraction = Fraction::checked(fraction.get()).map(Fraction::rounded);
        self.kept.condition = self.condition_before(heard).next(fraction, &self.limits);
    }

    /// Nothing is known of what is left.
    pub fn unknown(&mut self, heard: Heard) {
        self.condition_before(heard);
        self.fraction = None;
        self.kept.condition = Condition::Unknown;
    }

    /// What people were told before this input was handled. Its hysteresis holds against that: what a flat seems to be between two
    /// steps of that, weighed already and its plants not yet recorded, nobody has seen.
    fn condition_before(&mut self, heard: Heard) -> Condition {
        if self.before.is_none_or(|(of, _)| of != heard) {
            self.before = Some((heard, self.kept.condition));
        }
        self.before.map_or(self.kept.condition, |(_, condition)| condition)
    }

    /// The standard uncertainty of the fraction, where that of a weight of the stand is `of_stand`; 0 without one.
    pub fn fraction_error(&self, of_stand: Grams) -> f64 {
        let (Some((band, _)), Some(_), Some(weight)) = (self.band, self.fraction, self.present) else { return 0.0 };
        let error = self.error.unwrap_or(of_stand);
        // Its ends were weighed, however unsure what it weighs now.
        let end = Grams::new(of_stand.get().hypot(self.band_spread.get()));
        let weighed = band.fraction_error(band.fraction(weight - self.dome, self.plants()), error, end);
        weighed.hypot(self.grown.error / band.width())
    }

    pub fn water(&self) -> Option<Grams> {
        let (band, _) = self.band?;
        self.fraction?;
        self.present.map(|weight| band.water(weight - self.dome, self.plants()))
    }

    /// Without its dome.
    pub fn target_weight(&self) -> Option<Grams> {
        let (band, _) = self.band?;
        self.fraction?;
        Some(band.weight_at(self.limits.target, self.plants()))
    }

    /// The weight below which it is due to be watered, as a scale shows it.
    pub fn due_below(&self) -> Option<Grams> {
        let (band, _) = self.band?;
        Some(band.weight_at(self.limits.water_at, self.plants()) + self.dome)
    }

    pub fn place<'a>(&'a self, settings: &'a FlatSettings) -> Option<&'a str> {
        self.kept.season.place.as_ref().map(|over| over.value.as_str()).or(settings.place.as_deref())
    }
}

/// When a flat was sown, if the file says so: that day at noon.
pub(super) fn sown_at(settings: &FlatSettings, zone: Zone) -> Option<Wall> {
    let noon = chrono::NaiveTime::from_hms_opt(12, 0, 0).unwrap_or_default();
    settings.sown.map(|day| zone.instant(day, noon))
}

/// A weight every five minutes of the last half hour, for the loss that no drying explains.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Recent {
    /// Seconds since the first, and grams.
    ring: [(u32, f32); 7],
    begun: Option<Mono>,
    next: u8,
    held: u8,
}

/// Seven weights this far apart span half an hour.
const RECENT_STEP_S: u32 = 300;

impl Recent {
    #[expect(clippy::cast_possible_truncation, reason = "a weight in grams keeps its tenths in an f32")]
    pub fn weighed(&mut self, weight: Grams, at: Mono) {
        let begun = *self.begun.get_or_insert(at);
        let (newest, _) = self.ring[usize::from(self.next + 6) % 7];
        let seconds = u32::try_from(at.since(begun).millis() / 1000).unwrap_or(0);
        if self.held > 0 && seconds < newest + RECENT_STEP_S {
            return;
        }
        self.ring[usize::from(self.next)] = (seconds, weight.get() as f32);
        self.next = (self.next + 1) % 7;
        self.held = (self.held + 1).min(7);
    }

    pub fn forget(&mut self) {
        *self = Self::default();
    }

    /// The rate of loss over the last half hour, once that is covered without a gap.
    pub fn loss(&self, weight: Grams, at: Mono) -> Option<GramsPerHour> {
        let begun = self.begun.filter(|_| self.held == 7)?;
        let (then, before) = self.ring[usize::from(self.next)];
        let span = at.since(begun + Span::seconds(i64::from(then)));
        if span < Span::minutes(30) || span > Span::minutes(45) {
            return None;
        }
        GramsPerHour::checked((f64::from(before) - weight.get()) / span.as_hours())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_loss_of_the_last_half_hour_needs_the_half_hour() {
        let mut recent = Recent::default();
        let at = |minutes: i64| Mono::from_millis(minutes * 60_000);
        for minute in 0..30 {
            assert_eq!(recent.loss(Grams::new(1000.0), at(minute)), None);
            recent.weighed(Grams::new(1000.0 - f64::from(u32::try_from(minute).unwrap())), at(minute));
        }
        recent.weighed(Grams::new(970.0), at(30));
        let loss = recent.loss(Grams::new(969.0), at(31)).unwrap();
        assert!((loss.get() - 60.0).abs() < 0.1, "{loss:?}");
    }

    #[test]
    fn a_state_is_outdone_by_two_divisions_or_two_thousandths_or_ten_minutes() {
        let sent = Sent {
            at: Some(Mono::from_millis(0)),
            weight: Some(Grams::new(3300.0)),
            fraction: Some(Fraction::new(0.25)),
            queued: false,
            stable: true,
            first: false,
        };
        let outdone = |weight, fraction, seconds: i64| {
            let now = Mono::from_millis(seconds * 1000);
            sent.is_outdone(Some(Grams::new(weight)), Some(Fraction::new(fraction)), Grams::new(1.0), now)
        };
        assert!(!outdone(3301.9, 0.251, 5));
        assert!(outdone(3298.0, 0.25, 5));
        assert!(outdone(3300.0, 0.252, 5));
        assert!(!outdone(3400.0, 0.9, 0), "at most once a second");
        assert!(outdone(3300.0, 0.25, 600));
    }
}
