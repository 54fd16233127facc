//! What a valve would pour now: one open time for all the flats it feeds, and why it is not longer.

use super::need::{Need, common_time, headroom_time, to_target};
use super::pulses::{Pulse, pulses, rest, seconds_down, seconds_up};
use super::settings::ValveSettings;
use crate::moment::Span;
use crate::units::{Flow, Fraction, Grams, Millilitres};
use serde::{Deserialize, Serialize};

/// So near below its target a flat needs nothing (contract, valve state).
const NEAR_TARGET: f64 = 0.02;
/// Less than this is published as 0.0 mL.
const NOTHING: Millilitres = Millilitres::new(0.05);

/// A flat on the valve, with the water it holds now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fed {
    /// Its place in the list of flats.
    pub flat: usize,
    /// What reaches it while the valve is open.
    pub flow: Flow,
    /// Water above its dry weight, plants taken off.
    pub water: Grams,
    /// Capacity weight less dry weight.
    pub band: Grams,
    /// What a watering should lift it to.
    pub target: Fraction,
    /// What nothing may lift it above.
    pub high: Fraction,
    /// Whether it is due or dry, or will be before the valve's next hours.
    pub due: bool,
}

impl Fed {
    fn fraction(&self) -> Fraction {
        Fraction::new(self.water / self.band)
    }

    fn wants(&self) -> bool {
        self.fraction().rounded() < Fraction::new(self.target.get() - NEAR_TARGET).rounded()
    }

    /// What it may get until it stands at its high.
    #[must_use]
    pub fn room(&self) -> Millilitres {
        (self.band * self.high.get() - self.water).max(Grams::ZERO).of_water()
    }

    /// Below 0 when it holds more than its target, so that the price of excess counts from where it stands.
    fn lacks(&self) -> Millilitres {
        (self.band * self.target.get() - self.water).of_water()
    }

    fn longest_pulse(&self, volume: Option<Millilitres>) -> f64 {
        volume.unwrap_or_else(|| (self.band / 10.0).of_water()).get() / self.flow.get()
    }

    fn share(&self, seconds: f64) -> Share {
        let gets = Millilitres::new(self.flow.get() * seconds);
        Share {
            flat: self.flat,
            to_target: to_target(self.water, self.band, self.target),
            gets,
            after: Fraction::new((self.water + gets.mass()) / self.band),
        }
    }
}

/// Why a plan pours no more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LimitedBy {
    /// More would make it worse, all flats taken together.
    Target,
    /// More would lift a flat above its high.
    High,
    /// The open time of one watering.
    MaxRun,
    /// What is left of the day's volume.
    MaxPerDay,
}

impl LimitedBy {
    /// The word of the contract.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Target => "target",
            Self::High => "high",
            Self::MaxRun => "max_run",
            Self::MaxPerDay => "max_per_day",
        }
    }
}

/// One watering, as it would be done now.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// The valve's total.
    pub volume: Millilitres,
    /// How long the valve is open, all pulses together: whole seconds, rounded up unless that would pass a limit.
    pub run: Span,
    /// Why no more.
    pub limited_by: LimitedBy,
    /// The pulses; their runs add up to `run`.
    pub pulses: Vec<Pulse>,
    /// What each flat gets; they add up to `volume`.
    pub flats: Vec<Share>,
    /// Whether a fed flat is due or dry, or will be before the valve's next hours.
    pub due: bool,
}

/// One flat's part of a plan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share {
    /// The flat's place in the list of flats.
    pub flat: usize,
    /// What would lift it to its target; 0 at or above it.
    pub to_target: Millilitres,
    /// What it gets.
    pub gets: Millilitres,
    /// Where that lifts it.
    pub after: Fraction,
}

/// What a valve may give in any 24 hours: as configured, else one band for each flat it feeds.
#[must_use]
pub fn max_per_day(fed: &[Fed], valve: &ValveSettings) -> Millilitres {
    valve.max_per_day.unwrap_or_else(|| fed.iter().map(|flat| flat.band.max(Grams::ZERO).of_water()).sum())
}

/// What `run` would pour now; `None` when no flat wants water, when none may have any, or when a flat has no band
/// or no flow to go by.
///
/// Every fed flat must be given: one that is unknown or absent blocks its valve, which is for the caller to see.
/// `left_today` is what is left of the day's volume; without it nothing has been poured in the last 24 hours.
#[must_use]
pub fn plan(fed: &[Fed], valve: &ValveSettings, left_today: Option<Millilitres>) -> Option<Plan> {
    if !fed.iter().all(is_sound) || !fed.iter().any(Fed::wants) {
        return None;
    }
    let left = left_today.unwrap_or_else(|| max_per_day(fed, valve));
    let needs: Vec<Need> = fed.iter().map(|flat| Need::usual(flat.flow, flat.lacks())).collect();
    let wanted = common_time(&needs);
    let (most, limit) = longest(fed, valve, left)?;
    let (seconds, limited_by) = if wanted <= most { (wanted, LimitedBy::Target) } else { (most, limit) };
    let run = seconds_up(seconds).min(seconds_down(most));
    if run <= Span::ZERO {
        return None;
    }
    let flats: Vec<Share> = fed.iter().map(|flat| flat.share(seconds)).collect();
    let volume: Millilitres = flats.iter().map(|share| share.gets).sum();
    if volume < NOTHING {
        return None;
    }
    Some(Plan {
        volume,
        run,
        limited_by,
        pulses: pulses(run, longest_pulse(fed, valve).as_seconds(), rest(valve)),
        flats,
        due: fed.iter().any(|flat| flat.due),
    })
}

/// What a volume as ordered comes to: cut where it would lift a flat above its high. `None` where nothing is left of it, or a flat
/// has no band or no flow to go by. Whether the day and the open time allow it is for the caller to say.
#[must_use]
pub fn plan_volume(fed: &[Fed], valve: &ValveSettings, ordered: Millilitres) -> Option<Plan> {
    let flow: Flow = fed.iter().map(|flat| flat.flow).sum();
    let room = headroom_time(fed.iter().map(|flat| (flat.room(), flat.flow))).filter(|_| fed.iter().all(is_sound))?;
    let wanted = ordered.get() / flow.get();
    let (seconds, limited_by) = if wanted <= room { (wanted, LimitedBy::Target) } else { (room, LimitedBy::High) };
    let (volume, run) = (Millilitres::new(seconds * flow.get()), seconds_up(seconds));
    if volume < NOTHING || run <= Span::ZERO {
        return None;
    }
    Some(Plan {
        volume,
        run,
        limited_by,
        pulses: pulses(run, longest_pulse(fed, valve).as_seconds(), rest(valve)),
        flats: fed.iter().map(|flat| flat.share(seconds)).collect(),
        due: fed.iter().any(|flat| flat.due),
    })
}

fn is_sound(flat: &Fed) -> bool {
    flat.band > Grams::ZERO && flat.flow > Flow::ZERO && flat.fraction().get().is_finite()
}

/// The longest open time allowed, in seconds, and what allows no more.
fn longest(fed: &[Fed], valve: &ValveSettings, left: Millilitres) -> Option<(f64, LimitedBy)> {
    let room = headroom_time(fed.iter().map(|flat| (flat.room(), flat.flow)))?;
    let flow: Flow = fed.iter().map(|flat| flat.flow).sum();
    let limits = [
        (room, LimitedBy::High),
        (valve.max_run.map_or(f64::INFINITY, Span::as_seconds), LimitedBy::MaxRun),
        (left.max(Millilitres::ZERO).get() / flow.get(), LimitedBy::MaxPerDay),
    ];
    limits.into_iter().min_by(|a, b| a.0.total_cmp(&b.0))
}

/// The longest pulse that gives none of these flats more than it should have in one.
#[must_use]
pub fn longest_pulse(fed: &[Fed], valve: &ValveSettings) -> Span {
    let seconds = fed.iter().map(|flat| flat.longest_pulse(valve.pulse_volume)).fold(f64::INFINITY, f64::min);
    Span::from_seconds(if seconds.is_finite() { seconds } else { 0.0 })
}
