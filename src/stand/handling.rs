//! Plateaus → lifted, returned, another flat, dome, watered, drained, bumped.

use super::episode::{Episode, Sum, Yardstick};
use super::trend::{Trend, hours};
use super::words::{FlatScene, Handling, Misfit, Said, Scene};
use crate::moment::{Moment, Mono, Span};
use crate::units::{Grams, GramsPerHour};

/// Less than this on a stand is nothing, g.
const EMPTY: f64 = 40.0;
/// A change smaller than this is no watering and no removal, g.
const WATERING: f64 = 20.0;
/// A change smaller than this leaves a plateau what it was, g.
const SAME: f64 = 5.0;
/// A jump of a single weight that opens an episode, g.
const JUMP: f64 = 10.0;
/// A slow rise of the cell itself, by temperature or creep, that is no water, g/h.
const CREEP: f64 = 6.0;
/// How near a step must be to the dome's weight, g; and how fast, s.
const DOME: f64 = 15.0;
/// One that is put on is not wet yet, and water that happens to weigh as much must not count for it.
const DOME_ON: f64 = 6.0;
const DOME_IN: f64 = 30.0;
/// An empty stand that reads so much less than nothing, g, was zeroed with something on it (a judgement).
const FAR_BELOW: f64 = 30.0;
/// What a full tray bears at most, g; never more than the band itself.
const TRAY: f64 = 1500.0;
/// After a flat was put on, watered or touched, its fall says nothing of its drying for so long.
const UNQUIET: Span = Span::minutes(40);
/// A flat that never comes to rest is taken as put back after this.
const RESTLESS: Span = Span::minutes(40);
/// A silence that cuts an episode off.
const CUT: Span = Span::minutes(15);

/// Where a stand stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum Place {
    /// Nothing steady was seen yet.
    #[default]
    Unknown,
    /// Nothing on it.
    Empty,
    /// Something on it.
    Loaded,
}

/// One weight worth looking at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Look {
    pub(super) at: Moment,
    pub(super) weight: f64,
    /// How many readings lie behind it.
    pub(super) count: u32,
    /// The median of the window, if the stand is steady.
    pub(super) steady: Option<f64>,
    pub(super) by: Yardstick,
}

impl Look {
    /// For how many seconds nothing was heard until now, after a reading at `last`; 0 where readings came as they do.
    fn unheard_since(&self, last: Mono) -> f64 {
        let seconds = self.at.mono.since(last).as_seconds();
        if seconds > (3.0 * self.by.period).max(60.0) { seconds } else { 0.0 }
    }
}

/// Follows what is on a stand.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Handler {
    pub(super) trend: Option<Trend>,
    /// The lowest level of late, and when it was last near it; creeps up slowly.
    low: f64,
    low_at: Mono,
    pub(super) place: Place,
    pub(super) misfit: bool,
    /// It read nothing after a gap: it may have tared itself.
    empty_after_gap: bool,
    /// It has tared itself, as its reading far below zero betrays.
    pub(super) tared: bool,
    pub(super) episode: Option<Box<Episode>>,
    /// The weight before it was lifted, and when that was.
    pub(super) before: Option<(f64, Mono)>,
    arriving: Option<Mono>,
    /// A level to measure drying from.
    anchor: Option<(Mono, f64)>,
    quiet_from: Mono,
    /// g/h, from its own levels.
    pub(super) drying: Option<f64>,
}

impl Handler {
    pub(super) const fn new() -> Self {
        let zero = Mono::from_millis(i64::MIN / 4);
        Self {
            trend: None,
            low: 0.0,
            low_at: zero,
            place: Place::Unknown,
            misfit: false,
            empty_after_gap: false,
            tared: false,
            episode: None,
            before: None,
            arriving: None,
            anchor: None,
            quiet_from: zero,
            drying: None,
        }
    }

    /// Whether nothing is going on, so that the trend speaks for the weight.
    pub(super) fn is_quiet(&self) -> bool {
        self.episode.is_none() && self.trend.is_some() && self.place != Place::Unknown && self.arriving.is_none()
    }

    /// Whether nobody is seen at it, so that differences of readings are noise.
    pub(super) const fn is_left_alone(&self) -> bool {
        self.episode.is_none() && self.arriving.is_none()
    }

    /// Whether a steady weight has not been looked at yet: fast readings are, once a second, and until then a flat that was
    /// lifted would pass for a light one.
    pub(super) fn is_undecided(&self, weight: f64, division: f64, scene: &Scene) -> bool {
        match self.place {
            Place::Unknown => true,
            Place::Empty => false,
            Place::Loaded => weight < self.empty_below(division, scene) || self.may_be_another(weight, scene),
        }
    }

    /// What the flat cannot weigh, and not yet for long enough to say that it is something else: two slow readings that fail alike
    /// agree as well.
    fn may_be_another(&self, weight: f64, scene: &Scene) -> bool {
        let cannot_be = || scene.flat.as_ref().is_some_and(|flat| misfit(weight, flat).is_some());
        self.episode.is_some() && !self.misfit && !scene.soaking && cannot_be()
    }

    /// As if it had stood at `level` since then.
    pub(super) fn resume(&mut self, level: f64, at: Mono, variance: f64) {
        self.trend = Some(Trend::new(at, level, variance));
        (self.low, self.low_at) = (level, at);
        self.anchor = None;
    }

    /// In another scale or from another zero: w → (w − `zero`) · `factor`.
    pub(super) fn rescale(&mut self, zero: f64, factor: f64) {
        self.episode = None;
        self.trend = self.trend.map(|trend| trend.rescaled(zero, factor));
        self.low = (self.low - zero) * factor;
        self.before = self.before.map(|(weight, at)| ((weight - zero) * factor, at));
        self.drying = self.drying.map(|drying| drying * factor.abs());
        self.anchor = None;
    }

    /// Takes in a weight.
    pub(super) fn look(&mut self, look: &Look, scene: &Scene, said: &mut Vec<Said>) {
        match self.place {
            Place::Unknown => self.first(look, scene, said),
            Place::Empty => self.empty(look, scene, said),
            Place::Loaded if look.weight < self.empty_below(look.by.division, scene) => self.leaving(look, scene, said),
            Place::Loaded => self.loaded(look, scene, said),
        }
    }

    /// Readings far off for a moment, then back: whether that is worth telling.
    pub(super) fn shaken(&self, scene: &Scene, farthest: f64, said: &mut Vec<Said>) {
        if self.place == Place::Loaded && self.is_quiet() && farthest >= WATERING && !scene.soaking {
            said.push(Said::Handled(Handling::Bumped { change: Grams::ZERO }));
        }
    }

    fn level(&self) -> f64 {
        self.trend.as_ref().map_or(0.0, Trend::level)
    }

    /// Below it nothing is on the stand. A stand that was never zeroed reads its own platform when it is empty, so
    /// half of what a flat weighs dry, or of what was there, counts as nothing too.
    fn empty_below(&self, division: f64, scene: &Scene) -> f64 {
        let own = EMPTY.max(3.0 * division);
        let dry = scene.flat.as_ref().and_then(|flat| flat.dry).map(|dry| 0.5 * dry.get());
        let there = match self.place {
            Place::Loaded => Some(0.4 * self.level()),
            Place::Empty => Some(self.level() + own),
            Place::Unknown => None,
        };
        own.max(dry.or(there).unwrap_or(0.0))
    }

    fn first(&mut self, look: &Look, scene: &Scene, said: &mut Vec<Said>) {
        let Some(weight) = look.steady else { return };
        self.resume(weight, look.at.mono, look.by.variance);
        let known = scene.flat.as_ref().and_then(|flat| flat.last_weight).map(|(weight, at)| (weight.get(), at));
        if weight < self.empty_below(look.by.division, scene) {
            self.place = Place::Empty;
            if let Some((from, _)) = known {
                self.before = known;
                said.push(Said::Handled(Handling::Lifted { from: Grams::new(from) }));
            }
            return;
        }
        self.place = Place::Loaded;
        self.quiet_from = look.at.mono + UNQUIET;
        self.fits(weight, scene, said);
    }

    fn empty(&mut self, look: &Look, scene: &Scene, said: &mut Vec<Said>) {
        if look.weight < 1.1 * self.empty_below(look.by.division, scene) {
            self.arriving = None;
            self.follow_empty(look);
            return;
        }
        let since = *self.arriving.get_or_insert(look.at.mono);
        let restless = look.at.mono.since(since) > RESTLESS;
        let weight = look.steady.or_else(|| restless.then_some(look.weight));
        if let Some(weight) = weight.filter(|weight| *weight >= self.empty_below(look.by.division, scene)) {
            self.arrive(weight, look, scene, said);
        }
    }

    fn follow_empty(&mut self, look: &Look) {
        let off = look.weight - self.level();
        match &mut self.trend {
            Some(trend) if off * off <= (36.0 * look.by.variance).max(9.0 * look.by.division.powi(2)) => {
                trend.weigh(look.at.mono, look.weight, look.by.variance / f64::from(look.count));
            }
            _ => {
                if let Some(weight) = look.steady {
                    self.trend = Some(Trend::new(look.at.mono, weight, look.by.variance));
                }
            }
        }
        let below = -(SAME + 3.0 * look.by.division).max((16.0 * look.by.variance).sqrt());
        // Without a gap that was noticed it looks like lifting, until more has dried than any zero wanders.
        let limit = if self.empty_after_gap { below } else { 3.0 * below.min(-FAR_BELOW / 3.0) };
        if self.place == Place::Empty && look.steady.is_some_and(|weight| weight < limit) {
            self.tared = true;
        }
    }

    /// What it reads, while it stands still with nothing on it; `None` too where it may have tared itself.
    pub(super) fn empty_level(&self, look: &Look) -> Option<f64> {
        let is_empty = self.place == Place::Empty && self.arriving.is_none() && !self.empty_after_gap && !self.tared;
        look.steady.filter(|_| is_empty).and(self.trend.as_ref()).map(Trend::level)
    }

    /// Whether it came back from a gap reading nothing where a flat had been, and nothing has told since whether it is empty.
    pub(super) fn may_have_tared(&self) -> bool {
        self.place == Place::Empty && self.empty_after_gap && !self.tared
    }

    fn arrive(&mut self, weight: f64, look: &Look, scene: &Scene, said: &mut Vec<Said>) {
        self.place = Place::Loaded;
        (self.arriving, self.empty_after_gap, self.tared) = (None, false, false);
        let told = scene.flat.as_ref().and_then(|flat| flat.last_weight).map(|(weight, at)| (weight.get(), at));
        let before = self.before.take().or(told);
        self.resume(weight, look.at.mono, look.by.variance);
        self.quiet_from = look.at.mono + UNQUIET;
        let mut episode = Episode::new(weight, look.at.mono, self.drying_now(scene).unwrap_or(0.0));
        episode.arrival = true;
        self.episode = Some(Box::new(episode));
        if !self.fits(weight, scene, said) {
            // The flat that belongs here is still away, with the weight it had.
            self.before = before;
            return;
        }
        said.push(Said::Handled(self.returned(weight, before, look, scene)));
    }

    /// It is back, and weighs so much; `before` is what it weighed when it went, and when that was.
    fn returned(&self, weight: f64, before: Option<(f64, Mono)>, look: &Look, scene: &Scene) -> Handling {
        let (change, away) = before.map_or((0.0, Span::ZERO), |(from, at)| (weight - from, look.at.mono.since(at)));
        let dried = self.drying_now(scene).unwrap_or(0.0) * away.as_hours().max(0.0);
        let added = (before.is_some() && change > WATERING).then_some(Grams::new(change + dried));
        Handling::Returned { change: Grams::new(change), away, watered_away: added }
    }

    /// Whether a weight can be the flat's; says so when that changes.
    fn fits(&mut self, weight: f64, scene: &Scene, said: &mut Vec<Said>) -> bool {
        let why = scene.flat.as_ref().filter(|_| !scene.soaking).and_then(|flat| misfit(weight, flat));
        match why {
            Some(why) => {
                if !self.misfit {
                    said.push(Said::Handled(Handling::Misfit { weight: Grams::new(weight), why }));
                }
                self.misfit = true;
            }
            None if self.misfit => {
                self.misfit = false;
                said.push(Said::Handled(Handling::FitsAgain));
            }
            None => {}
        }
        why.is_none()
    }

    fn is_too_heavy(weight: f64, scene: &Scene) -> bool {
        let why = scene.flat.as_ref().and_then(|flat| misfit(weight, flat));
        matches!(why, Some(Misfit::HeavierThanFull { .. }))
    }

    fn leaving(&mut self, look: &Look, scene: &Scene, said: &mut Vec<Said>) {
        let Some(weight) = look.steady.filter(|weight| *weight < self.empty_below(look.by.division, scene)) else {
            return;
        };
        let mut from = self.level();
        let last = self.trend.as_ref().map_or(look.at.mono, Trend::at);
        if let Some(episode) = self.episode.take() {
            // What was poured just before it was lifted counts, a hand that only pressed on it does not.
            if episode.has_stood() && episode.has_risen() {
                from = self.close(&episode, look, scene, said);
            }
        }
        if !self.misfit || self.before.is_none() {
            self.before = Some((from, last));
        }
        self.empty_after_gap = look.unheard_since(last) > 0.0;
        self.place = Place::Empty;
        self.arriving = None;
        self.resume(weight, look.at.mono, look.by.variance);
        said.push(Said::Handled(Handling::Lifted { from: Grams::new(from) }));
    }

    fn loaded(&mut self, look: &Look, scene: &Scene, said: &mut Vec<Said>) {
        let Some(mut episode) = self.episode.take() else {
            self.quiet(look, scene, said);
            return;
        };
        let cut = CUT.max(Span::from_seconds(4.0 * look.by.period));
        let last = self.trend.as_ref().map_or(look.at.mono, Trend::at);
        if look.at.mono.since(last) > cut {
            self.close(&episode, look, scene, said);
            self.quiet(look, scene, said);
            return;
        }
        let over = episode.weigh(look.at.mono, look.weight, &look.by);
        if let Some(trend) = &mut self.trend {
            *trend = Trend::new(look.at.mono, trend.level(), look.by.variance);
        }
        if over {
            self.close(&episode, look, scene, said);
            return;
        }
        if !episode.draining_told && episode.drains(&look.by) {
            episode.draining_told = true;
            said.push(Said::Handled(Handling::Draining { weight: Grams::new(look.weight) }));
        }
        self.episode = Some(episode);
    }

    /// A weight of a plateau: goes into the trend, or opens an episode.
    fn quiet(&mut self, look: &Look, scene: &Scene, said: &mut Vec<Said>) {
        let Some(mut trend) = self.trend else { return };
        let passed = hours(look.at.mono.since(trend.at())).min(1e4);
        let off = look.weight - trend.level();
        let jump = (JUMP * JUMP).max(36.0 * look.by.variance).max(9.0 * look.by.division * look.by.division);
        if off * off > jump {
            let fastest = scene.flat.as_ref().map_or(180.0, |flat| flat.fastest_drying.get());
            let (before, at) = (trend.level(), trend.at());
            let is_dome = look.unheard_since(at) > 0.0 && self.is_lighter_by_its_dome(off, passed, scene);
            if off > 0.0 || off + fastest * passed < -jump.sqrt() || is_dome {
                self.open(before, at, look.unheard_since(at), look, scene, said);
                return;
            }
        }
        trend.weigh(look.at.mono, look.weight, look.by.variance / f64::from(look.count));
        self.trend = Some(trend);
        let level = trend.level();
        self.watch_slow_rise(level, passed, look, scene, said);
        if self.episode.is_none() {
            self.learn_drying(level, look.at.mono, scene);
        }
    }

    /// Whether what it lost in so many hours is what dries off it as it does, and its dome.
    fn is_lighter_by_its_dome(&self, off: f64, passed: f64, scene: &Scene) -> bool {
        let on = scene.flat.as_ref().filter(|flat| flat.dome_on == Some(true) && !scene.valve_open);
        let Some((dome, rate)) = on.and_then(|flat| flat.dome_weight).zip(self.drying_now(scene)) else { return false };
        (off + rate * passed + dome.get()).abs() <= DOME
    }

    fn watch_slow_rise(&mut self, level: f64, passed: f64, look: &Look, scene: &Scene, said: &mut Vec<Said>) {
        self.low += CREEP * passed.min(24.0);
        if level <= self.low + 2.0 {
            self.low_at = look.at.mono;
            self.low = self.low.min(level);
            return;
        }
        let rise = level - self.low;
        if rise > WATERING.max(5.0 * look.by.division) && rise * rise > 36.0 * look.by.variance {
            let (before, at) = (self.low, self.low_at);
            self.open(before, at, 0.0, look, scene, said);
        }
    }

    /// An episode begins, of a flat that weighed `before` at `at`; of the time since, `unheard` seconds went by without a reading.
    fn open(&mut self, before: f64, at: Mono, unheard: f64, look: &Look, scene: &Scene, said: &mut Vec<Said>) {
        let mut episode = Episode::new(before, at, self.drying_now(scene).unwrap_or(0.0));
        episode.unheard = unheard;
        let over = episode.weigh(look.at.mono, look.weight, &look.by);
        self.trend = Some(Trend::new(look.at.mono, before, look.by.variance));
        if over {
            self.close(&episode, look, scene, said);
        } else {
            self.episode = Some(Box::new(episode));
        }
    }

    /// An episode is over: says what it was, goes on from where it ended; gives that weight.
    fn close(&mut self, episode: &Episode, look: &Look, scene: &Scene, said: &mut Vec<Said>) -> f64 {
        let sum = episode.sum(&look.by);
        let (from, weight) = (self.level(), episode.weight());
        let last = self.trend.as_ref().map_or(look.at.mono, Trend::at);
        self.resume(weight, last, look.by.variance);
        if let (Some(trend), Some(drying)) = (self.trend, self.drying_now(scene)) {
            self.trend = Some(trend.with_rate(-drying));
        }
        self.quiet_from = look.at.mono + UNQUIET;
        // Another flat may have been put there between two readings; one that was only watered is not lighter than before.
        let fitted = self.misfit;
        let doubtful = fitted
            || sum.change > WATERING && Self::is_too_heavy(weight, scene)
            || sum.change < -WATERING && sum.abrupt;
        if doubtful && !self.fits(weight, scene, said) && !fitted {
            // The flat that belongs here is away, with the weight it had.
            self.before.get_or_insert((from, last));
            return weight;
        }
        if let Some(before) = self.before.filter(|_| fitted && !self.misfit) {
            self.before = None;
            said.push(Said::Handled(self.returned(weight, Some(before), look, scene)));
            return weight;
        }
        if let Some(handled) = classify(episode, &sum, look, scene) {
            said.push(Said::Handled(handled));
        }
        if episode.draining_told {
            said.push(Said::Handled(Handling::Drained { weight: Grams::new(weight - sum.left) }));
        }
        weight
    }

    fn drying_now(&self, scene: &Scene) -> Option<f64> {
        let flat = scene.flat.as_ref();
        let fastest = flat.map_or(180.0, |flat| flat.fastest_drying.get());
        flat.and_then(|flat| flat.drying).map(GramsPerHour::get).or(self.drying).map(|rate| rate.clamp(0.0, fastest))
    }

    fn learn_drying(&mut self, level: f64, at: Mono, scene: &Scene) {
        if at < self.quiet_from {
            self.anchor = None;
            return;
        }
        let Some((since, from)) = self.anchor else {
            self.anchor = Some((at, level));
            return;
        };
        let passed = at.since(since);
        if passed >= Span::hours(1) {
            let hours = hours(passed);
            let fastest = scene.flat.as_ref().map_or(180.0, |flat| flat.fastest_drying.get());
            let rate = ((from - level) / hours).clamp(0.0, fastest);
            self.drying = Some(self.drying.map_or(rate, |before| before + (rate - before) / 2.0));
            self.anchor = Some((at, level));
        }
    }
}

/// The least and the most that a flat can weigh (contract, `flat-changed`): lighter than dry by a tenth of its band, and at capacity
/// with its tray full; `on_top` are its plants and its dome.
pub fn can_weigh(dry: Grams, capacity: Grams, on_top: Grams) -> (Grams, Grams) {
    let band = (capacity - dry).max(Grams::ZERO);
    (dry - band * 0.1, capacity + on_top + Grams::new(TRAY).min(band))
}

/// Why `weight` cannot be the flat's; `None` while its band is not known.
fn misfit(weight: f64, flat: &FlatScene) -> Option<Misfit> {
    let on_top = flat.plant.max(Grams::ZERO) + flat.dome_weight.unwrap_or(Grams::ZERO);
    let (least, most) = can_weigh(flat.dry?, flat.capacity?, on_top);
    if weight < least.get() {
        Some(Misfit::LighterThanDry { least })
    } else if weight > most.get() {
        Some(Misfit::HeavierThanFull { most })
    } else {
        None
    }
}

/// What an episode was; `None` if nothing worth telling.
fn classify(episode: &Episode, sum: &Sum, look: &Look, scene: &Scene) -> Option<Handling> {
    let change = Grams::new(sum.change);
    let least = WATERING.max(5.0 * look.by.division);
    let ran_off = sum.gross - sum.change;
    let poured = sum.gross > least && (sum.change > least || ran_off > 2.0 * least && look.by.period < 60.0);
    if poured {
        let dome = dome(sum, ran_off, look, scene, true);
        return Some(
            dome.unwrap_or(Handling::Watered { gross: Grams::new(sum.gross), kept: Grams::new(sum.change - sum.left) }),
        );
    }
    if scene.soaking || episode.arrival {
        return None;
    }
    let same = SAME.max((16.0 * look.by.variance).sqrt() / 2.0).max(2.0 * look.by.division);
    let touched = sum.peak.max(-sum.trough) >= WATERING;
    if sum.change < -least {
        if let Some(dome) = dome(sum, ran_off, look, scene, false) {
            return Some(dome);
        }
        return sum.abrupt.then_some(Handling::Removed { change });
    }
    if sum.change.abs() <= same {
        return touched.then_some(Handling::Bumped { change });
    }
    (touched || sum.change.abs() > 2.0 * same).then_some(Handling::Visited { change })
}

/// Whether a change is the dome's, by its weight, its speed and what is known of it.
fn dome(sum: &Sum, ran_off: f64, look: &Look, scene: &Scene, on: bool) -> Option<Handling> {
    let flat = scene.flat.as_ref().filter(|_| !scene.soaking && !scene.valve_open)?;
    let weight = flat.dome_weight?.get();
    let near = if on { DOME_ON } else { DOME }.max((16.0 * look.by.variance).sqrt());
    let before = look.weight - sum.change;
    let is_due = on && flat.due_below.is_some_and(|due| before < due.get());
    let fits = (sum.change.abs() - weight).abs() <= near && (sum.change > 0.0) == on;
    let fast = sum.transit <= DOME_IN + 2.0 * look.by.period;
    let stayed = ran_off.abs() < near;
    (fits && fast && stayed && !is_due && flat.dome_on != Some(on))
        .then_some(Handling::Dome { on, change: Grams::new(sum.change) })
}
