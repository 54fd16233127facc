//! Watching a flat soak and drain until its capacity can be recorded.
//!
//! The watch counts passes of water, on the stand or poured elsewhere between being lifted and put back, and waits
//! for the end of dripping. That has come when the weight falls at one and the same rate, that of drying, for two
//! windows of 10 min or more; at 60 min after the last pass the end is extrapolated (lysimeter and container
//! practice names both). What is recorded is the weight at the instant the dripping stopped, not what the scale shows
//! later, when more has dried.
//!
//! A tray that stays on the stand hides what drips into it, and its water counts as the flat's: empty it first.

mod drain;

use crate::moment::{Moment, Mono, Span};
use crate::units::{Grams, GramsPerHour};
use drain::{Drain, Drying, Track, fall, fit};
use serde::{Deserialize, Serialize};

/// The watch lasts no longer.
const LASTS: Span = Span::hours(24);
/// So long after the last pass capacity is recorded at the latest.
const AT_THE_LATEST: Span = Span::minutes(60);
/// The soonest it is recorded, and the least time on the stand after coming back.
const AT_THE_SOONEST: Span = Span::minutes(20);
/// So long after a pass without another, it is draining.
const NO_MORE_PASSES: Span = Span::seconds(150);
/// A pass that goes on so long after the one before is another.
const NEXT_PASS: Span = Span::seconds(45);
/// The last weight must not be older when capacity is recorded.
const FRESH: Span = Span::minutes(30);
/// A lesser rise is noise, or a drop from a leaf.
const PASS: f64 = 15.0;
/// What a weight must gain on the highest for the pouring to go on.
const GOES_ON: f64 = 3.0;
/// Faster than drying can be; grams an hour.
const DRIPS: f64 = 100.0;
/// A tonne is no flat, and sums of squares of more might not be finite.
const NO_FLAT: Grams = Grams::new(1e6);
/// What may still drip when it counts as drained, in grams.
const LAST_DROPS: f64 = 1.0;

/// Where a watch stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SoakPhase {
    /// No water has come yet.
    Waiting,
    /// Water came less than a few minutes ago.
    Soaking,
    /// It drips.
    Draining,
    /// Carried away.
    Away,
    /// Recorded, or given up.
    Over,
}

/// Progress of a watch.
#[derive(Debug, Clone, PartialEq)]
pub enum SoakStep {
    /// One more pass of water.
    Pass {
        /// Which, from 1.
        n: u32,
        /// The weight as the pass was seen.
        weight: Grams,
    },
    /// No more water comes; it drips.
    Draining {
        /// The weight now.
        weight: Grams,
    },
    /// Dripping has stopped, or its end is known: the watch is over.
    Recorded {
        /// The weight at the instant dripping stopped.
        capacity: Grams,
        /// The weight now.
        drained: Grams,
    },
    /// Nothing is recorded; why, for a person. The watch is over.
    GaveUp(String),
}

/// A `record-capacity` watch. It may be kept and taken up again; its moments stay comparable over a restart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Soak {
    begun: Moment,
    phase: SoakPhase,
    passes: u32,
    /// The last moment water was seen to come.
    last_pass: Moment,
    /// Since when it stands here undisturbed; times of the track count from it.
    stands: Moment,
    pouring: bool,
    highest: f64,
    lowest: f64,
    latest: Option<(Moment, Grams)>,
    seen: Moment,
    evaporation: Option<GramsPerHour>,
    noise: f64,
    track: Track,
}

impl Soak {
    /// Begins a watch; `now` is the weight at that moment, `None` while the flat is off its stand.
    #[must_use]
    pub fn begin(at: Moment, now: Option<Grams>) -> Self {
        let weight = now.unwrap_or(Grams::ZERO).get();
        Self {
            begun: at,
            phase: if now.is_some() { SoakPhase::Waiting } else { SoakPhase::Away },
            passes: 0,
            last_pass: at,
            stands: at,
            pouring: false,
            highest: weight,
            lowest: weight,
            latest: now.map(|now| (at, now)),
            seen: at,
            evaporation: None,
            noise: 1.5,
            track: Track::new(),
        }
    }

    /// Tells how noisy single weights of this stand are; a standard deviation. Without it 1.5 g is taken.
    pub fn set_noise(&mut self, noise: Grams) {
        self.noise = noise.get().clamp(0.1, 50.0);
    }

    /// Where the watch stands.
    #[must_use]
    pub fn phase(&self) -> SoakPhase {
        self.phase
    }

    /// How many passes of water were seen.
    #[must_use]
    pub fn passes(&self) -> u32 {
        self.passes
    }

    /// When it began.
    #[must_use]
    pub fn begun(&self) -> Moment {
        self.begun
    }

    /// A weight of the flat on its stand: steady ones at least, better every filtered one, since a flat that drips
    /// fast is never steady. `evaporation` is its rate of drying before the soak, if known.
    pub fn weighed(&mut self, weight: Grams, at: Moment, evaporation: Option<GramsPerHour>) -> Option<SoakStep> {
        self.evaporation = evaporation.filter(|rate| *rate > GramsPerHour::ZERO).or(self.evaporation);
        self.live(weight, at)
    }

    /// A weight that need not be steady; as [`Soak::weighed`].
    pub fn live(&mut self, weight: Grams, at: Moment) -> Option<SoakStep> {
        if weight.abs() > NO_FLAT {
            return None;
        }
        match self.phase {
            SoakPhase::Over => return None,
            SoakPhase::Away => return self.returned(weight, at),
            SoakPhase::Waiting | SoakPhase::Soaking | SoakPhase::Draining => {}
        }
        self.seen = at;
        let pass = self.water_came(weight.get(), at);
        if pass.is_none() && self.was_lightened(weight.get(), at) {
            self.stand_anew(weight, at);
        }
        self.latest = Some((at, weight));
        let new_point = self.track.push(at.mono.since(self.stands.mono).as_seconds(), weight.get());
        pass.or_else(|| self.progress(at, new_point))
    }

    /// The flat was carried away.
    pub fn lifted(&mut self, at: Moment) {
        if self.phase != SoakPhase::Over {
            self.seen = at;
            self.phase = SoakPhase::Away;
        }
    }

    /// The flat is back with this weight; heavier than it went means that water was poured meanwhile.
    pub fn returned(&mut self, weight: Grams, at: Moment) -> Option<SoakStep> {
        if self.phase == SoakPhase::Over || weight.abs() > NO_FLAT {
            return None;
        }
        self.seen = at;
        let before = self.latest.map(|(_, weight)| weight.get());
        let gained = before.is_none_or(|before| weight.get() >= before + self.rise());
        self.stand_anew(weight, at);
        if gained {
            return Some(self.pass(weight.get(), at));
        }
        self.phase = if self.passes > 0 { SoakPhase::Soaking } else { SoakPhase::Waiting };
        None
    }

    /// Time passed.
    pub fn tick(&mut self, at: Moment) -> Option<SoakStep> {
        if self.phase == SoakPhase::Over {
            return None;
        }
        self.seen = at;
        self.progress(at, true)
    }

    /// When [`Soak::tick`] may have something to say without another weight.
    #[must_use]
    pub fn next_wake(&self) -> Option<Mono> {
        let end = Some(self.begun.mono + LASTS);
        let phase = match self.phase {
            SoakPhase::Over => return None,
            SoakPhase::Soaking => Some(self.last_pass.mono + NO_MORE_PASSES),
            SoakPhase::Draining => Some(self.deadline()),
            SoakPhase::Waiting | SoakPhase::Away => None,
        };
        // What is past waits for a weight, not for time.
        [end, phase.filter(|wake| *wake > self.seen.mono)].into_iter().flatten().min()
    }

    fn rise(&self) -> f64 {
        PASS.max(8.0 * self.noise)
    }

    fn deadline(&self) -> Mono {
        (self.last_pass.mono + AT_THE_LATEST).max(self.stands.mono + AT_THE_SOONEST)
    }

    fn water_came(&mut self, weight: f64, at: Moment) -> Option<SoakStep> {
        if !self.pouring {
            self.lowest = self.lowest.min(weight);
            return (weight >= self.lowest + self.rise()).then(|| self.pass(weight, at));
        }
        if weight < self.highest + GOES_ON.max(2.0 * self.noise) {
            self.pouring = false;
            self.lowest = weight.min(self.highest);
            return None;
        }
        let another = at.mono.since(self.last_pass.mono) >= NEXT_PASS && weight >= self.highest + self.rise();
        if another {
            return Some(self.pass(weight, at));
        }
        self.water_goes_on(weight, at);
        None
    }

    fn pass(&mut self, weight: f64, at: Moment) -> SoakStep {
        self.passes = self.passes.saturating_add(1);
        self.phase = SoakPhase::Soaking;
        self.pouring = true;
        self.water_goes_on(weight, at);
        SoakStep::Pass { n: self.passes, weight: Grams::new(weight) }
    }

    fn water_goes_on(&mut self, weight: f64, at: Moment) {
        self.highest = weight;
        self.last_pass = at;
        self.stands = at;
        self.track = Track::new();
    }

    /// A tray emptied, a hand gone: a fall that neither drying nor dripping explains so long after the last pass.
    fn was_lightened(&self, weight: f64, at: Moment) -> bool {
        let Some((then, before)) = self.latest else { return false };
        let quick = at.mono.since(then.mono) <= Span::seconds(90);
        let late = at.mono.since(self.last_pass.mono) >= Span::minutes(5);
        quick && late && before.get() - weight > self.rise() + self.recent_fall()
    }

    /// What the last minutes' fall lets expect for one more.
    fn recent_fall(&self) -> f64 {
        match self.track.points() {
            [.., before, last] => (before.w - last.w).max(0.0),
            _ => 0.0,
        }
    }

    fn stand_anew(&mut self, weight: Grams, at: Moment) {
        self.stands = at;
        self.pouring = false;
        self.lowest = weight.get();
        self.highest = weight.get();
        self.latest = Some((at, weight));
        self.track = Track::new();
        self.track.push(0.0, weight.get());
    }

    fn progress(&mut self, at: Moment, look: bool) -> Option<SoakStep> {
        if at.mono >= self.begun.mono + LASTS {
            return Some(self.give_up());
        }
        match self.phase {
            SoakPhase::Waiting if look && self.drips_already(at) => Some(self.drains()),
            SoakPhase::Soaking if at.mono.since(self.last_pass.mono) >= NO_MORE_PASSES => Some(self.drains()),
            SoakPhase::Draining if look => self.recorded(at),
            _ => None,
        }
    }

    fn drains(&mut self) -> SoakStep {
        self.phase = SoakPhase::Draining;
        SoakStep::Draining { weight: self.shown() }
    }

    /// It was soaked before the watch began: it falls as no drying does.
    fn drips_already(&self, at: Moment) -> bool {
        if at.mono.since(self.begun.mono) > AT_THE_SOONEST {
            return false;
        }
        let now = at.mono.since(self.stands.mono).as_seconds();
        let (points, half) = (self.track.points(), now / 2.0);
        let (Some(first), Some(last)) = (points.first(), points.last()) else { return false };
        let drips = |from, to| {
            fall(points, from, to, self.noise).is_some_and(|fall| (fall.rate - 2.0 * fall.error) * 3600.0 > DRIPS)
        };
        first.w - last.w > self.rise() && drips(0.0, half) && drips(half, now)
    }

    fn recorded(&mut self, at: Moment) -> Option<SoakStep> {
        let (weighed, _) = self.latest?;
        if at.mono.since(weighed.mono) > FRESH {
            return None;
        }
        let now = at.mono.since(self.stands.mono);
        let late = at.mono >= self.deadline();
        if !late && (now < AT_THE_SOONEST || !self.falls_evenly(now.as_seconds())) {
            return None;
        }
        let drain = fit(self.fitted(), self.drying(), self.noise)?;
        if !late && drain.left_at(now.as_seconds()) > LAST_DROPS {
            return None;
        }
        self.phase = SoakPhase::Over;
        Some(SoakStep::Recorded { capacity: self.believable(&drain), drained: self.shown() })
    }

    /// What the curve is fitted to: not the time in which as much water still came as dripped, and, where enough
    /// remains, not the first two minutes after a pass, while water stands on the mix.
    fn fitted(&self) -> &[drain::Point] {
        let points = drain::from_its_fall(self.track.points(), GOES_ON.max(2.0 * self.noise), DRIPS / 3600.0);
        let wet = points.iter().take_while(|point| point.t < 120.0).count();
        match points.get(wet..) {
            Some(rest) if self.last_pass == self.stands && rest.len() >= 6 => rest,
            _ => points,
        }
    }

    /// What is known about drying: the rate before the soak, which a wet surface may well double; else a guess.
    fn drying(&self) -> Drying {
        let per_second = |rate: f64| rate / 3600.0;
        match self.evaporation {
            Some(rate) => Drying { rate: per_second(rate.get()), error: per_second((rate.get() * 0.5).max(6.0)) },
            None => Drying { rate: per_second(20.0), error: per_second(15.0) },
        }
    }

    /// Whether two windows in a row fell at the rate of drying, or at one and the same that drying can have.
    fn falls_evenly(&self, now: f64) -> bool {
        // With few or noisy weights a window takes longer to tell dripping from drying.
        [600.0, 900.0, 1200.0].into_iter().any(|window| {
            let fall = |from: f64, to: f64| fall(self.track.points(), from, to, self.noise);
            let (Some(before), Some(last)) = (fall(now - 2.0 * window, now - window), fall(now - window, now)) else {
                return false;
            };
            let per_hour = |rate: f64| rate * 3600.0;
            let error = per_hour(before.error.max(last.error));
            let near = |a: f64, b: f64| per_hour(a - b).abs() <= 4.0 + 2.0 * error;
            let known = self.drying().rate;
            let dries = |rate: f64| (-4.0 - 2.0 * error..DRIPS).contains(&per_hour(rate));
            error <= 8.0
                && (near(before.rate, known) && near(last.rate, known)
                    || near(before.rate, last.rate) && dries(before.rate) && dries(last.rate))
        })
    }

    /// The mean of the last minutes.
    fn shown(&self) -> Grams {
        let points = self.track.points();
        let last = points.get(points.len().saturating_sub(3)..).unwrap_or(points);
        let n: f64 = last.iter().map(|point| point.n).sum();
        let sum: f64 = last.iter().map(|point| point.w * point.n).sum();
        if n > 0.0 { Grams::new(sum / n) } else { self.latest.map_or(Grams::ZERO, |(_, weight)| weight) }
    }

    /// No curve may say more than was seen: capacity lies below the first weight, and no further below the last
    /// than it fell in all.
    fn believable(&self, drain: &Drain) -> Grams {
        let points = self.track.points();
        let first = points.first().map_or(drain.capacity, |point| point.w) + self.noise;
        let shown = self.shown().get();
        let least = shown - (first - shown).max(0.0) - self.noise;
        Grams::new(drain.capacity.clamp(least.min(first), first.max(least)))
    }

    fn give_up(&mut self) -> SoakStep {
        let text = match self.phase {
            SoakPhase::Waiting => "no water was seen to come for 24 h",
            SoakPhase::Soaking => "water was still coming after 24 h",
            SoakPhase::Draining => "no weights came in while it drained",
            SoakPhase::Away | SoakPhase::Over => "it was carried away and is not back after 24 h",
        };
        self.phase = SoakPhase::Over;
        SoakStep::GaveUp(format!("Capacity is not recorded: {text}. Say record-capacity again and soak it through."))
    }
}

#[cfg(test)]
mod tests;
