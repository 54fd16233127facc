//! What happens to stands and to the broker.

use super::act::{Deed, Trouble};
use super::cell::Until;
use super::house::{Event, House};
use super::random::Random;
use super::sent::Message;
use crate::moment::Span;

const DAY: f64 = 86_400.0;
const WEEK: f64 = 7.0 * DAY;

/// What happens to a stand again and again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Recurs {
    Bump,
    Freeze,
    Silence,
    Restart,
}

impl House {
    pub(super) fn begin_troubles(&mut self, outages_per_week: f64) {
        for stand in 0..self.stands.len() {
            for recurs in [Recurs::Bump, Recurs::Freeze, Recurs::Silence, Recurs::Restart] {
                self.wait_for(stand, recurs);
            }
        }
        if outages_per_week > 0.0 {
            self.mean_outage_gap = Some(WEEK / outages_per_week);
            self.wait_for_outage();
        }
    }

    fn wait_for(&mut self, place: usize, recurs: Recurs) {
        let Some(stand) = self.stands.get_mut(place) else { return };
        let plan = &stand.cell.plan;
        let (times, within) = match recurs {
            Recurs::Bump => (plan.bumps_per_day, DAY),
            Recurs::Freeze => (plan.freezes_per_week, WEEK),
            Recurs::Silence => (plan.silences_per_week, WEEK),
            Recurs::Restart => (plan.restarts_per_week, WEEK),
        };
        if times > 0.0 {
            let gap = Span::from_seconds(stand.troubles.wait(within / times));
            self.plan(self.now + gap, Event::Recurs(place, recurs));
        }
    }

    pub(super) fn recur(&mut self, place: usize, recurs: Recurs) {
        let Some(stand) = self.stands.get_mut(place) else { return };
        let random = &mut stand.troubles;
        let trouble = match recurs {
            Recurs::Bump => bump(random),
            Recurs::Freeze => Trouble::Freeze { lasts: lasting(random, 1200.0, 21_600.0) },
            Recurs::Silence => Trouble::Silence { lasts: lasting(random, 300.0, 10_800.0) },
            Recurs::Restart => Trouble::Restart { lasts: lasting(random, 5.0, 60.0) },
        };
        self.trouble(place, trouble);
        self.wait_for(place, recurs);
    }

    pub(super) fn trouble(&mut self, place: usize, trouble: Trouble) -> bool {
        let now = self.now;
        self.bring_stand(place, now);
        let Some(stand) = self.stands.get_mut(place) else { return false };
        let cell = &mut stand.cell;
        match trouble {
            Trouble::Bump { grams, lasts } => cell.bump = Some(Until { what: grams, until: now + lasts }),
            Trouble::Shift { grams } => cell.shift += grams,
            Trouble::Load { grams } => cell.other_load = grams,
            Trouble::Freeze { lasts } => {
                // One that comes while it is frozen does not thaw it earlier.
                let until = cell.frozen.map_or(now + lasts, |frozen| frozen.until.max(now + lasts));
                cell.frozen = Some(Until { what: (), until });
            }
            Trouble::Shake { factor, lasts } => cell.shaken = Some(Until { what: factor, until: now + lasts }),
            Trouble::Garble { glitch, lasts } => cell.garbled = Some(Until { what: glitch, until: now + lasts }),
            Trouble::Silence { lasts } => self.fall_silent(place, lasts, Event::Online(place)),
            Trouble::Restart { lasts } => self.fall_silent(place, lasts, Event::Restarted(place)),
        }
        self.note(Deed::Stand { stand: place, trouble });
        true
    }

    fn fall_silent(&mut self, place: usize, lasts: Span, then: Event) {
        let until = self.now + lasts;
        if let Some(stand) = self.stands.get_mut(place) {
            let until = stand.cell.silent.map_or(until, |silent| silent.until.max(until));
            stand.cell.silent = Some(Until { what: (), until });
        }
        self.announce(place, false);
        self.plan(until, then);
    }

    pub(super) fn restarted(&mut self, place: usize) {
        let now = self.now;
        self.bring_stand(place, now);
        if let Some(stand) = self.stands.get_mut(place)
            && stand.cell.plan.tares
        {
            stand.cell.tare();
        }
        self.online(place);
    }

    pub(super) fn online(&mut self, place: usize) {
        if self.stands.get(place).is_some_and(|stand| !stand.cell.is_silent(self.now)) {
            self.announce(place, true);
        }
    }

    fn announce(&mut self, place: usize, online: bool) {
        if let Some(stand) = self.stands.get_mut(place)
            && stand.cell.plan.announces
        {
            self.post.send(&mut stand.line, self.now, Message::Available { stand: place, online, retained: false });
        }
    }

    fn wait_for_outage(&mut self) {
        if let Some(mean) = self.mean_outage_gap {
            let gap = Span::from_seconds(self.broker.wait(mean));
            self.plan(self.now + gap, Event::BrokerGoesByItself);
        }
    }

    pub(super) fn broker_goes_by_itself(&mut self) {
        let lasts = lasting(&mut self.broker, 10.0, 1800.0);
        self.broker_goes(lasts);
        self.wait_for_outage();
    }

    pub(super) fn broker_goes(&mut self, lasts: Span) {
        self.note(Deed::BrokerGone);
        let until = self.now + lasts;
        self.post.lose(self.now, until);
        self.plan(until, Event::BrokerReturns);
    }

    /// Whoever listens is connected again, and gets what the broker kept.
    pub(super) fn broker_returns(&mut self) {
        if self.post.back_at().is_some_and(|until| self.now >= until) {
            self.post.come_back(self.now);
            self.note(Deed::BrokerBack);
            self.bring_what_was_kept();
        }
    }

    pub(super) fn bring_what_was_kept(&mut self) {
        let now = self.now;
        for (place, stand) in self.stands.iter().enumerate() {
            if stand.cell.plan.announces {
                let online = !stand.cell.is_silent(now);
                self.post.say(now, Message::Available { stand: place, online, retained: true });
            }
            if let Some(value) = stand.kept {
                self.post.say(now, Message::Reading { stand: place, value, retained: true });
            }
        }
        for (place, valve) in self.valves.iter().enumerate() {
            if let Some(open) = valve.reported {
                self.post.say(now, Message::Report { valve: place, open, retained: true });
            }
        }
    }
}

fn bump(random: &mut Random) -> Trouble {
    let push = random.between(50.0, 500.0);
    let up = random.chance(0.5);
    Trouble::Bump { grams: if up { -push } else { push }, lasts: lasting(random, 0.2, 20.0) }
}

fn lasting(random: &mut Random, least: f64, most: f64) -> Span {
    Span::from_seconds(random.scale(least, most))
}
