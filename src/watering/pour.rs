//! One watering by valve as a state machine: pulses and rests, closed by weight where the stands are quick enough, else timed in
//! rounds with weighing in between.
//!
//! It decides when to open, for how long, when to close, and when it is over. Whether the valve may open at all is the guard's;
//! what an order is, how it is confirmed and how it is journalled is the site's. It never looks at a clock.

use super::bed::{Bed, Jump};
use super::ended::Ended;
use super::need::{Need, common_time, headroom_time};
use super::terms::{Goal, Opening, Phase, Rules, WhyClose};
use crate::moment::{Mono, Span};
use crate::units::{Grams, Millilitres};

/// The time cap of an opening, as a factor on what it should take.
const CAP: f64 = 1.3;
/// Of what is left, a timed round pours so much; half of it while nobody knows the flow; all of the last 40 mL.
const ROUND: f64 = 0.85;
const ROUND_UNLEARNED: f64 = 0.5;
const LAST_ROUND: f64 = 40.0;
/// A flow counts as known from so many openings on.
pub(super) const LEARNED: u32 = 4;
/// Rounds beyond the planned pulses.
const MORE_ROUNDS: u32 = 4;
/// Gains are judged from so long after opening on.
const NOT_JUDGED_BEFORE: Span = Span::seconds(5);
/// A gain below this share of what is expected is none.
pub(super) const NO_GAIN: f64 = 0.3;
/// What must have been expected before a gain is judged while the valve is open, mL.
const JUDGED_FROM: f64 = 30.0;
/// Rests that are doubled grow no longer.
const LONGEST_REST: Span = Span::minutes(10);
/// Shorter openings are not worth a click, s.
const SHORTEST: f64 = 1.0;

/// One watering.
#[derive(Debug, Clone, PartialEq)]
pub struct Pour {
    /// Its number.
    pub id: u64,
    /// What it is to reach.
    pub goal: Goal,
    /// What it should pour, all flats together.
    pub volume: Millilitres,
    pub(super) rules: Rules,
    pub(super) beds: Vec<Bed>,
    pub(super) phase: Phase,
    /// Seconds open, earlier openings.
    open_time: f64,
    /// Delivered in earlier openings.
    pub(super) delivered: f64,
    openings: u32,
    planned: u32,
    /// An opening without gain is tried once more.
    pub(super) retried: bool,
    pub(super) barren: bool,
    pub(super) disturbed: bool,
    /// Nobody knows when it closed: what came after it was to says nothing of the valve.
    pub(super) cut_off: bool,
    /// It ends when this opening has settled.
    pub(super) ends: Option<Ended>,
    pub(super) tolerance: f64,
    limited: bool,
}

impl Pour {
    /// A watering that wants to begin now.
    #[must_use]
    pub fn new(id: u64, goal: Goal, volume: Millilitres, rules: Rules, beds: Vec<Bed>, now: Mono) -> Self {
        let rate: f64 = beds.iter().map(Bed::rate).sum();
        let expected = match goal {
            Goal::Bucket(run) => run.as_seconds(),
            _ => volume.get() / rate.max(1e-6),
        };
        let pulse = rules.pulse.as_seconds().max(SHORTEST);
        Self {
            id,
            goal,
            volume,
            rules,
            beds,
            phase: Phase::Waiting { from: now },
            open_time: 0.0,
            delivered: 0.0,
            openings: 0,
            planned: whole((expected / pulse).ceil()).max(1),
            retried: false,
            barren: false,
            disturbed: false,
            cut_off: false,
            ends: None,
            tolerance: (0.02 * volume.get()).max(10.0),
            limited: false,
        }
    }

    /// Where it stands.
    #[must_use]
    pub const fn phase(&self) -> Phase {
        self.phase
    }

    /// How long the valve has been open, earlier openings.
    #[must_use]
    pub fn open_time(&self) -> Span {
        Span::from_seconds(self.open_time)
    }

    /// What may still be poured of the day: somebody else may have opened the valve since the last opening.
    pub fn may_still_pour(&mut self, left: Millilitres) {
        self.rules.most = Millilitres::new(self.delivered + left.get());
    }

    /// The flats under it.
    #[must_use]
    pub fn beds(&self) -> &[Bed] {
        &self.beds
    }

    /// Its number of pulses so far, the one under way counted; and how many it will be, as far as can be said.
    #[must_use]
    pub fn pulses(&self) -> (u32, u32) {
        (self.openings, self.planned.max(self.openings))
    }

    /// What has been poured: settled, and by weight or time what has come since.
    #[must_use]
    pub fn delivered(&self, now: Mono) -> Millilitres {
        let more = match self.phase {
            Phase::Open { since, .. } => self.poured_in(now.since(since).as_seconds()),
            Phase::Settling { open_for, .. } => self.poured_in(open_for),
            Phase::Waiting { .. } | Phase::Over(_) => 0.0,
        };
        Millilitres::new(self.delivered + more)
    }

    /// What has come since the last opening settled.
    #[must_use]
    pub fn delivered_since_settled(&self, now: Mono) -> Millilitres {
        Millilitres::new(self.delivered(now).get() - self.delivered)
    }

    fn poured_in(&self, seconds: f64) -> f64 {
        let of = |bed: &Bed| bed.gained_now(seconds).unwrap_or_else(|| bed.rate() * seconds).max(0.0);
        self.beds.iter().map(of).sum()
    }

    /// Whether it closes by weight: all that are weighed are weighed quickly enough, and there is one.
    fn is_closed_loop(&self) -> bool {
        let mut weighed = self.beds.iter().filter(|bed| bed.scale.is_some()).peekable();
        weighed.peek().is_some() && weighed.all(|bed| bed.is_quick(self.tolerance)) && !self.disturbed
    }

    // ---- opening

    /// A flat has got so much from elsewhere since this was planned; counts before the first opening, and below 0 what it has lost. When none
    /// lacks anything any more, it is over.
    pub fn holds_more(&mut self, place: usize, more: Millilitres) {
        let Some(bed) = self.beds.get_mut(place).filter(|_| self.openings == 0) else { return };
        bed.room -= more;
        if matches!(self.goal, Goal::Target) {
            bed.wants -= more;
        }
        if more > Millilitres::ZERO && self.left(None).0 <= 0.0 {
            self.stop(Ended::Target);
        }
    }

    /// What it wants to open for, if it is time; `None` when it is not, or when nothing is left to pour: then it is over.
    pub fn next_opening(&mut self, now: Mono) -> Option<Opening> {
        let Phase::Waiting { from } = self.phase else { return None };
        if now < from {
            return None;
        }
        if let Some(ended) = self.over() {
            self.phase = Phase::Over(ended);
            return None;
        }
        let rate: f64 = self.beds.iter().map(Bed::rate).sum();
        let (left, limited) = self.left(None);
        let time_left = (self.rules.max_run.as_seconds() - self.open_time).max(0.0);
        let volume_left = (self.rules.most.get() - self.delivered).max(0.0);
        let is_bucket = matches!(self.goal, Goal::Bucket(_));
        let pulse = if is_bucket { left } else { self.rules.pulse.as_seconds().max(SHORTEST) };
        let expected = self.round(left, rate).max(SHORTEST / 2.0).min(pulse).min(time_left);
        // The device counts whole seconds, and never more than may be poured.
        let most = if is_bucket { time_left } else { time_left.min(volume_left / rate.max(1e-6)) };
        let cap = if is_bucket { expected } else { (CAP * expected).max(expected + 2.0) };
        let cap = whole(cap.ceil().min(most.floor()));
        self.limited = limited || expected + 0.5 < left.min(pulse).min(self.round(left, rate));
        if cap == 0 || (expected < 0.05 && limited) {
            self.phase = Phase::Over(Ended::Limit);
            return None;
        }
        let most = Millilitres::new(f64::from(cap) * rate);
        Some(Opening { expected: expected.min(f64::from(cap)), cap, most })
    }

    /// Of the seconds that are left, those of this round.
    fn round(&self, left: f64, rate: f64) -> f64 {
        if matches!(self.goal, Goal::Bucket(_)) || self.is_closed_loop() {
            return left;
        }
        let weighed: Vec<&Bed> = self.beds.iter().filter(|bed| bed.scale.is_some()).collect();
        if weighed.is_empty() {
            return left;
        }
        let learned = weighed.iter().map(|bed| bed.fit.learned()).min().unwrap_or(0);
        let share = match learned {
            0 => ROUND_UNLEARNED,
            1..LEARNED => ROUND,
            _ if left * rate <= LAST_ROUND => 1.0,
            _ => ROUND,
        };
        (left * share).min(self.safe_time()).max(SHORTEST / 2.0)
    }

    /// Nobody looks before a timed round is over, so even a valve that gives more than it used to must lift no flat above its high in it.
    fn safe_time(&self) -> f64 {
        let rooms = self.beds.iter().map(|bed| (Millilitres::new(bed.room.get() - bed.gained), bed.fit.may_give()));
        headroom_time(rooms).unwrap_or(f64::INFINITY)
    }

    /// The open time that is left, in seconds, and whether what a flat may hold limits it; by the weights of now if `seconds` have
    /// passed since opening, else by the settled ones.
    fn left(&self, seconds: Option<f64>) -> (f64, bool) {
        if let Goal::Bucket(run) = self.goal {
            return ((run.as_seconds() - self.open_time).max(0.0), false);
        }
        let worth = self.worth(seconds);
        let gained = |bed: &Bed| {
            let settled = bed.gained;
            match seconds {
                // Alike openings say little of an offset; until it is known none is lost.
                None if bed.fit.learned() < LEARNED => settled + bed.fit.offset().max(0.0),
                None => settled + bed.fit.offset(),
                Some(seconds) if bed.scale.is_some() => bed.now(seconds).unwrap_or(settled) + bed.in_flight.get(),
                Some(seconds) => settled + worth * bed.rate() * seconds + bed.in_flight.get(),
            }
        };
        self.left_by(gained)
    }

    /// The open time that is left, by what each flat has gained, and whether what a flat may hold limits it.
    fn left_by(&self, gained: impl Fn(&Bed) -> f64) -> (f64, bool) {
        if let Goal::Bucket(run) = self.goal {
            return ((run.as_seconds() - self.open_time).max(0.0), false);
        }
        let wanted = match self.goal {
            Goal::Target => {
                let needs: Vec<Need> = self
                    .beds
                    .iter()
                    .map(|bed| Need::usual(bed.fit.flow(), Millilitres::new(bed.wants.get() - gained(bed))))
                    .collect();
                common_time(&needs)
            }
            _ => {
                let rate: f64 = self.beds.iter().map(Bed::rate).sum();
                let got: f64 = self.beds.iter().map(&gained).sum();
                ((self.volume.get() - got) / rate.max(1e-6)).max(0.0)
            }
        };
        // What a valve is slow to give counts for what a flat lacks, never for what it may hold.
        let held = |bed: &Bed| gained(bed).max(bed.gained);
        let rooms = self.beds.iter().map(|bed| (Millilitres::new(bed.room.get() - held(bed)), bed.fit.flow()));
        match headroom_time(rooms) {
            Some(room) if room < wanted => (room, true),
            _ => (wanted, false),
        }
    }

    /// What the weighed flats have gained against what they should have: the others get water from the same pipe.
    pub(super) fn worth(&self, seconds: Option<f64>) -> f64 {
        let Some(seconds) = seconds else { return 1.0 };
        let (mut got, mut should) = (0.0, 0.0);
        for bed in self.beds.iter().filter(|bed| bed.scale.is_some()) {
            if let Some(gain) = bed.gained_now(seconds) {
                got += gain;
                should += bed.rate() * seconds;
            }
        }
        if should > JUDGED_FROM { (got / should).clamp(0.3, 3.0) } else { 1.0 }
    }

    pub(super) fn over(&self) -> Option<Ended> {
        if self.ends.is_some() {
            return self.ends;
        }
        if self.openings == 0 {
            return None;
        }
        let (lacks, limited) = self.left_by(|bed| bed.gained);
        let rate: f64 = self.beds.iter().map(Bed::rate).sum();
        // What the shortest opening gives is not worth it for less than half of that.
        let least: f64 = self.beds.iter().map(|bed| bed.fit.gives(SHORTEST / 2.0).get()).sum();
        // Closed at the first reading, it still gives what is then on its way.
        let on_its_way: f64 = self.beds.iter().map(|bed| bed.in_flight.get() + SHORTEST * bed.rate()).sum();
        let enough = if self.is_closed_loop() {
            (0.6 * self.tolerance).max(on_its_way)
        } else {
            (0.01 * self.volume.get()).max(5.0)
        };
        let reached = match self.goal {
            _ if limited || self.limited => Ended::Limit,
            Goal::Target => Ended::Target,
            _ => Ended::Volume,
        };
        let by_time = self.beds.iter().all(|bed| bed.scale.is_none());
        if lacks * rate < enough.max(least / 2.0) || (by_time && lacks < SHORTEST) {
            return Some(reached);
        }
        let spent = self.open_time + SHORTEST > self.rules.max_run.as_seconds()
            || self.delivered + rate > self.rules.most.get()
            || self.openings >= self.planned + MORE_ROUNDS;
        spent.then_some(Ended::Limit)
    }

    /// The order to open goes out; the weights the flats stand at, by their places among the beds.
    pub fn opens(&mut self, opening: Opening, weights: &[Option<Grams>], now: Mono) {
        for (bed, weight) in self.beds.iter_mut().zip(weights) {
            bed.opens(*weight);
        }
        self.openings += 1;
        self.barren = false;
        self.phase = Phase::Open { since: now, opening };
    }

    // ---- open

    /// A weight of a fed flat. Gives a reason to close at once, if it is one.
    pub fn weighed(&mut self, flat: usize, weight: Grams, now: Mono) -> Option<WhyClose> {
        let bed = self.beds.iter_mut().find(|bed| bed.flat == flat && bed.scale.is_some())?;
        match self.phase {
            Phase::Open { since, .. } => {
                let jump = bed.weighed_open(weight, since, now)?;
                self.disturbed = true;
                Some(WhyClose::Disturbed(match jump {
                    Jump::Lost(ml) => format!("it lost {ml:.0} g while water ran"),
                    Jump::Gained(ml) => format!("it gained {ml:.0} g at once, more than the valve gives"),
                }))
            }
            Phase::Settling { closed, .. } => {
                bed.weighed_closed(weight, closed, now);
                None
            }
            Phase::Waiting { .. } | Phase::Over(_) => None,
        }
    }

    /// Whether the valve is to be closed now, and why.
    #[must_use]
    pub fn should_close(&self, now: Mono) -> Option<WhyClose> {
        let Phase::Open { since, opening } = self.phase else { return None };
        let seconds = now.since(since).as_seconds();
        if seconds >= f64::from(opening.cap) {
            return Some(WhyClose::Cap);
        }
        if matches!(self.goal, Goal::Bucket(_)) {
            return (seconds >= opening.expected).then_some(WhyClose::Pulse);
        }
        if self.gains_nothing(seconds) {
            return Some(WhyClose::NoGain);
        }
        if !self.is_closed_loop() {
            return (seconds >= opening.expected).then_some(WhyClose::Pulse);
        }
        if self.is_stale(since, now) {
            return Some(WhyClose::Slow);
        }
        if seconds >= least(opening) && self.left(Some(seconds)).0 <= 0.0 {
            return Some(WhyClose::Reached);
        }
        if self.beds.iter().any(|bed| bed.runs_through()) {
            return Some(WhyClose::RunsThrough);
        }
        let pulse_over = seconds >= self.rules.pulse.as_seconds().max(SHORTEST);
        pulse_over.then_some(WhyClose::Pulse)
    }

    fn gains_nothing(&self, seconds: f64) -> bool {
        let weighed = || self.beds.iter().filter_map(|bed| Some((bed, bed.scale?)));
        let period = weighed().map(|(_, scale)| scale.period).max().unwrap_or(Span::ZERO);
        let from = NOT_JUDGED_BEFORE.max(period + period).as_seconds();
        let should: f64 = weighed().map(|(bed, _)| bed.fit.gives(seconds - UNSEEN).get()).sum();
        let doubt: f64 = weighed().map(|(_, scale)| (10.0 * scale.division.get()).max(8.0 * scale.noise.get())).sum();
        if seconds < from || should < JUDGED_FROM.max(doubt) {
            return false;
        }
        let got: Option<f64> = weighed().map(|(bed, _)| bed.gained_now(seconds)).sum();
        got.is_some_and(|got| got < NO_GAIN * should)
    }

    /// A stand by which the valve is to be closed has not been heard for two periods.
    fn is_stale(&self, since: Mono, now: Mono) -> bool {
        self.beds.iter().any(|bed| {
            let Some(scale) = bed.scale else { return false };
            let heard = bed.heard().unwrap_or(since).max(since);
            now.since(heard) > patience(scale.period)
        })
    }

    /// When it wants to be asked again.
    #[must_use]
    pub fn next_wake(&self, now: Mono) -> Option<Mono> {
        match self.phase {
            Phase::Waiting { from } => Some(from),
            Phase::Over(_) => None,
            Phase::Settling { closed, .. } => Some(closed + self.settles_within()),
            Phase::Open { since, opening } => {
                let seconds = now.since(since).as_seconds();
                let cap = since + Span::seconds(i64::from(opening.cap));
                let planned = since + Span::from_seconds(opening.expected);
                if !self.is_closed_loop() {
                    return Some(cap.min(planned));
                }
                let pulse = since + self.rules.pulse;
                // Water does not wait for the next reading.
                let reached = now + Span::from_millis(millis_up(self.left(Some(seconds)).0));
                let reached = reached.max(since + Span::from_seconds(least(opening)));
                let stale = self.beds.iter().filter_map(|bed| {
                    let heard = bed.heard().unwrap_or(since).max(since);
                    bed.scale.map(|scale| heard + patience(scale.period) + Span::from_millis(1))
                });
                stale.chain([cap, pulse, reached]).min()
            }
        }
    }

    // ---- closed

    /// The order to close goes out.
    pub fn closes(&mut self, why: &WhyClose, now: Mono) {
        let Phase::Open { since, .. } = self.phase else { return };
        let open_for = now.since(since).as_seconds();
        let by_weight = matches!(why, WhyClose::Reached) && self.beds.len() == 1;
        let aimed = self.beds.first().filter(|_| by_weight).and_then(|bed| {
            let now = bed.now(open_for)?;
            Some(now + bed.in_flight.get())
        });
        self.open_time += open_for;
        if matches!(why, WhyClose::RunsThrough) {
            // Dry mix sheds water: less at a time, and more time to soak in.
            self.rules.pulse = Span::from_seconds((open_for / 2.0).max(SHORTEST));
            self.rules.rest = (self.rules.rest + self.rules.rest).min(LONGEST_REST).max(self.rules.rest);
            let left = self.left(None).0;
            self.planned = self.openings + whole((left / self.rules.pulse.as_seconds()).ceil());
        }
        self.barren = matches!(why, WhyClose::NoGain);
        self.cut_off = matches!(why, WhyClose::CutOff);
        self.disturbed |= matches!(why, WhyClose::Disturbed(_) | WhyClose::Slow | WhyClose::CutOff);
        if matches!(why, WhyClose::Disturbed(_) | WhyClose::CutOff) {
            self.ends = self.ends.or(Some(Ended::Fault));
        }
        self.phase = Phase::Settling { closed: now, open_for, aimed };
    }

    /// It is to end: at once while it waits, else when what has been poured has settled.
    pub fn stop(&mut self, ended: Ended) {
        self.ends = self.ends.or(Some(ended));
        if matches!(self.phase, Phase::Waiting { .. }) {
            self.phase = Phase::Over(ended);
        }
    }

    /// Takes over what was learned for the openings to come.
    pub fn learned(&mut self, place: usize, fit: super::FlowFit, in_flight: super::InFlight) {
        if let Some(bed) = self.beds.get_mut(place) {
            (bed.fit, bed.in_flight) = (fit, in_flight);
        }
    }
}

/// Nothing is expected in the first seconds: the valve swings, the hose fills.
const UNSEEN: f64 = 2.0;

/// So long it is open at least, however little is wanted: what is on its way then may be all of it, but something must be.
const fn least(opening: Opening) -> f64 {
    (0.5 * opening.expected).min(SHORTEST)
}

/// A quick stand is waited for so long.
fn patience(period: Span) -> Span {
    period + period + Span::seconds(1)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "small whole numbers, and a cast saturates"
)]
const fn whole(number: f64) -> u32 {
    number as u32
}

#[expect(clippy::cast_possible_truncation, reason = "a cast saturates, which is meant")]
fn millis_up(seconds: f64) -> i64 {
    (seconds * 1000.0).ceil().clamp(1.0, 86_400_000.0) as i64
}
