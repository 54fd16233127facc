//! The alerts of a flat.

use super::board::{Alert, Board, Change, Of};
use super::kinds::{Kind, Severity};
use super::signs::{FlatSigns, Wetness};
use super::words;
use crate::moment::{Moment, Mono, Span, Wall};
use crate::units::{Fraction, Grams, GramsPerHour};
use chrono::NaiveTime;
use serde::{Deserialize, Serialize};

/// How far past a limit a fraction must be before an alert about it ends (contract: condition).
const HYSTERESIS: f64 = 0.02;
/// Above it a flat is very wet.
const VERY_WET: f64 = 0.95;
/// A lesser loss in a day is none that a stand can measure.
const MEASURABLE: Grams = Grams::new(5.0);
/// What `dry-overnight` must be on the safe side of the morning to end.
const SAFE_BY: Span = Span::hours(1);
const EVENING: f64 = 16.0;
const MORNING: f64 = 9.0;
/// Above it a fraction that is carried on is worth nothing …
const UNSURE: f64 = 0.15;
/// … and up to this it is known again.
const SURE_AGAIN: f64 = 0.13;
/// A flat of which nothing is known for so long since it was weighed is not just lifted.
const LOST_AFTER: Span = Span::hours(1);
/// Who lifts a flat may be watering it: for so long what it has lost meanwhile is no reason to call for water.
const IN_HAND: Span = Span::minutes(60);
const NO_DOUBT_FOR: Span = Span::minutes(10);
const NO_LEAK_FOR: Span = Span::minutes(10);
/// A watering drains for an hour, and the loss is that of the half hour before.
const DRAINED: Span = Span::minutes(90);
const OUTGROWN_FOR: Span = Span::hours(12);
const SOAK_TOO_SHORT: Span = Span::hours(36);
const SOAK_LONG_ENOUGH: Span = Span::hours(40);
/// Plants of this share of the band move it more than a correction is good for, and less than this no longer.
pub(super) const PLANTS_TOO_HEAVY: f64 = 0.40;
const PLANTS_LIGHT_ENOUGH: f64 = 0.35;
/// Known to no more than this share of the band, they have to be weighed again by a soak; to this it is well again.
pub(super) const PLANTS_UNSURE: f64 = 0.10;
const PLANTS_SURE: f64 = 0.07;

/// Since when something has been so.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub(super) struct Since(Option<Moment>);

impl Since {
    /// Notes whether it is so now, and tells how long it has been.
    pub(super) fn note(&mut self, so: bool, at: Moment) -> Span {
        self.0 = if so { self.0.or(Some(at)) } else { None };
        self.0.map_or(Span::ZERO, |since| at.mono.since(since.mono))
    }

    pub(super) fn since(self) -> Option<Moment> {
        self.0
    }
}

/// What is remembered of a flat between two looks at it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct FlatWatch {
    wet: Since,
    very_wet: Since,
    undoubted: Since,
    tight: Since,
    dripless: Since,
    /// The band that was doubted.
    doubted: Option<Grams>,
    /// It is outgrown because of what its plants weigh, or because that is not known well.
    #[serde(default)]
    by_plants: bool,
    /// The end of the night that `dry-overnight` is about.
    morning: Option<Wall>,
    /// The next evening and morning by the local clock, found out once.
    #[serde(skip)]
    next: Option<(Wall, Wall)>,
    #[serde(skip)]
    wake: Option<Mono>,
}

impl FlatWatch {
    /// When a verdict may change by time alone.
    #[must_use]
    pub fn next_wake(&self) -> Option<Mono> {
        self.wake
    }

    /// The next 16:00 and the next 09:00.
    fn evening_and_morning(&mut self, signs: &FlatSigns<'_>) -> (Wall, Wall) {
        let now = signs.at.wall;
        let holds = |next: Wall| now < next && next.since(now) < Span::hours(26);
        let next = self.next.filter(|(evening, morning)| holds(*evening) && holds(*morning));
        let next = next.unwrap_or_else(|| (signs.zone.next(now, hour(EVENING)), signs.zone.next(now, hour(MORNING))));
        self.next = Some(next);
        next
    }

    fn wake_in(&mut self, signs: &FlatSigns<'_>, span: Span) {
        if span > Span::ZERO {
            let at = signs.at.mono + span;
            self.wake = Some(self.wake.map_or(at, |wake| wake.min(at)));
        }
    }
}

/// What a rule says of an alert.
enum Verdict {
    /// It is raised, or stays so.
    Raise(Severity, Option<f64>),
    /// It is over, if it was raised.
    Clear(String),
    /// As it was.
    Hold,
}

use Verdict::{Clear, Hold, Raise};

type Rule = fn(&FlatSigns<'_>, &mut FlatWatch, Option<&Alert>) -> Verdict;

/// In the order of the contract's table.
const RULES: [(Kind, Rule); 10] = [
    (Kind::Dry, dry),
    (Kind::TooWet, too_wet),
    (Kind::NotDrying, not_drying),
    (Kind::DryOvernight, dry_overnight),
    (Kind::FlatAbsent, absent),
    (Kind::FlatChanged, changed),
    (Kind::WeighDue, weigh_due),
    (Kind::BandDoubtful, doubtful),
    (Kind::Outgrown, outgrown),
    (Kind::Leak, leak),
];

/// Judges one flat; what changed, in the order of the contract's table.
pub fn judge_flat(signs: &FlatSigns<'_>, watch: &mut FlatWatch, board: &mut Board, flat: usize) -> Vec<Change> {
    let of = Of::Flat(flat);
    watch.wake = None;
    if signs.retired {
        *watch = FlatWatch::default();
        return board.clear_all(of, "it is retired");
    }
    if board.get(Kind::FlatChanged, of).is_some() != signs.misfit.is_some() {
        // What was said of pouring is of another flat than the one that stands there, or of this one again.
        board.word_anew(Kind::Dry, of);
    }
    let mut changes = Vec::new();
    for (kind, rule) in RULES {
        let raised = board.get(kind, of);
        let change = match rule(signs, watch, raised) {
            Raise(severity, value) => {
                board.raise(kind, of, severity, value, signs.at, || words::flat(kind, severity, signs))
            }
            Clear(reason) if raised.is_some() => board.clear(kind, of, reason),
            Clear(_) | Hold => None,
        };
        changes.extend(change);
    }
    changes
}

/// Only a raised alert needs a reason to end.
fn over(raised: Option<&Alert>, reason: impl FnOnce() -> String) -> Verdict {
    if raised.is_some() { Clear(reason()) } else { Hold }
}

/// Somebody has lifted it a moment ago, and may bring it back watered.
fn in_hand(signs: &FlatSigns<'_>) -> bool {
    signs.off_stand_since.is_some_and(|since| signs.at.mono.since(since.mono) < IN_HAND)
}

fn at_or_above(fraction: Fraction, limit: f64) -> bool {
    fraction >= Fraction::new(limit).rounded()
}

fn now(signs: &FlatSigns<'_>, since: Wall) -> String {
    let percent = words::percent(signs.fraction);
    if signs.watered_since(since) { format!("watered: {percent} now") } else { format!("{percent} now") }
}

/// Why nothing is known of what is left, and will not be by itself; `None` where something is, or may be again in a moment.
fn unknown_for_good(signs: &FlatSigns<'_>) -> Option<&'static str> {
    if signs.fraction.is_some() {
        return None;
    }
    if signs.band.is_none() {
        return Some("what is left is not known any more: it has no band");
    }
    let is_over = signs.carried_for.map_or(signs.weight.is_none(), |carried| carried >= LOST_AFTER);
    (is_over && signs.misfit.is_none()).then_some("what is left is not known any more: weigh it")
}

fn dry(signs: &FlatSigns<'_>, watch: &mut FlatWatch, raised: Option<&Alert>) -> Verdict {
    if let Some(why) = unknown_for_good(signs) {
        return over(raised, || why.to_owned());
    }
    let Some(fraction) = signs.fraction else { return Hold };
    match signs.condition {
        Wetness::Unknown => return Hold,
        Wetness::Dry if in_hand(signs) => {
            watch.wake_in(signs, IN_HAND);
            return Hold;
        }
        Wetness::Dry => {}
        Wetness::Due | Wetness::Moist | Wetness::Wet => {
            return raised.map_or(Hold, |alert| Clear(now(signs, alert.since)));
        }
    }
    let was_critical = raised.is_some_and(|alert| alert.severity == Severity::Critical);
    let half = signs.low.get() / 2.0 + if was_critical { HYSTERESIS } else { 0.0 };
    let severity = if at_or_above(fraction, half) { Severity::Warning } else { Severity::Critical };
    Raise(severity, Some(fraction.get()))
}

fn too_wet(signs: &FlatSigns<'_>, watch: &mut FlatWatch, raised: Option<&Alert>) -> Verdict {
    if signs.soaking || signs.wet_is_meant {
        watch.wet.note(false, signs.at);
        watch.very_wet.note(false, signs.at);
        let why = if signs.soaking { "it is being soaked" } else { "its stage means it to be wet" };
        return over(raised, || why.to_owned());
    }
    let Some(fraction) = signs.fraction.filter(|_| signs.condition != Wetness::Unknown) else { return Hold };
    let wet = watch.wet.note(signs.condition == Wetness::Wet, signs.at);
    let line = signs.high.get().max(VERY_WET);
    let was = watch.very_wet.since().is_some();
    let is_very = if was { at_or_above(fraction, line - HYSTERESIS) } else { fraction > Fraction::new(line).rounded() };
    let very_wet = watch.very_wet.note(is_very && signs.condition == Wetness::Wet, signs.at);
    if signs.condition != Wetness::Wet {
        return over(raised, || format!("down to {}", words::percent(signs.fraction)));
    }
    let half = Span::from_millis(signs.wet_for.millis() / 2);
    if raised.is_some() || wet > signs.wet_for || (very_wet > half && is_very) {
        return Raise(Severity::Warning, Some(fraction.get()));
    }
    // "Longer than" is decided a moment after.
    let moment = Span::from_millis(1);
    watch.wake_in(signs, signs.wet_for - wet + moment);
    if is_very {
        watch.wake_in(signs, half - very_wet + moment);
    }
    Hold
}

fn not_drying(signs: &FlatSigns<'_>, _: &mut FlatWatch, raised: Option<&Alert>) -> Verdict {
    if signs.dome_on == Some(true) {
        return over(raised, || "its dome is on".to_owned());
    }
    if signs.soaking || signs.wet_is_meant {
        return over(raised, || "it is meant to stay wet".to_owned());
    }
    let Some(fraction) = signs.fraction.filter(|_| signs.condition != Wetness::Unknown) else { return Hold };
    if !(0.0..=1.0).contains(&fraction.get()) {
        return over(raised, || format!("outside its band: {}", words::percent(signs.fraction)));
    }
    let Some(lost) = signs.lost_24h else { return Hold };
    let least = MEASURABLE.max(signs.weight_error * 3.0);
    if lost < -least {
        // It gained: water is on its way that nobody has told of yet.
        return Hold;
    }
    if lost < least {
        return Raise(Severity::Notice, Some(lost.get()));
    }
    if lost < least * 2.0 {
        return Hold;
    }
    over(raised, || format!("it dries again: {} in 24 h", signs.words.weight(lost)))
}

fn dry_overnight(signs: &FlatSigns<'_>, watch: &mut FlatWatch, raised: Option<&Alert>) -> Verdict {
    if let Some(morning) = watch.morning.filter(|morning| raised.is_none() || signs.at.wall >= *morning) {
        watch.morning = None;
        if signs.at.wall >= morning {
            return over(raised, || "the night is over".to_owned());
        }
    }
    match (signs.condition, signs.low_early) {
        (Wetness::Unknown, _) => return hold_the_night(signs, watch),
        _ if signs.waters_itself => return over(raised, || "its valve waters it by itself".to_owned()),
        (Wetness::Dry, _) if in_hand(signs) => return hold_the_night(signs, watch),
        (Wetness::Dry, _) => return over(raised, || "it is dry now".to_owned()),
        // Without a forecast it is at its low limit already, or the forecast was just put aside: not a reason to call off.
        (_, None) if signs.fraction.is_some_and(|fraction| fraction <= nearly(signs.low)) => {
            return hold_the_night(signs, watch);
        }
        (_, None) => return over(raised, || "it no longer looks like drying out".to_owned()),
        _ => {}
    }
    let Some(early) = signs.low_early else { return Hold };
    let is_far = early.wall.since(signs.at.wall) > Span::hours(48);
    let is_night = !(MORNING..EVENING).contains(&signs.local_hour);
    if !is_night && raised.is_none() {
        if !is_far {
            let (evening, _) = watch.evening_and_morning(signs);
            watch.wake_in(signs, evening.since(signs.at.wall));
        }
        return Hold;
    }
    let morning = match watch.morning {
        Some(morning) => morning,
        None if is_far => return over(raised, || lasts(signs)),
        None => watch.evening_and_morning(signs).1,
    };
    if early.wall < morning {
        watch.morning = Some(morning);
        watch.wake_in(signs, morning.since(signs.at.wall));
        return Raise(Severity::Notice, signs.fraction.map(Fraction::get));
    }
    if early.wall >= morning + SAFE_BY {
        watch.morning = None;
        return over(raised, || lasts(signs));
    }
    hold_the_night(signs, watch)
}

/// So near above a limit that rounding decides.
fn nearly(limit: Fraction) -> Fraction {
    limit + Fraction::new(0.005)
}

fn hold_the_night(signs: &FlatSigns<'_>, watch: &mut FlatWatch) -> Verdict {
    if let Some(morning) = watch.morning {
        watch.wake_in(signs, morning.since(signs.at.wall));
    }
    Hold
}

fn lasts(signs: &FlatSigns<'_>) -> String {
    let until = signs.low_early.map(|early| format!(" until {}", words::when(signs, early)));
    format!("it lasts the night: not dry{}", until.unwrap_or_default())
}

fn hour(hour: f64) -> NaiveTime {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "whole hours of a day")]
    NaiveTime::from_hms_opt(hour as u32, 0, 0).unwrap_or_default()
}

fn absent(signs: &FlatSigns<'_>, watch: &mut FlatWatch, raised: Option<&Alert>) -> Verdict {
    if signs.soaking {
        return over(raised, || "it is being soaked".to_owned());
    }
    let Some(since) = signs.off_stand_since else { return over(raised, || "back on its stand".to_owned()) };
    let off = signs.at.mono.since(since.mono);
    if off >= signs.absent_for {
        return Raise(Severity::Notice, Some(off.as_hours()));
    }
    watch.wake_in(signs, signs.absent_for - off);
    Hold
}

fn changed(signs: &FlatSigns<'_>, _: &mut FlatWatch, raised: Option<&Alert>) -> Verdict {
    if signs.soaking {
        return over(raised, || "it is being soaked".to_owned());
    }
    if signs.misfit.is_some() {
        return Raise(Severity::Warning, signs.weight.map(Grams::get));
    }
    let there =
        if signs.off_stand_since.is_some() { "nothing stands there now" } else { "what stands there is this flat" };
    over(raised, || there.to_owned())
}

fn weigh_due(signs: &FlatSigns<'_>, watch: &mut FlatWatch, raised: Option<&Alert>) -> Verdict {
    if signs.band.is_none() {
        return over(raised, || "it has no band to weigh it against".to_owned());
    }
    let Some(carried) = signs.carried_for else {
        return over(raised, || format!("weighed: {}", words::percent(signs.fraction)));
    };
    // Written so that an error that is no number counts as unsure.
    let sure = signs.fraction_error <= UNSURE;
    // Once it is too unsure nothing is known of it, and there is no error to go by any more. Who speaks for it may be heard in a moment.
    let lost_after = if signs.never_weighed { LOST_AFTER } else { Span::ZERO };
    let is_lost = signs.fraction.is_none() && signs.misfit.is_none() && carried > lost_after;
    if !sure || is_lost || carried >= signs.weigh_after {
        return Raise(Severity::Notice, Some(carried.as_hours()));
    }
    watch.wake_in(signs, signs.weigh_after - carried);
    if signs.fraction.is_none() && carried <= lost_after {
        watch.wake_in(signs, lost_after - carried + Span::from_millis(1));
    }
    if signs.fraction.is_some() && signs.fraction_error <= SURE_AGAIN {
        let why = if signs.weighed_by_hand { "weighed" } else { "what is left of its water is known" };
        return over(raised, || format!("{why}: {}", words::percent(signs.fraction)));
    }
    Hold
}

fn doubtful(signs: &FlatSigns<'_>, watch: &mut FlatWatch, raised: Option<&Alert>) -> Verdict {
    let is_doubted = signs.band_doubt.is_some() || signs.soak_doubt.is_some();
    let undoubted = watch.undoubted.note(!is_doubted, signs.at);
    if is_doubted {
        watch.doubted = signs.band;
        return Raise(Severity::Notice, signs.band.map(Grams::get));
    }
    if raised.is_none() {
        return Hold;
    }
    if signs.band != watch.doubted {
        return Clear("it has another band".to_owned());
    }
    if undoubted < NO_DOUBT_FOR {
        watch.wake_in(signs, NO_DOUBT_FOR - undoubted);
        return Hold;
    }
    Clear("its weights fit its band".to_owned())
}

fn outgrown(signs: &FlatSigns<'_>, watch: &mut FlatWatch, raised: Option<&Alert>) -> Verdict {
    let of_band = |mass: Grams| signs.band.filter(|band| *band > Grams::ZERO).map_or(0.0, |band| mass / band);
    let (plants, unsure) = (of_band(signs.plant_mass), of_band(signs.plant_error));
    // Kept wet for its seeds, it has a narrow band for some days; that says nothing of plants.
    let is_short = !signs.wet_is_meant && signs.full_soak_lasts.is_some_and(|lasts| lasts < SOAK_TOO_SHORT);
    let tight = watch.tight.note(is_short, signs.at);
    let by_plants = plants > PLANTS_TOO_HEAVY || unsure > PLANTS_UNSURE;
    watch.by_plants |= by_plants;
    if by_plants || (is_short && tight >= OUTGROWN_FOR) {
        // The value is the hours of a full soak, where that is the reason.
        return Raise(Severity::Notice, signs.full_soak_lasts.filter(|_| is_short).map(Span::as_hours));
    }
    if is_short {
        watch.wake_in(signs, OUTGROWN_FOR - tight);
        return Hold;
    }
    if plants > PLANTS_LIGHT_ENOUGH || unsure > PLANTS_SURE {
        return Hold;
    }
    match signs.full_soak_lasts {
        Some(lasts) if lasts < SOAK_LONG_ENOUGH => Hold,
        _ if std::mem::take(&mut watch.by_plants) => {
            over(raised, || format!("its plants are known to weigh {} now", signs.words.weight(signs.plant_mass)))
        }
        Some(lasts) => over(raised, || format!("a full soak lasts {} now", words::spell(lasts))),
        None => Hold,
    }
}

fn leak(signs: &FlatSigns<'_>, watch: &mut FlatWatch, raised: Option<&Alert>) -> Verdict {
    if signs.soaking {
        return over(raised, || "it is being soaked".to_owned());
    }
    let Some(loss) = signs.loss_30min.filter(|_| signs.off_stand_since.is_none()) else {
        watch.dripless.note(false, signs.at);
        return Hold;
    };
    let drains = signs.last_watered.is_some_and(|watered| signs.at.mono.since(watered.mono) < DRAINED);
    let stopped = watch.dripless.note(loss < signs.fastest_drying * 0.8, signs.at);
    if loss > signs.fastest_drying {
        return if drains && raised.is_none() { Hold } else { Raise(Severity::Warning, Some(loss.get())) };
    }
    if raised.is_none() || loss >= signs.fastest_drying * 0.8 {
        return Hold;
    }
    if stopped < NO_LEAK_FOR {
        watch.wake_in(signs, NO_LEAK_FOR - stopped);
        return Hold;
    }
    let loss = Grams::new(loss.max(GramsPerHour::ZERO).get());
    Clear(format!("it loses {} an hour now", signs.words.weight(loss)))
}
