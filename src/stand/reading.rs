//! One stand: readings in, a weight and what happened out.

mod below;
mod stuck;

use super::calibration::{Corners, Line, Warmth};
use super::empty::EmptyReads;
use super::episode::Yardstick;
use super::facts::{Commanded, Replaced, StandFacts};
use super::filter::Hampel;
use super::gate::{Doubt, Gate};
use super::handling::{Handler, Look, Place};
use super::pace::{Noise, Pace};
use super::settings::StandSettings;
use super::steady::Window;
use super::tolerance::standard_error;
use super::words::{Fault, Health, Heard, Part, Said, Scene, Unreadable};
use crate::moment::{Moment, Mono, Span, Wall};
use crate::units::{Celsius, Grams, GramsPerHour};

/// Without one in the file, a stand is silent after this or three periods, whichever is longer.
const STALE: Span = Span::minutes(10);
/// So many overloads in a row, over so long, are no glitch.
const OVERLOADS: u16 = 3;
const OVERLOADED_FOR: Span = Span::seconds(4);
/// And so many failure codes.
const CODES: u16 = 5;
/// Noise below this share of a division is none.
const NOISELESS: f64 = 0.3;

/// The state of one stand.
#[derive(Debug, Clone)]
pub struct Stand {
    // What each reading touches comes first.
    heard_at: Option<Moment>,
    pub(super) line: Line,
    pub(super) warmth: Warmth,
    gate: Gate,
    pub(super) calibrated: bool,
    division: f64,
    bits: u64,
    same_since: Mono,
    /// How fast its flat dried when the reading last changed, as far as that was known then or before.
    rate_before: Option<GramsPerHour>,
    doubt: Doubt,
    /// Bad values of one kind in a row.
    run: u16,
    run_since: Mono,
    pace: Pace,
    pub(super) noise: Noise,
    pub(super) filter: Hampel,
    pub(super) last: f64,
    pub(super) believed: Option<f64>,
    pub(super) steady: bool,
    offline: bool,
    steady_at: Option<Moment>,
    pub(super) window: Window,
    pub(super) handler: Handler,
    farthest: f64,
    wake: Option<Mono>,
    state: State,
    /// What rarely matters.
    pub(super) cold: Box<Cold>,
}

#[derive(Debug, Clone)]
pub(super) struct Cold {
    pub(super) settings: StandSettings,
    pub(super) corners: Option<Box<Corners>>,
    pub(super) commanded: Option<Box<Commanded>>,
    pub(super) empty: EmptyReads,
    pub(super) restored: Option<Box<StandFacts>>,
    /// Readings that were turned away as far below zero, while nothing else comes.
    below: Option<below::Below>,
    fault: Option<(Wall, Fault)>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum State {
    Well,
    Silent(Wall),
    Faulty,
}

impl Stand {
    /// A stand of which nothing was heard yet.
    #[must_use]
    pub fn new(settings: StandSettings) -> Self {
        let corners = Corners::of(&settings).map(Box::new);
        let usable = settings.division.get() > 0.0;
        let mut stand = Self {
            heard_at: None,
            line: Line::of(&settings),
            warmth: Warmth::default(),
            gate: Gate::of(&settings),
            calibrated: false,
            division: if usable { settings.division.get() } else { 1.0 },
            bits: 0,
            same_since: Mono::from_millis(0),
            rate_before: None,
            doubt: Doubt::default(),
            run: 0,
            run_since: Mono::from_millis(0),
            pace: Pace::default(),
            noise: Noise::default(),
            filter: Hampel::new(),
            last: 0.0,
            believed: None,
            steady: false,
            offline: false,
            steady_at: None,
            window: Window::new(),
            handler: Handler::new(),
            farthest: 0.0,
            wake: Some(Mono::from_millis(i64::MIN)),
            state: State::Well,
            cold: Box::new(Cold {
                empty: EmptyReads::of(&settings),
                settings,
                corners,
                commanded: None,
                restored: None,
                below: None,
                fault: None,
            }),
        };
        stand.see_lines();
        stand
    }

    /// A stand as it was before a restart, and what the file has replaced since.
    #[must_use]
    pub fn restore(settings: StandSettings, facts: StandFacts) -> (Self, Vec<Replaced>) {
        let mut stand = Self::new(settings);
        let mut replaced = Vec::new();
        let mut facts = facts;
        if let Some(commanded) = facts.commanded.take() {
            let (lines, changed) = commanded.held_against(&stand.cold.settings);
            stand.put_lines(&lines);
            replaced = changed;
            stand.cold.commanded = Some(Box::new(commanded)).filter(|_| replaced.is_empty());
            if !replaced.is_empty() {
                stand.remember_lines();
            }
        }
        stand.pace = facts.pace;
        stand.noise = facts.noise;
        if let Some(empty) = facts.empty.filter(|_| replaced.is_empty()) {
            stand.cold.empty = empty;
        }
        stand.cold.restored = Some(Box::new(facts));
        (stand, replaced)
    }

    /// What must survive a crash; to be asked for after anything was said, and now and then.
    #[must_use]
    pub fn facts(&self) -> StandFacts {
        let mut facts = self.cold.restored.as_deref().cloned().unwrap_or_default();
        facts.commanded = self.cold.commanded.as_deref().cloned();
        (facts.pace, facts.noise, facts.empty) = (self.pace, self.noise, Some(self.cold.empty));
        if let Some(now) = self.heard_at.filter(|_| self.cold.restored.is_none()) {
            facts.of_handler(&self.handler, |at| now.wall_at(at));
            facts.weight = self.handler.trend.map(|trend| (Grams::new(trend.level()), now.wall_at(trend.at())));
        }
        facts
    }

    /// Takes in one reading, in the stand's unit. What there is to say is added to `said`, which the caller empties.
    ///
    /// Never panics, whatever the value or the time; a time before the last one counts as the last one.
    pub fn reading(
        &mut self,
        part: Part,
        value: Result<f64, Unreadable>,
        retained: bool,
        at: Moment,
        scene: &Scene,
        said: &mut Vec<Said>,
    ) -> Heard {
        if retained {
            return Heard::Ignored;
        }
        let at = self.not_before_the_last(at);
        let value = match value {
            Ok(value) if value.is_finite() => value,
            other => return self.unreadable(other.err(), at, said),
        };
        if self.gate.is_code(value) {
            return self.bad(Fault::FailureCode(value), at, said);
        }
        match part {
            Part::Whole => {
                let grams = self.line.grams(value) - self.warmth.grams;
                self.weigh(value.to_bits(), grams, at, scene, said)
            }
            Part::Corner(place) => self.corner(place, value, at, scene, said),
        }
    }

    fn corner(&mut self, place: u8, value: f64, at: Moment, scene: &Scene, said: &mut Vec<Said>) -> Heard {
        let fresh = Span::from_seconds((2.0 * self.pace.seconds()).max(10.0));
        let Some(corners) = &mut self.cold.corners else { return Heard::Ignored };
        let Some(sum) = corners.hear(place, value, at.mono, fresh) else { return Heard::Ignored };
        // The cell that has stood unchanged for longest speaks for the freezing of all.
        let frozen = corners.cells.iter().min_by_key(|cell| cell.same_since).map(|cell| cell.same_since);
        let heard = self.weigh(sum.to_bits(), sum - self.warmth.grams, at, scene, said);
        self.same_since = frozen.unwrap_or(self.same_since);
        if let (Heard::Steady(_), Some(corners)) = (heard, &mut self.cold.corners) {
            corners.judge(at.mono);
        }
        heard
    }

    fn not_before_the_last(&self, at: Moment) -> Moment {
        match self.heard_at {
            Some(last) if at.mono < last.mono => Moment { mono: last.mono, wall: at.wall },
            _ => at,
        }
    }

    fn unreadable(&mut self, why: Option<Unreadable>, at: Moment, said: &mut Vec<Said>) -> Heard {
        let why = match why {
            Some(Unreadable::Garbled(why)) => why,
            Some(Unreadable::Missing) => "it says itself that it has no value".to_owned(),
            None => "the value is not a finite number".to_owned(),
        };
        self.bad(Fault::Unreadable(why), at, said)
    }

    fn bad(&mut self, fault: Fault, at: Moment, said: &mut Vec<Said>) -> Heard {
        let raise = self.doubt.bad(at.mono);
        if !matches!(fault, Fault::BelowZero(_)) {
            self.cold.below = None;
        }
        if self.run == 0 {
            self.run_since = at.mono;
        }
        self.run = self.run.saturating_add(1);
        let held = at.mono.since(self.run_since);
        let sure = match fault {
            Fault::Overload(_) => self.run >= OVERLOADS && held >= OVERLOADED_FOR,
            Fault::FailureCode(_) | Fault::BelowZero(_) => self.run >= CODES && held >= OVERLOADED_FOR,
            _ => false,
        };
        if raise || sure {
            self.raise(fault, at, said);
        }
        Heard::Ignored
    }

    pub(super) fn raise(&mut self, fault: Fault, at: Moment, said: &mut Vec<Said>) {
        if self.state == State::Faulty {
            return;
        }
        if matches!(self.state, State::Silent(_)) {
            said.push(Said::HeardAgain);
        }
        self.state = State::Faulty;
        self.steady = false;
        said.push(Said::FaultRaised(fault.clone()));
        self.cold.fault = Some((at.wall, fault));
    }

    fn clear(&mut self, why: &str, at: Moment, said: &mut Vec<Said>) {
        self.state = State::Well;
        self.cold.fault = None;
        self.wake = Some(at.mono + self.stale_after().min(STALE));
        said.push(Said::FaultCleared(why.to_owned()));
    }

    /// A value in grams, which may still be none.
    fn weigh(&mut self, bits: u64, grams: f64, at: Moment, scene: &Scene, said: &mut Vec<Said>) -> Heard {
        if self.calibrated && !self.gate.admits(grams) || grams.abs() > 1e9 {
            let fault = self.gate.fault(grams);
            if matches!(fault, Fault::BelowZero(_)) {
                self.hear_below(grams, at.mono);
            }
            return self.bad(fault, at, said);
        }
        if self.run > 0 {
            self.run = 0;
            self.cold.below = None;
        }
        if !self.doubt.is_clear() || self.state != State::Well {
            self.recover(bits, at, said);
        }
        if self.cold.restored.is_some() {
            self.resume(at);
        }
        let step = self.heard_at.map_or(Span::ZERO, |last| at.mono.since(last.mono));
        if self.heard_at.is_none() {
            // So far it was waited for as long as its pace before a restart asks.
            self.wake = Some(at.mono + self.stale_after().min(STALE));
        }
        self.mind_the_gap(step);
        self.heard_at = Some(at);
        if self.is_frozen(bits, at, scene, said) {
            return Heard::Ignored;
        }
        self.filtered(grams, step, at, scene, said)
    }

    /// A good reading after bad ones, or after a silence.
    fn recover(&mut self, bits: u64, at: Moment, said: &mut Vec<Said>) {
        let well = self.doubt.good();
        match self.state {
            State::Silent(_) => {
                self.state = State::Well;
                self.offline = false;
                self.wake = Some(at.mono + self.stale_after().min(STALE));
                said.push(Said::HeardAgain);
            }
            State::Faulty => match self.cold.fault.as_ref().map(|(_, fault)| fault) {
                Some(Fault::Frozen(_)) if bits == self.bits => {}
                Some(Fault::Frozen(_)) => self.clear("its readings move again", at, said),
                Some(Fault::Tared) if self.handler.tared => {}
                Some(Fault::Tared) => self.clear("something lies on it again, or it was zeroed", at, said),
                _ if well => self.clear("it sends weights again", at, said),
                _ => {}
            },
            State::Well => {}
        }
    }

    fn mind_the_gap(&mut self, step: Span) {
        if step == Span::ZERO && self.heard_at.is_none() {
            return;
        }
        if self.pace.is_gap(step) {
            self.window.clear();
            self.filter.clear();
            self.steady = false;
        }
        self.pace.learn(step);
    }

    fn filtered(&mut self, grams: f64, step: Span, at: Moment, scene: &Scene, said: &mut Vec<Said>) -> Heard {
        let variance = self.noise.variance();
        let floor = variance.sqrt().max(0.5 * self.division).max(0.1);
        let short = self.pace.is_slow() || scene.valve_open;
        if self.filter.outlying(grams, short, floor) {
            self.farthest = self.farthest.max((grams - self.last).abs());
            if self.filter.outliers() == 1 {
                return Heard::Ignored;
            }
            self.steady = false;
            return self.moving(grams);
        }
        if self.filter.outliers() > 0 {
            self.release(grams, step, at, scene, said);
        } else if self.handler.is_left_alone() && self.window.is_used() && !self.repeats_itself(at.mono) {
            let shaken = !self.steady && self.steady_at.is_some();
            self.noise.learn(grams - self.last, self.division, shaken);
        }
        self.accept(grams, step, at, scene, said)
    }

    /// Readings were held back: they were a step, and count; or a knock, and do not.
    fn release(&mut self, grams: f64, step: Span, at: Moment, scene: &Scene, said: &mut Vec<Said>) {
        let (held_back, count) = self.filter.release();
        let level = self.last;
        let off = grams - level;
        let farthest = std::mem::take(&mut self.farthest);
        let near = (0.25 * farthest).max((36.0 * self.noise.variance()).sqrt()).max(2.0 * self.division);
        if off.abs() <= near && off.abs() < 0.5 * farthest {
            if count > 1 && self.is_calibrated() {
                self.handler.shaken(scene, farthest, said);
            }
            return;
        }
        let span = Span::from_millis(step.millis().clamp(0, 600_000));
        for (place, value) in held_back.iter().take(count).enumerate() {
            let same_side = (value - level) * off > 0.0;
            if same_side {
                let back = i64::try_from(count - place).unwrap_or(0);
                let then = Moment {
                    mono: at.mono - Span::from_millis(span.millis() * back),
                    wall: at.wall - Span::from_millis(span.millis() * back),
                };
                self.accept(*value, step, then, scene, said);
            }
        }
    }

    fn accept(&mut self, grams: f64, step: Span, at: Moment, scene: &Scene, said: &mut Vec<Said>) -> Heard {
        let judged = self.window.judge(at.mono, grams, step, self.pace, &self.noise, self.division);
        self.last = grams;
        self.steady = judged.steady.is_some();
        if let (Some((weight, count)), true) = (judged.point, self.is_calibrated()) {
            let period = self.pace.seconds().max(if count > 1 { 1.0 } else { 0.0 });
            let by = Yardstick { variance: self.noise.cautious(self.division), division: self.division, period };
            let look = Look { at, weight, count, steady: judged.steady, by };
            let was = self.handler.place;
            self.handler.look(&look, scene, said);
            if was == Place::Empty || self.handler.place == Place::Empty {
                self.look_at_it_empty(&look, said);
            }
            if self.handler.tared {
                self.raise(Fault::Tared, at, said);
            }
        }
        let Some(median) = judged.steady else { return self.moving(grams) };
        if self.is_calibrated() && self.handler.is_undecided(median, self.division, scene) {
            self.steady = false;
            return self.moving(grams);
        }
        let level = self.level(grams, median);
        self.believed = Some(level);
        if !self.is_calibrated() || self.state == State::Faulty {
            return Heard::Ignored;
        }
        self.steady_at = Some(at);
        Heard::Steady(Grams::new(level))
    }

    /// The weight to believe of a steady stand.
    fn level(&self, latest: f64, median: f64) -> f64 {
        let calm = self.noise.variance() <= NOISELESS * NOISELESS * self.division * self.division;
        match &self.handler.trend {
            Some(trend) if self.handler.is_quiet() && !calm => trend.level(),
            Some(_) if self.handler.is_quiet() => latest,
            _ => median,
        }
    }

    fn moving(&self, grams: f64) -> Heard {
        if self.is_calibrated() && self.state != State::Faulty {
            Heard::Moving(Grams::new(grams))
        } else {
            Heard::Ignored
        }
    }

    /// The temperature of the stand's cells; ignored where the file names no correction.
    pub fn temperature(&mut self, value: Celsius, at: Moment) {
        self.warmth.read(value, at.mono, self.cold.settings.temperature.as_ref());
    }

    /// Its availability topic spoke. Offline is silent at once; online alone is not a reading.
    pub fn availability(&mut self, online: bool, at: Moment, said: &mut Vec<Said>) {
        self.offline = !online;
        if !online && self.state == State::Well {
            self.fall_silent(at, said);
        }
    }

    fn fall_silent(&mut self, at: Moment, said: &mut Vec<Said>) {
        self.state = State::Silent(at.wall);
        self.steady = false;
        self.wake = None;
        said.push(Said::Silent);
    }

    /// Time passes. To be called at or after [`Self::next_wake`]; there may be nothing to do.
    pub fn tick(&mut self, at: Moment, _scene: &Scene, said: &mut Vec<Said>) {
        let Some(wake) = self.wake.filter(|wake| *wake <= at.mono) else { return };
        let stale = self.stale_after();
        let counted_from = match self.heard_at {
            Some(last) => last.mono,
            None if wake == Mono::from_millis(i64::MIN) => at.mono,
            None => wake - stale,
        };
        if self.state == State::Well && at.mono.since(counted_from) >= stale {
            self.fall_silent(at, said);
        } else {
            let next = counted_from + stale;
            // Readings may come faster again, and then silence is shorter than was thought.
            let next = if self.heard_at.is_some() { next.min(at.mono + STALE) } else { next };
            self.wake = Some(if next > at.mono { next } else { at.mono + stale });
        }
    }

    /// When [`Self::tick`] wants to be called. Does not move with each reading.
    #[must_use]
    pub const fn next_wake(&self) -> Option<Mono> {
        self.wake
    }

    /// When it was heard last; `None`: never.
    #[must_use]
    pub const fn heard_at(&self) -> Option<Moment> {
        self.heard_at
    }

    /// The latest weight worth showing, steady or not; `None` before calibration and while it cannot be believed.
    #[must_use]
    pub fn live(&self) -> Option<Grams> {
        let told = self.heard_at.is_some() && self.state == State::Well && self.is_calibrated();
        told.then(|| Grams::new(if self.steady { self.believed.unwrap_or(self.last) } else { self.last }))
    }

    /// The latest reading that was taken for a weight, as it came; `None` before calibration and while it cannot be believed.
    #[must_use]
    pub fn latest(&self) -> Option<Grams> {
        let told = self.heard_at.is_some() && self.state == State::Well && self.is_calibrated();
        told.then_some(self.last).and_then(Grams::checked)
    }

    /// The weight to believe, while the stand is steady.
    #[must_use]
    pub fn steady(&self) -> Option<Grams> {
        self.believed.filter(|_| self.is_stable()).and_then(Grams::checked)
    }

    /// Whether it is steady as the contract has it, and can be believed.
    #[must_use]
    pub fn is_stable(&self) -> bool {
        self.steady && self.state == State::Well && self.is_calibrated()
    }

    /// Whether its readings stand still, worth grams or not: enough for a zero or a span.
    #[must_use]
    pub fn is_still(&self) -> bool {
        self.standing().is_some() && self.state == State::Well
    }

    /// When the last reading came that could be a weight.
    #[must_use]
    pub const fn reading_at(&self) -> Option<Moment> {
        self.heard_at
    }

    /// When it was last steady.
    #[must_use]
    pub const fn last_steady_at(&self) -> Option<Moment> {
        self.steady_at
    }

    /// Whether it can be believed.
    #[must_use]
    pub fn health(&self) -> Health {
        match (&self.state, &self.cold.fault) {
            (State::Faulty, Some((since, fault))) => Health::Fault { since: *since, fault: fault.clone() },
            (State::Silent(since), _) => Health::Silent { since: *since },
            _ => Health::Ok,
        }
    }

    /// The smallest step worth believing.
    #[must_use]
    pub const fn division(&self) -> Grams {
        Grams::new(self.division)
    }

    /// How often readings come.
    #[must_use]
    pub fn period(&self) -> Option<Span> {
        self.pace.period()
    }

    /// The noise of single readings.
    #[must_use]
    pub fn noise(&self) -> Option<Grams> {
        self.noise.grams().and_then(Grams::checked).filter(|_| self.is_calibrated())
    }

    /// The standard uncertainty of one steady weight near `load`.
    #[must_use]
    pub fn weight_error(&self, load: Grams) -> Grams {
        standard_error(load, Grams::new(self.division), self.noise().unwrap_or(Grams::ZERO))
    }

    /// What its four cells bear, if it has four and all have spoken.
    #[must_use]
    pub fn corners(&self) -> Option<[Grams; 4]> {
        let corners = self.cold.corners.as_ref().filter(|corners| corners.is_known())?;
        let spoken = corners.cells.iter().all(|cell| cell.read_at.is_some());
        spoken.then(|| corners.cells.map(|cell| Grams::new(cell.grams())))
    }

    /// In plain words, why it is not level, or rocks; after five minutes of it.
    #[must_use]
    pub fn unevenness(&self) -> Option<String> {
        self.cold.corners.as_ref().filter(|corners| corners.is_known())?.unevenness()
    }

    /// Without a reading for so long it is silent.
    #[must_use]
    pub fn stale_after(&self) -> Span {
        let learned = Span::from_seconds(3.0 * self.pace.seconds());
        self.cold.settings.stale_after.unwrap_or(STALE.max(learned))
    }
}
