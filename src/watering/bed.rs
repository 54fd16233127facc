//! One flat under a valve that runs: what it should get, what it has got, by its weights where it is weighed.

use super::flow::{FlowFit, InFlight};
use crate::moment::{Mono, Span};
use crate::units::{Grams, Millilitres};

/// Weights of so many readings are looked at together.
const WINDOW: usize = 8;
/// The first drops fall this long after the order to open, s; weights before say nothing of the flow.
const UNTIL_IT_FLOWS: f64 = 2.0;
/// Readings after closing, before that, show water that is still on its way.
const ARRIVED: Span = Span::seconds(20);
/// So many steady readings make a settled weight, where they come fast; and where they do not.
const SETTLED_FAST: usize = 4;
const SETTLED_SLOW: usize = 2;
/// A flow counts as known from so many openings on; before that it may be so many times what the file says.
const KNOWN: u32 = 4;
const UNKNOWN_FLOW: f64 = 5.0;
/// Readings come fast up to this period.
const FAST: Span = Span::seconds(5);

/// How a flat is weighed while it is watered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// The time between readings.
    pub period: Span,
    /// Their standard deviation.
    pub noise: Grams,
    /// The smallest step worth believing.
    pub division: Grams,
}

impl Scale {
    /// Less than this may be nothing.
    #[must_use]
    pub fn doubt(&self) -> f64 {
        (8.0 * self.noise.get()).max(3.0 * self.division.get())
    }
}

/// A flat under the valve. Volumes are gains since the watering began; weights count as the water they would be.
#[derive(Debug, Clone, PartialEq)]
pub struct Bed {
    /// Its place in the list of flats.
    pub flat: usize,
    /// What it should get; below 0 for one that holds too much already.
    pub wants: Millilitres,
    /// What it may get at most.
    pub room: Millilitres,
    /// What the valve gives it.
    pub fit: FlowFit,
    /// What still arrives after the order to close.
    pub in_flight: InFlight,
    /// How it is weighed; `None` for one that is not.
    pub scale: Option<Scale>,
    /// Its weight when the watering began, mL.
    origin: Option<f64>,
    /// Gained when it last settled.
    pub(super) gained: f64,
    /// Weights of this opening: seconds since the order to open, and gain.
    live: Vec<(f64, f64)>,
    /// Weights after closing: seconds since, and gain.
    after: Vec<(f64, f64)>,
    /// The flow of this opening's first readings.
    early: Option<f64>,
    /// The last reading, whenever.
    last: Option<(Mono, f64)>,
    /// The last reading of this opening before something gave more than the valve can: seconds since the order to open, and gain.
    undisturbed: Option<(f64, f64)>,
    /// Whether somebody has lifted it since the order to open.
    lifted: Lifted,
}

/// A flat that is lifted while it is watered, or settles, and comes back: what it weighs more then is itself.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Lifted {
    Not,
    InAHand,
    /// So many seconds after the order to close.
    Back(f64),
}

impl Bed {
    /// A flat that is to be watered.
    #[must_use]
    pub fn new(
        flat: usize,
        wants: Millilitres,
        room: Millilitres,
        fit: FlowFit,
        in_flight: InFlight,
        scale: Option<Scale>,
    ) -> Self {
        let (live, after) = (Vec::new(), Vec::new());
        let (origin, early, last, undisturbed) = (None, None, None, None);
        let (gained, lifted) = (0.0, Lifted::Not);
        Self { flat, wants, room, fit, in_flight, scale, origin, gained, live, after, early, last, undisturbed, lifted }
    }

    /// What it has got, as it settled last.
    #[must_use]
    pub const fn gained(&self) -> Millilitres {
        Millilitres::new(self.gained)
    }

    pub(super) fn rate(&self) -> f64 {
        self.fit.flow().get()
    }

    /// Whether its weights come fast enough to close the valve by them: the flow between two readings, and what a network adds,
    /// must be within half the tolerance.
    pub(super) fn is_quick(&self, tolerance: f64) -> bool {
        self.scale.is_some_and(|scale| self.rate() * (scale.period.as_seconds() / 2.0 + 0.1) <= tolerance / 2.0)
    }

    /// The valve is about to open; the weight it stands at.
    pub(super) fn opens(&mut self, weight: Option<Grams>) {
        if let (None, Some(weight)) = (self.origin, weight) {
            self.origin = Some(weight.of_water().get());
        }
        // What has dried, or run through, since it settled is not lost by the valve.
        if let (Some(origin), Some(weight), Some(scale)) = (self.origin, weight, self.scale) {
            let gained = weight.of_water().get() - origin;
            // Within the noise the settled weight, a mean of several, is the better one.
            if (gained - self.gained).abs() > scale.doubt() {
                self.gained = gained;
            }
        }
        self.live.clear();
        self.after.clear();
        (self.early, self.last, self.undisturbed, self.lifted) = (None, None, None, Lifted::Not);
    }

    /// A weight while the valve is open; how far from what the one before would have it.
    pub(super) fn weighed_open(&mut self, weight: Grams, opened: Mono, now: Mono) -> Option<Jump> {
        let gain = weight.of_water().get() - self.origin?;
        let seconds = now.since(opened).as_seconds();
        let jump = self.jump(gain, now).or_else(|| self.swell(gain, seconds));
        if matches!(jump, Some(Jump::Gained(_))) && self.undisturbed.is_none() {
            let too_much = |before: &&(f64, f64)| self.is_more_than_it_gives(**before, gain, seconds);
            self.undisturbed = self.live.iter().find(too_much).or(self.live.last()).copied();
        }
        if matches!(jump, Some(Jump::Lost(_))) {
            self.lifted = Lifted::InAHand;
        }
        self.last = Some((now, gain));
        if self.live.len() >= WINDOW {
            self.live.remove(0);
        }
        self.live.push((seconds, gain));
        if self.early.is_none()
            && self.live.len() == WINDOW
            && self.live.first().is_some_and(|(at, _)| *at >= UNTIL_IT_FLOWS)
        {
            self.early = slope(&self.live);
        }
        jump
    }

    fn jump(&self, gain: f64, now: Mono) -> Option<Jump> {
        let (at, before) = self.last?;
        let scale = self.scale?;
        let (change, flowed) = (gain - before, self.rate() * now.since(at).as_seconds());
        if change < -(scale.doubt().max(20.0)) {
            return Some(Jump::Lost(-change));
        }
        (change > 2.0 * flowed + scale.doubt().max(40.0)).then_some(Jump::Gained(change))
    }

    /// A can pours more slowly than a jump, but faster than the valve: by a reading a few before.
    fn swell(&self, gain: f64, seconds: f64) -> Option<Jump> {
        let before = self.live.iter().find(|before| self.is_more_than_it_gives(**before, gain, seconds))?;
        Some(Jump::Gained(gain - before.1))
    }

    /// Whether no valve of this flow can have given what was gained since that reading. Nobody has measured a flow that is neither
    /// learned nor seen at the beginning of this opening: the file may be far off.
    fn is_more_than_it_gives(&self, (at, before): (f64, f64), gain: f64, seconds: f64) -> bool {
        let Some(scale) = self.scale else { return false };
        let is_known = self.fit.learned() >= KNOWN || self.early.is_some();
        let factor = if is_known { 2.0 } else { UNKNOWN_FLOW };
        gain - before > factor * self.flow_seen() * (seconds - at) + scale.doubt().max(40.0)
    }

    /// As known, or as this opening began, whichever is more.
    pub(super) fn flow_seen(&self) -> f64 {
        self.early.map_or(self.rate(), |early| early.max(self.rate()))
    }

    /// The most that the valve can have given in this opening where something else gave too, as far as the weights tell.
    pub(super) fn gave_undisturbed(&self, open_for: f64) -> Option<f64> {
        let (at, gain) = self.undisturbed?;
        Some((gain - self.gained + self.flow_seen() * (open_for - at).max(0.0) + self.in_flight.get()).max(0.0))
    }

    /// A weight after the valve was ordered closed.
    pub(super) fn weighed_closed(&mut self, weight: Grams, closed: Mono, now: Mono) {
        let Some(origin) = self.origin else { return };
        let gain = weight.of_water().get() - origin;
        let seconds = now.since(closed).as_seconds();
        match self.jump(gain, now) {
            Some(Jump::Lost(_)) => self.lifted = Lifted::InAHand,
            Some(Jump::Gained(_)) if self.lifted == Lifted::InAHand => self.lifted = Lifted::Back(seconds),
            _ => {}
        }
        self.last = Some((now, gain));
        self.after.push((seconds, gain));
        if self.after.len() > 64 {
            self.after.remove(0);
        }
    }

    /// When it was last heard.
    pub(super) fn heard(&self) -> Option<Mono> {
        self.last.map(|(at, _)| at)
    }

    /// What it holds now, while water flows: its last weights, each with what has flowed since. `None` without any.
    pub(super) fn now(&self, seconds: f64) -> Option<f64> {
        let flowing: Vec<(f64, f64)> = self.live.iter().copied().filter(|(at, _)| *at >= UNTIL_IT_FLOWS).collect();
        let rate = self.slope(&flowing).unwrap_or_else(|| self.rate());
        let used = if flowing.is_empty() { self.live.get(self.live.len().saturating_sub(1)..)? } else { &flowing };
        let count = u32::try_from(used.len()).ok().filter(|count| *count > 0)?;
        let sum: f64 =
            used.iter().map(|(at, gain)| gain + rate * (seconds - at.max(UNTIL_IT_FLOWS / 2.0)).max(0.0)).sum();
        Some(sum / f64::from(count))
    }

    /// The flow of this opening, while what was learned says little.
    fn slope(&self, points: &[(f64, f64)]) -> Option<f64> {
        if self.fit.learned() >= 3 || points.len() < 5 {
            return None;
        }
        slope(points).filter(|slope| *slope > 0.0)
    }

    /// Whether it gains less than half as fast as at first, beyond what noise can make: what is poured now runs past the mix.
    pub(super) fn runs_through(&self) -> bool {
        let (Some(early), Some(scale), Some(late)) = (self.early, self.scale, slope(&self.live)) else { return false };
        // The standard error of a slope through so many equally spaced readings.
        let (n, period) = (8.0_f64, scale.period.as_seconds().max(0.1));
        let error = scale.noise.get().max(scale.division.get() / 3.0) * (12.0 / (n * (n * n - 1.0))).sqrt() / period;
        self.live.len() == WINDOW && early > 8.0 * error && late < 0.5 * early - 2.0 * error
    }

    /// Gained in this opening so far, by the last weights.
    pub(super) fn gained_now(&self, seconds: f64) -> Option<f64> {
        self.live.last()?;
        Some(self.now(seconds)? - self.gained)
    }

    /// What it will have gained in this opening, now that it is closed, as far as can be said.
    pub(super) fn will_have_gained(&self, open_for: f64) -> f64 {
        let (Some(_), Some(open)) = (self.scale, self.gained_now(open_for)) else {
            return self.fit.gives(open_for).get();
        };
        let since = self.after.last().map_or(0.0, |(_, gain)| gain - self.gained);
        (open + self.in_flight.get()).max(since).max(0.0)
    }

    /// Where it has settled after closing, once it has; `late` takes what there is.
    pub(super) fn settled(&self, late: bool) -> Option<f64> {
        let scale = self.scale?;
        let arrived: Vec<f64> =
            self.after.iter().filter(|(at, _)| *at >= ARRIVED.as_seconds()).map(|(_, gain)| *gain).collect();
        let wanted = if scale.period <= FAST { SETTLED_FAST } else { SETTLED_SLOW };
        let enough = if late { arrived.len().min(wanted).max(1) } else { wanted };
        let last = arrived.get(arrived.len().checked_sub(enough)?..)?;
        let (low, high) =
            last.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), gain| (low.min(*gain), high.max(*gain)));
        let still = (2.0 * scale.division.get()).max(6.0 * scale.noise.get());
        let count = f64::from(u32::try_from(enough).ok()?);
        (late || high - low <= still).then(|| last.iter().sum::<f64>() / count)
    }

    /// Whether somebody has had it in a hand since the order to open.
    pub(super) fn was_lifted(&self) -> bool {
        self.lifted != Lifted::Not
    }

    /// Where it stood so long after closing, or after it came back from a hand; `None` while it is in one.
    pub(super) fn stood_at(&self, seconds: f64) -> Option<f64> {
        let seconds = match self.lifted {
            Lifted::Not => seconds,
            Lifted::InAHand => return None,
            Lifted::Back(back) => back + seconds,
        };
        self.after.iter().find(|(at, _)| *at >= seconds).map(|(_, gain)| *gain)
    }

    /// What has come after closing beyond what was expected to, mL: the last two weights agree.
    pub(super) fn excess(&self, expected: f64) -> Option<f64> {
        let [.., (_, before), (_, last)] = self.after.as_slice() else { return None };
        Some(before.min(*last) - expected)
    }
}

/// The slope of the line through these points (least squares).
fn slope(points: &[(f64, f64)]) -> Option<f64> {
    let n = f64::from(u32::try_from(points.len()).ok()?);
    let mean_t = points.iter().map(|point| point.0).sum::<f64>() / n;
    let mean_w = points.iter().map(|point| point.1).sum::<f64>() / n;
    let (mut sxy, mut sxx) = (0.0, 0.0);
    for (t, w) in points {
        sxy += (t - mean_t) * (w - mean_w);
        sxx += (t - mean_t).powi(2);
    }
    let slope = sxy / sxx;
    slope.is_finite().then_some(slope)
}

/// A step that the valve cannot have made, mL.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Jump {
    /// It lost so much.
    Lost(f64),
    /// It gained so much at once.
    Gained(f64),
}
