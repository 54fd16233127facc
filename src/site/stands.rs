//! The stands of a site: what they say, and what is on them.

use super::flats::Sent;
use super::orders::Pending;
use super::turn::Turn;
use super::{Output, Site, Subject};
use crate::alert::{Kind, Of, StandSigns, StandWatch, ZeroOff};
use crate::moment::{Moment, Span};
use crate::stand::{FlatScene, Health, Scene, Stand};
use crate::units::Grams;

/// One stand as the site keeps it.
#[derive(Debug)]
pub(super) struct Bench {
    pub stand: Stand,
    /// What is known around it; worked out anew when that changes, not for each reading.
    pub scene: Scene,
    /// The flat assigned to it.
    pub flat: Option<usize>,
    /// The weight now, moving or not.
    pub shown: Option<Grams>,
    pub sent: Sent,
    /// Commands that wait for it to stand still.
    pub pending: Vec<Pending>,
    /// Only while there is something to remember: most stands are well for weeks.
    pub watch: Option<Box<StandWatch>>,
    /// Flats that are to be weighed on it in turn, where it is shared.
    pub turn: Option<Box<Turn>>,
    /// The weight that was last taken for a flat's, while that lies there.
    pub last_taken: Option<Grams>,
    /// What was shown last, and the last of it that the one before agreed with: who lifts a flat off does not wait until a
    /// pour has come to rest.
    pub shown_last: Option<Grams>,
    pub rested: Option<Grams>,
    /// What lies there is not what is to be weighed next.
    pub waits_for_empty: bool,
    /// Its guest is known from before a restart, and nothing has told yet whether it still lies there.
    pub is_recalled: bool,
}

impl Bench {
    /// What it shows, as far as that is believed to be what lies there: while it has a fault, what was shown last is an old weight; and an
    /// empty one shows none.
    pub(super) fn believed(&self) -> Option<Grams> {
        self.shown.filter(|_| self.stand.live().is_some() && self.stand.is_loaded())
    }
}

impl Site {
    /// Works out anew what the stand's handling has to know.
    pub(super) fn refresh_scene(&mut self, stand: usize) {
        let water_comes =
            self.stands.get(stand).and_then(|bench| bench.flat).is_some_and(|flat| self.has_water_coming(flat));
        let Some(bench) = self.stands.get_mut(stand) else { return };
        let flat = bench.flat.and_then(|flat| Some((self.flats.get(flat)?, &self.plan.flats.get(flat)?.1)));
        bench.scene = Scene {
            valve_open: water_comes,
            soaking: flat.is_some_and(|(flat, _)| flat.kept.soak.is_some()),
            flat: flat.map(|(flat, settings)| FlatScene {
                dry: flat.band.map(|(band, _)| band.dry()),
                capacity: flat.band.map(|(band, _)| band.capacity()),
                plant: flat.plants(),
                fastest_drying: settings.fastest_drying,
                drying: flat.outlook.rate,
                dome_weight: flat.kept.dome_weight.or(settings.dome_weight),
                dome_on: flat.kept.dome_on,
                due_below: flat.due_below(),
                last_weight: flat.kept.weighed.map(|weighed| (weighed.weight, weighed.at.mono)),
            }),
        };
    }

    pub(super) fn publish_stand(&mut self, stand: usize) {
        let Some(bench) = self.stands.get_mut(stand) else { return };
        bench.sent.at = Some(self.now.mono);
        bench.sent.weight = bench.shown;
        bench.sent.stable = bench.stand.is_stable();
        bench.sent.first = bench.stand.reading_at().is_none();
        if !std::mem::replace(&mut bench.sent.queued, true) {
            self.out.push_back(Output::State(Subject::Stand(stand)));
        }
    }

    pub(super) fn stand_moved(&mut self, stand: usize) {
        let Some(bench) = self.stands.get(stand) else { return };
        let division = bench.stand.division();
        let is_first = bench.sent.first && bench.stand.reading_at().is_some();
        let came_to_rest = bench.stand.is_stable() && !bench.sent.stable;
        let paused = bench.sent.at.is_none_or(|at| self.now.mono.since(at) >= super::flats::LEAST_PAUSE);
        if bench.sent.is_outdone(bench.shown, None, division, self.now.mono) || ((came_to_rest || is_first) && paused) {
            self.publish_stand(stand);
        }
    }

    /// Silence, frozen readings, plateaus that are due, commands that have waited long enough; and a sign of life.
    pub(super) fn stand_wakes(&mut self, stand: usize) {
        self.hear(stand, |bench, at, said| {
            bench.stand.tick(at, &bench.scene, said);
            crate::stand::Heard::Ignored
        });
        self.give_up_waiting(stand);
        self.turn_ends(stand);
        self.judge_stand(stand);
        self.stand_moved(stand);
        self.wish_stand(stand);
    }

    pub(super) fn wish_stand(&mut self, stand: usize) {
        let Some(bench) = self.stands.get(stand) else { return };
        let sign_of_life = bench.sent.at.unwrap_or(self.now.mono) + super::flats::LONGEST_PAUSE;
        let waiting = bench
            .pending
            .iter()
            .map(|pending| {
                pending.as_it_was.filter(|at| *at > self.now.mono).map_or(pending.until, |at| at.min(pending.until))
            })
            .min();
        let at = [
            Some(sign_of_life),
            bench.stand.next_wake(),
            waiting,
            bench.watch.as_ref().and_then(|watch| watch.next_wake()),
            bench.turn.as_ref().map(|turn| turn.next_wake()),
        ]
        .into_iter()
        .flatten()
        .min();
        // Never at once again: a wish that turns out to have nothing to do must not turn in a circle.
        let soonest = self.now.mono + Span::from_millis(1);
        if let Some(at) = at {
            self.agenda.wish(Subject::Stand(stand), at.max(soonest));
        }
    }

    pub(super) fn judge_stand(&mut self, stand: usize) {
        let Some(bench) = self.stands.get(stand) else { return };
        let (silent, fault) = match bench.stand.health() {
            Health::Ok => (None, None),
            Health::Silent { since } => (Some(since), None),
            Health::Fault { fault, .. } => (None, Some(fault.to_string())),
        };
        let now = self.now;
        let heard = bench.stand.reading_at();
        let is_shared = self.plan.stands[stand].1.shared;
        let silent_since = silent.map(|since| heard.unwrap_or(Moment { mono: now.mono_at(since), wall: since }));
        let silent_since =
            silent_since.and_then(|since| if is_shared { self.missed_since(stand, since) } else { Some(since) });
        // One that says itself that it is gone counts as silent before its time; a shared one may be asleep when its round begins.
        let waited =
            silent_since.filter(|_| !is_shared).map_or(bench.stand.stale_after(), |since| now.mono.since(since.mono));
        let signs = StandSigns {
            at: self.now,
            stand: &self.plan.stands[stand].0,
            flat: bench.flat.map(|flat| self.plan.flats[flat].1.label.as_str()),
            silent_since,
            stale_after: bench.stand.stale_after().min(waited),
            fault,
            uneven: bench.stand.unevenness(),
            moved_zero: bench.stand.moved_zero().map(|moved| ZeroOff { was: moved.was, reads: moved.reads }),
            words: self.plan.words,
            on_auto_valve: bench.flat.is_some_and(|flat| self.is_on_auto_valve(flat)),
        };
        let mut watch = bench.watch.as_deref().cloned().unwrap_or_default();
        let mut changes = Vec::new();
        if silent.is_some() && signs.silent_since.is_none() {
            let reason = "nothing is to be weighed on it now";
            changes.extend(self.board.clear(Kind::StandSilent, Of::Stand(stand), reason));
        }
        changes.extend(crate::alert::judge_stand(&signs, &mut watch, &mut self.board, stand));
        self.stands[stand].watch = (watch != StandWatch::default()).then(|| Box::new(watch));
        self.carry_out(changes);
    }

    /// Since when a shared scale that is silent has been missed: many speak or are switched on only while they are used. `None`: nobody
    /// waits for it, and nothing lies on it.
    fn missed_since(&self, stand: usize, silent: Moment) -> Option<Moment> {
        let bench = self.stands.get(stand)?;
        match bench.turn.as_deref() {
            Some(turn) if turn.begun.mono > silent.mono => Some(turn.begun),
            Some(_) => Some(silent),
            None => bench.flat.map(|_| silent),
        }
    }
}
