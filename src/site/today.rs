//! What there is to do today, and how long each flat lasts when nobody comes.

use super::look::TOO_UNSURE;
use super::{Site, decimals};
use crate::flat::Condition;
use crate::moment::{Moment, Span};
use crate::units::{Fraction, Grams};
use serde::Serialize;
use std::fmt::Write as _;

/// A forecast reaches no further; a flat that lasts longer is said to last until then.
const FURTHEST: Span = Span::days(14);
const A_DAY: Span = Span::days(1);
/// What is not known of a flat weighed so lately is mostly the error of the scale.
const MOSTLY_THE_SCALES: Span = Span::hours(12);
/// So many of those that are next are named in a digest.
const NEXT: usize = 3;

/// A flat to be watered now. Names and units are the contract's.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TodayState<'a> {
    /// Its id.
    pub flat: &'a str,
    /// What people call it.
    pub label: &'a str,
    /// Where it stands.
    pub place: Option<&'a str>,
    /// `dry` or `due`.
    pub condition: &'static str,
    /// What is left in it.
    pub fraction: Option<f64>,
    /// What to pour.
    pub to_target_ml: Option<f64>,
    /// Where to stop, without its dome.
    pub target_weight_g: Option<f64>,
    /// What to do, in a sentence or two.
    pub advice: String,
}

/// How long a flat lasts.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AwayState<'a> {
    /// Its id.
    pub flat: &'a str,
    /// When it falls to low from what is in it now, at the earliest (early end of the 80 % range); now when it is there already.
    pub lasts_until: Option<String>,
    /// The same from a full soak now.
    pub lasts_until_from_soak: Option<String>,
}

/// The morning's message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Digest {
    /// One line.
    pub title: String,
    /// The list.
    pub text: String,
}

/// A flat at a glance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Glance<'a> {
    /// What people call it.
    pub label: &'a str,
    /// What is left, to 0.001; `None`: unknown.
    pub fraction: Option<f64>,
    /// Whether both ends of its band are known.
    pub has_band: bool,
}

impl Site {
    /// What to water now, in walking order.
    #[must_use]
    pub fn today(&self) -> Vec<TodayState<'_>> {
        (0..self.flats.len()).filter(|&index| self.is_thirsty(index)).filter_map(|index| self.to_water(index)).collect()
    }

    fn is_thirsty(&self, index: usize) -> bool {
        matches!(self.flats[index].kept.condition, Condition::Dry | Condition::Due)
    }

    fn to_water(&self, index: usize) -> Option<TodayState<'_>> {
        let state = self.flat_state(index)?;
        Some(TodayState {
            flat: state.flat,
            label: state.label,
            place: self.flats[index].place(&self.plan.flats[index].1),
            condition: state.condition,
            fraction: state.fraction,
            to_target_ml: state.to_target_ml,
            target_weight_g: state.target_weight_g,
            advice: state.advice,
        })
    }

    /// How long each flat lasts, in walking order.
    #[must_use]
    pub fn away(&self) -> Vec<AwayState<'_>> {
        let stamp = |until: Option<Moment>| until.map(|until| self.stamp(until.wall));
        let one = |index: usize| {
            let (now, soaked) = self.lasts(index);
            let (id, _) = self.plan.flats.get(index)?;
            Some(AwayState { flat: id, lasts_until: stamp(now), lasts_until_from_soak: stamp(soaked) })
        };
        (0..self.flats.len()).filter(|&index| !self.is_retired(index)).filter_map(one).collect()
    }

    /// When a flat falls to low at the earliest: from now, and from a full soak.
    #[must_use]
    pub fn lasts(&self, index: usize) -> (Option<Moment>, Option<Moment>) {
        let Some(flat) = self.flats.get(index) else { return (None, None) };
        let Some((band, _)) = flat.band else { return (None, None) };
        let ahead = self.ahead(index);
        let low = band.width() * flat.limits.low.get();
        let until = |water: Grams| {
            if water <= low {
                return Some(self.now);
            }
            ahead.rate()?;
            Some(super::look::reaches_early(flat, &ahead, water, low).unwrap_or(self.furthest()))
        };
        (flat.water().and_then(until), until(band.width()))
    }

    /// How far ahead anything is forecast: a flat that lasts until then may last longer.
    #[must_use]
    pub fn furthest(&self) -> Moment {
        Moment { mono: self.now.mono + FURTHEST, wall: self.now.wall + FURTHEST }
    }

    /// The morning's message: what to water in walking order, how much and to what weight, who is next, who is too wet, and
    /// who has to be weighed. Also when nothing is due.
    #[must_use]
    pub fn digest(&self) -> Digest {
        let living = (0..self.flats.len()).filter(|&index| !self.is_retired(index));
        let thirsty: Vec<usize> = living.clone().filter(|&index| self.is_thirsty(index)).collect();
        let of = |wanted: Condition| living.clone().filter(move |&index| self.flats[index].kept.condition == wanted);
        let title = match thirsty.as_slice() {
            [] => "Today: nothing to water".to_owned(),
            [only] => format!("Today: water {}", self.label(*only)),
            several => format!("Today: water {} of {} flats", several.len(), living.clone().count()),
        };
        let mut text = String::new();
        for &index in &thirsty {
            let _ = writeln!(text, "{}", self.pour_line(index));
        }
        let next = self.next_due();
        if !next.is_empty() {
            let _ = writeln!(text, "Next: {}.", next.join("; "));
        }
        let wet: Vec<String> = of(Condition::Wet).map(|index| self.with_percent(index)).collect();
        if !wet.is_empty() {
            let _ = writeln!(text, "Too wet, do not water: {}.", wet.join(", "));
        }
        let to_weigh: Vec<&str> =
            living.clone().filter(|&index| self.is_to_be_weighed(index)).map(|index| self.label(index)).collect();
        if !to_weigh.is_empty() {
            let _ = writeln!(text, "To weigh by tomorrow: {}.", to_weigh.join(", "));
        }
        let unknown: Vec<String> = of(Condition::Unknown).map(|index| self.label(index).to_owned()).collect();
        if !unknown.is_empty() {
            let _ = writeln!(text, "Not known, weigh or see what is wrong: {}.", unknown.join(", "));
        }
        if text.is_empty() {
            text.push_str("All flats are moist.");
        }
        Digest { title, text: text.trim_end().to_owned() }
    }

    /// Unless somebody weighs it, nobody will be able to say tomorrow what is left in it.
    fn is_to_be_weighed(&self, index: usize) -> bool {
        let Some(carried) = self.carried_for(index).filter(|_| self.flats[index].fraction.is_some()) else {
            return false;
        };
        let by_then = carried + A_DAY;
        // How fast it dries is what is not known, so the error grows as time does; at first it is mostly that of the scale.
        let grown = by_then.as_hours() / carried.as_hours().max(MOSTLY_THE_SCALES.as_hours());
        by_then > self.weigh_after(index) || self.fraction_error(index) * grown > TOO_UNSURE
    }

    fn label(&self, index: usize) -> &str {
        &self.plan.flats[index].1.label
    }

    fn with_percent(&self, index: usize) -> String {
        let percent = self.flats[index].fraction.map_or(0.0, Fraction::percent);
        format!("{} ({percent:.0} %)", self.label(index))
    }

    /// `Leeks (south bench), 25 %: 400 mL, to 3.70 kg`.
    fn pour_line(&self, index: usize) -> String {
        let flat = &self.flats[index];
        let place = flat.place(&self.plan.flats[index].1).map(|place| format!(" ({place})")).unwrap_or_default();
        let percent = flat.fraction.map_or(0.0, Fraction::percent);
        let pour = flat.water().zip(flat.band).map(|(water, (band, _))| {
            self.plan.words.volume(crate::watering::to_target(water, band.width(), flat.limits.target))
        });
        let stop = flat.target_weight().map(|weight| self.plan.words.weight(weight + flat.dome));
        let dome = if self.has_unknown_dome(index) { " without its dome" } else { "" };
        let what = pour.zip(stop).map(|(pour, stop)| format!(": {pour}, to {stop}{dome}")).unwrap_or_default();
        format!("{}{place}, {percent:.0} %{what}", self.label(index))
    }

    /// Who is due next, and when, the first one first.
    fn next_due(&self) -> Vec<String> {
        let due = |index: usize| self.still_to_come(index).0.map(|due| (due.at, index));
        let mut next: Vec<(Moment, usize)> = (0..self.flats.len()).filter_map(due).collect();
        next.sort_by_key(|(at, index)| (at.mono, *index));
        let named = next.iter().take(NEXT);
        named.map(|(at, index)| format!("{} about {}", self.label(*index), self.plan.zone.short(at.wall))).collect()
    }

    /// Writes [`Site::today`] as JSON.
    pub fn write_today(&self, out: &mut Vec<u8>) {
        super::write::write(&Some(self.today()), out);
    }

    /// Writes [`Site::away`] as JSON.
    pub fn write_away(&self, out: &mut Vec<u8>) {
        super::write::write(&Some(self.away()), out);
    }

    /// A flat as last told, for tables. `None` for one that is retired.
    #[must_use]
    pub fn glance(&self, index: usize) -> Option<Glance<'_>> {
        let flat = self.flats.get(index).filter(|flat| flat.kept.retired.is_none())?;
        let fraction = flat.fraction.map(|fraction| decimals(fraction.get(), 3));
        Some(Glance { label: self.label(index), fraction, has_band: flat.band.is_some() })
    }
}
