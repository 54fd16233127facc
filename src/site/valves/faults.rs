//! What goes wrong with a valve: locks that only a person opens, and the alerts.

use super::super::{Happening, Site, Subject};
use super::kept::Fault;
use crate::alert::{Kind, Of, Severity, Wording};
use crate::moment::Moment;
use crate::units::Millilitres;
use crate::watering::{Ended, LimitedBy};

/// Under this share of its learned flow it is clogged; under half of it nothing waters through it.
const CLOGGED: f64 = 0.8;
const CLOGGED_NO_MORE: f64 = 0.87;
const BLOCKED: f64 = 0.5;

impl Site {
    /// Locks a valve for a fault of its own; nothing but `unlock` opens it.
    pub(super) fn lock(&mut self, index: usize, kind: Kind, text: String) {
        // A graver fault takes the place of one that was told before.
        let fault = self.valves[index].kept.fault.as_ref();
        let is_graver = fault.is_none_or(|fault| kind == Kind::StaysOpen && fault.kind != kind);
        if !is_graver && self.board.is_raised(kind, Of::Valve(index)) {
            // It goes on: whoever finds it again and again must not be woken for it again.
            return;
        }
        let severity = if kind == Kind::StaysOpen { Severity::Critical } else { Severity::Warning };
        self.raise_valve(index, kind, severity, None, &locked(kind, &text));
        let (at, valve) = (self.now.wall, &mut self.valves[index]);
        if is_graver {
            valve.kept.fault = Some(Fault { kind, text: text.clone(), since: at });
            self.event(Subject::Valve(index), Happening::Locked { reason: kind.name(), text });
        }
        self.keep(Subject::Valve(index));
        self.publish_valve(index);
        self.agenda.wish(Subject::Valve(index), self.now.mono + crate::moment::Span::from_millis(1));
    }

    fn raise_valve(&mut self, index: usize, kind: Kind, severity: Severity, value: Option<f64>, text: &str) {
        let (at, id) = (self.now, self.id(Subject::Valve(index)).to_owned());
        let words = || Wording { title: title(kind, &id), text: wording(kind, &id, text) };
        let change = self.board.raise(kind, Of::Valve(index), severity, value, at, words);
        self.carry_out(change.into_iter().collect());
    }

    pub(super) fn clear_valve(&mut self, index: usize, kind: Kind, reason: &str) {
        let change = self.board.clear(kind, Of::Valve(index), reason);
        self.carry_out(change.into_iter().collect());
    }

    /// Water goes on though it was ordered closed: closed again, its master too, and whoever is near is told.
    pub(in crate::site) fn stays_open(&mut self, index: usize, text: String) {
        self.lock(index, Kind::StaysOpen, text);
        self.stop_run(index, Ended::Fault);
        self.order_close(index);
        self.close_master_of(index);
    }

    /// Nothing has been heard of it since the start. It opens for nobody before its report comes, so there is nothing for a person to unlock.
    pub(super) fn never_heard(&mut self, index: usize) {
        let text = "it was ordered closed at the start, and has reported nothing since. It opens for nobody before it does. Is it on, and is its \
                    `report` topic right?";
        self.raise_valve(index, Kind::NoAnswer, Severity::Warning, None, text);
    }

    /// A person has looked.
    pub(super) fn unlock(&mut self, index: usize) -> Result<(), String> {
        let valve = &mut self.valves[index];
        let Some(fault) = valve.kept.fault.take() else {
            return Err(format!("{} is not locked by a fault", self.id(Subject::Valve(index))));
        };
        for way in &mut valve.kept.ways {
            way.fit.accept();
        }
        for kind in [Kind::NoGain, Kind::NoAnswer, Kind::Clogged, Kind::StaysOpen] {
            self.clear_valve(index, kind, "a person has looked and unlocked it");
        }
        self.event(Subject::Valve(index), Happening::Unlocked { reason: fault.kind.name() });
        // Closed once more before it is trusted; one whose report says closed may say nothing to that.
        if self.plan.valves[index].mode != crate::watering::Mode::Advise {
            self.order_close(index);
        }
        self.keep(Subject::Valve(index));
        Ok(())
    }

    /// What an opening, and the flow as learned since, show against what had been learned first.
    pub(super) fn judge_flow(&mut self, index: usize, share: Option<f64>) {
        if share.is_some_and(|share| share < BLOCKED) {
            let percent = share.unwrap_or_default() * 100.0;
            let text = format!("it gave {percent:.0} % of the water that it used to give in that time");
            self.lock(index, Kind::Clogged, text);
            return;
        }
        // One valve is judged by the worst of its emitters, so that they do not call each other off.
        let ways = &self.valves[index].kept.ways;
        let worst = ways.iter().filter_map(|way| way.fit.drift()).min_by(f64::total_cmp);
        let Some(drift) = worst else { return };
        if drift < CLOGGED {
            let text = format!("its flow has fallen to {:.0} % of what it was", drift * 100.0);
            self.raise_valve(index, Kind::Clogged, Severity::Notice, Some(drift), &text);
        } else if drift > CLOGGED_NO_MORE && self.valves[index].kept.fault.is_none() {
            self.clear_valve(index, Kind::Clogged, "it gives what it used to give");
        }
    }

    pub(super) fn cut_short_by_the_day(&mut self, index: usize) {
        let most = self.max_per_day(index).unwrap_or(Millilitres::ZERO);
        let text = format!("it may give {} in any 24 hours, and has", self.plan.words.volume(most));
        self.raise_valve(index, Kind::DailyLimit, Severity::Warning, None, &text);
    }

    /// Ends `daily-limit` once there is water left for what is wanted.
    pub(super) fn look_at_the_day(&mut self, index: usize) {
        if !self.board.is_raised(Kind::DailyLimit, Of::Valve(index)) {
            return;
        }
        let plan = self.valves[index].plan.as_ref();
        let is_wanted = self.fed(index).is_some_and(|fed| fed.iter().any(|fed| fed.due));
        let is_enough = match plan {
            Some((_, plan)) => plan.limited_by != LimitedBy::MaxPerDay,
            None => !is_wanted && self.left_today(index).is_some_and(|left| left > Millilitres::ZERO),
        };
        if is_enough && self.valves[index].run.is_none() {
            self.clear_valve(index, Kind::DailyLimit, "what is wanted fits into the day again");
        }
    }

    pub(super) fn recall_fault(&mut self, index: usize) {
        // The alert is kept by itself; a lock without one, as from a store that lost it, is told anew.
        let fault = self.valves[index].kept.fault.clone();
        if let Some(Fault { kind, text, since }) = fault
            && !self.board.is_raised(kind, Of::Valve(index))
        {
            let severity = if kind == Kind::StaysOpen { Severity::Critical } else { Severity::Warning };
            let at = Moment { wall: since, mono: self.now.mono };
            let id = self.id(Subject::Valve(index)).to_owned();
            let words = || Wording { title: title(kind, &id), text: wording(kind, &id, &locked(kind, &text)) };
            let change = self.board.raise(kind, Of::Valve(index), severity, None, at, words);
            self.carry_out(change.into_iter().collect());
        }
    }
}

fn title(kind: Kind, valve: &str) -> String {
    match kind {
        Kind::NoGain => format!("{valve} gives no water"),
        Kind::NoAnswer => format!("{valve} does not answer"),
        Kind::Clogged => format!("{valve} gives less than it did"),
        Kind::StaysOpen => format!("{valve} stays open"),
        Kind::DailyLimit => format!("{valve} has given its water for today"),
        _ => format!("{valve}: {}", kind.name()),
    }
}

/// With what a lock means, where the alert says nothing else to do.
fn locked(kind: Kind, text: &str) -> String {
    if !matches!(kind, Kind::NoGain | Kind::NoAnswer) {
        return text.to_owned();
    }
    let stop = if text.ends_with(['.', '?']) { "" } else { "." };
    format!("{text}{stop} It waters nothing until somebody has looked and sent it `unlock`.")
}

fn wording(kind: Kind, valve: &str, text: &str) -> String {
    let stop = if text.ends_with(['.', '?']) { "" } else { "." };
    let first = format!("{valve}: {text}{stop}");
    match kind {
        Kind::StaysOpen => {
            format!("{first} Shut the tap by hand now, look at the valve and the floor, and then send it `unlock`.")
        }
        Kind::Clogged => format!("{first} Look at the filter, the hose and the emitters."),
        _ => first,
    }
}
