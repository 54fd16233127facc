//! The valves of a site: what each would pour now, and why it may not.

mod account;
mod changed;
mod commands;
mod device;
mod faults;
mod kept;
mod pouring;
mod settling;
mod situation;
mod supplies;
mod unattended;

pub(super) use kept::SupplyKept;

use super::{Locked, Output, PlanState, PulseState, ShareState, Site, Subject, ValveState, decimals};
use crate::alert::Kind;
use crate::flat::Condition;
use crate::moment::{Mono, Span, Wall};
use crate::stand::Health;
use crate::units::{Fraction, Grams, Millilitres};
use crate::watering::{Fed, Mode, Plan as Watering};
use device::Device;
use kept::ValveKept;
use pouring::Run;

/// One valve as the site keeps it.
#[derive(Debug, Default)]
pub(super) struct Valve {
    /// What survives.
    kept: ValveKept,
    /// What is known of the valve itself.
    device: Device,
    /// Its own connection is up.
    link: bool,
    /// Which of its `never_while` topics hold it.
    held: Vec<bool>,
    /// A watering under way.
    run: Option<Run>,
    /// Since when its plan is due.
    due_since: Option<Mono>,
    /// The store could not be written when it was last asked to.
    journal_failed: Option<Mono>,
    /// When it was last ordered open, or seen open.
    last_open: Option<Mono>,
    /// Until when the last order lets it be open.
    may_be_open_until: Option<Mono>,
    /// Its plan, with a number that stays while there is one.
    plan: Option<(u64, Watering)>,
    locked: Option<Lock>,
    sent: Option<Mono>,
    sent_volume: Option<Millilitres>,
    queued: bool,
}

/// A plan, or what has been poured, is told again when it has changed by so much.
const TOLD_APART: Millilitres = Millilitres::new(5.0);

impl Valve {
    /// What a watering has poured so far, else what its plan would.
    fn volume_to_tell(&self, now: Mono) -> Option<Millilitres> {
        let poured = self.run.as_ref().map(|run| run.pour.delivered(now));
        poured.or_else(|| self.plan.as_ref().map(|(_, plan)| plan.volume))
    }

    /// Whether that is to be told anew.
    fn has_moved(&self, now: Mono) -> bool {
        let moved = self.sent_volume.zip(self.volume_to_tell(now)).map(|(sent, volume)| (volume - sent).abs());
        let paused = self.sent.is_none_or(|sent| now.since(sent) >= super::flats::LEAST_PAUSE);
        paused && moved.is_some_and(|moved| moved >= TOLD_APART)
    }
}

/// Why a valve may not open; goes when the reason goes.
#[derive(Debug, Clone, PartialEq)]
struct Lock {
    reason: &'static str,
    text: String,
    since: Wall,
}

impl Site {
    /// Works out anew what the valve of this flat would pour, and tells it where that has changed.
    pub(super) fn replan(&mut self, flat: usize) {
        if let Some(valve) = self.valve_of(flat) {
            self.replan_valve(valve);
        }
    }

    fn replan_valve(&mut self, index: usize) {
        self.drive(index);
        let locked = self.reason_to_lock(index);
        let is_running = self.valves.get(index).is_some_and(|valve| valve.run.is_some());
        let watering = if locked.is_some() || is_running { None } else { self.work_out(index) };
        let now = self.now;
        let Some(valve) = self.valves.get_mut(index) else { return };

        let was_due = valve.plan.as_ref().map(|(_, plan)| plan.due);
        let due = watering.as_ref().map(|plan| plan.due);
        let was_locked = valve.locked.as_ref().map(|lock| lock.reason);
        let number = valve.plan.as_ref().map(|(number, _)| *number);
        let fault_since = valve.kept.fault.as_ref().map(|fault| fault.since);
        valve.locked = locked.map(|(reason, text)| {
            let before = valve.locked.as_ref().filter(|lock| lock.reason == reason).map(|lock| lock.since);
            let since = fault_since.or(before).unwrap_or(now.wall);
            Lock { reason, text, since }
        });
        valve.plan = watering.map(|plan| {
            let number = number.unwrap_or_else(|| {
                self.plans_made += 1;
                self.plans_made
            });
            (number, plan)
        });

        let lock_changed = was_locked != valve.locked.as_ref().map(|lock| lock.reason);
        let turned = was_due != due || lock_changed;
        if turned || valve.has_moved(now.mono) {
            self.publish_valve(index);
        }
        if lock_changed {
            self.tell_fed_flats(index);
        }
        self.note_due(index, due == Some(true));
        self.look_at_the_day(index);
        self.water_by_itself(index);
    }

    /// The states of the flats on a valve say whether it is locked.
    fn tell_fed_flats(&mut self, index: usize) {
        let plan = self.plan.clone();
        for feed in &plan.valves[index].feeds {
            let Some(flat) = self.flats.get_mut(feed.flat) else { continue };
            if flat.sent.at.is_some() && !std::mem::replace(&mut flat.sent.queued, true) {
                flat.sent.at = Some(self.now.mono);
                self.out.push_back(Output::State(Subject::Flat(feed.flat)));
            }
        }
    }

    pub(super) fn publish_valve(&mut self, index: usize) {
        let now = self.now.mono;
        let Some(valve) = self.valves.get_mut(index) else { return };
        valve.sent = Some(now);
        valve.sent_volume = valve.volume_to_tell(now);
        if !std::mem::replace(&mut valve.queued, true) {
            self.out.push_back(Output::State(Subject::Valve(index)));
        }
        self.agenda.wish(Subject::Valve(index), now + super::flats::LONGEST_PAUSE);
    }

    pub(super) fn valve_wakes(&mut self, index: usize) {
        self.device_wakes(index);
        self.replan_valve(index);
        self.wish_valve(index);
        let sent = self.valves.get(index).and_then(|valve| valve.sent);
        match sent {
            Some(sent) if self.now.mono.since(sent) < super::flats::LONGEST_PAUSE => {
                self.agenda.wish(Subject::Valve(index), sent + super::flats::LONGEST_PAUSE);
            }
            _ => self.publish_valve(index),
        }
    }

    pub(super) fn valve_polled(&mut self, index: usize) {
        if let Some(valve) = self.valves.get_mut(index) {
            valve.queued = false;
        }
    }

    fn work_out(&self, index: usize) -> Option<Watering> {
        let settings = self.plan.valves.get(index)?;
        crate::watering::plan(&self.fed(index)?, settings, self.left_today(index))
    }

    /// The flats on a valve as they stand; `None` while one of them is unknown.
    fn fed(&self, index: usize) -> Option<Vec<Fed>> {
        let (settings, valve) = (self.plan.valves.get(index)?, self.valves.get(index)?);
        let of = |(feed, way): (&crate::watering::Feed, &kept::Way)| {
            let flat = self.flats.get(feed.flat)?;
            let (band, _) = flat.band?;
            Some(Fed {
                flat: feed.flat,
                flow: way.fit.flow(),
                water: flat.water()?,
                band: band.width(),
                target: flat.limits.target,
                high: flat.limits.high - self.may_be_water(feed.flat, band.width()),
                due: self.is_due(feed.flat, index),
            })
        };
        settings.feeds.iter().zip(&valve.kept.ways).map(of).collect()
    }

    /// A dome that nobody has said to be on may be water: by so much less is a flat filled until somebody says so, or it goes off again.
    fn may_be_water(&self, flat: usize, band: Grams) -> Fraction {
        let guessed = self.flats.get(flat).filter(|flat| flat.kept.dome_guess.is_some());
        Fraction::new(guessed.map_or(0.0, |flat| flat.dome / band))
    }

    /// What may still be poured of the day's volume; `None` before it can be said.
    fn left_today(&self, index: usize) -> Option<Millilitres> {
        let most = self.max_per_day(index)?;
        let left = (most - self.of_the_day(index)).max(Millilitres::ZERO);
        Some(self.left_for_unweighed(index).map_or(left, |unweighed| left.min(unweighed)))
    }

    /// What the valve has given in 24 hours: what was settled, what may have come of an opening whose end is unknown, and what
    /// somebody else lets run.
    fn of_the_day(&self, index: usize) -> Millilitres {
        let Some(valve) = self.valves.get(index) else { return Millilitres::ZERO };
        let open = valve.kept.entry.as_ref().map_or(Millilitres::ZERO, |entry| entry.most);
        valve.kept.of_the_day(self.now) + open + self.foreign_so_far(index)
    }

    /// Due or dry, or will be before the valve's next hours.
    fn is_due(&self, flat: usize, valve: usize) -> bool {
        let flat = &self.flats[flat];
        if matches!(flat.kept.condition, Condition::Due | Condition::Dry) {
            return true;
        }
        let Some((opens, _)) = self.plan.valves[valve].hours else { return false };
        let next = self.plan.zone.next(self.now.wall, opens);
        flat.outlook.due.is_some_and(|due| due.at.wall < next)
    }

    /// What is published as its lock: a fault first, then what goes by itself.
    fn reason_to_lock(&self, index: usize) -> Option<(&'static str, String)> {
        if let Some(fault) = self.valves.get(index).and_then(|valve| valve.kept.fault.as_ref()) {
            return Some((fault.kind.name(), fault.text.clone()));
        }
        let lasting = |objection: &crate::watering::Objection| {
            matches!(objection.passing, crate::watering::Passing::Later) && objection.reason != "hours"
        };
        let situation = self.situation(index, true, false);
        if situation.mode == Mode::Advise {
            return situation.flat;
        }
        let objection = crate::watering::objection(&situation).filter(lasting)?;
        Some((objection.reason, objection.text))
    }

    fn reason_against_any(&self, index: usize) -> Option<(&'static str, String)> {
        let feeds = &self.plan.valves.get(index)?.feeds;
        feeds.iter().find_map(|feed| self.reason_against(feed.flat))
    }

    /// Why no valve may water this flat now.
    fn reason_against(&self, index: usize) -> Option<(&'static str, String)> {
        let flat = self.flats.get(index)?;
        let label = &self.plan.flats[index].1.label;
        if let Some(misfit) = &flat.kept.misfit {
            return Some((Kind::FlatChanged.name(), format!("{label}: {misfit}")));
        }
        if flat.kept.off_since.is_some() {
            return Some((Kind::FlatAbsent.name(), format!("{label} is off its stand")));
        }
        let health = flat.stand.and_then(|stand| self.stands.get(stand)).map(|bench| bench.stand.health());
        match health {
            Some(Health::Silent { .. }) => {
                return Some((Kind::StandSilent.name(), format!("the stand of {label} is silent")));
            }
            Some(Health::Fault { fault, .. }) => {
                return Some((Kind::StandFault.name(), format!("the stand of {label} has a fault: {fault}")));
            }
            _ => {}
        }
        (flat.kept.condition == Condition::Unknown)
            .then(|| ("unknown", format!("nobody can say how much water is left in {label}")))
    }

    pub(super) fn valve_of(&self, flat: usize) -> Option<usize> {
        self.plan.valves.iter().position(|valve| valve.feeds.iter().any(|feed| feed.flat == flat))
    }

    pub(super) fn is_on_auto_valve(&self, flat: usize) -> bool {
        self.valve_of(flat).is_some_and(|valve| self.plan.valves[valve].mode == Mode::Auto)
    }

    pub(super) fn locked_state(&self, valve: usize) -> Option<Locked> {
        let lock = self.valves.get(valve)?.locked.as_ref()?;
        Some(Locked {
            reason: lock.reason,
            text: lock.text.clone(),
            since: self.stamp(lock.since),
            needs_unlock: self.valves.get(valve)?.kept.fault.is_some(),
        })
    }

    /// A valve's state as published; `None` for one that is not in the plan.
    #[must_use]
    pub fn valve_state(&self, index: usize) -> Option<ValveState<'_>> {
        let settings = self.plan.valves.get(index)?;
        let valve = self.valves.get(index)?;
        Some(ValveState {
            valve: &settings.id,
            time: self.stamp(self.now.wall),
            mode: settings.mode.name(),
            state: self.shown_state(index),
            flow_ml_per_min: decimals(valve.kept.flow().in_ml_per_min(), 1),
            last_24h_ml: decimals(self.of_the_day_so_far(index).get(), 1),
            max_per_day_ml: self.max_per_day(index).map(|volume| decimals(volume.get(), 1)),
            plan: valve.plan.as_ref().map(|(number, plan)| self.plan_state(*number, plan)),
            watering: self.watering_state(index),
            locked: self.locked_state(index),
        })
    }

    /// As configured; else one band per flat fed, once all of them are known.
    fn max_per_day(&self, index: usize) -> Option<Millilitres> {
        let settings = self.plan.valves.get(index)?;
        settings.max_per_day.or_else(|| {
            let bands = settings.feeds.iter().map(|feed| Some(self.flats.get(feed.flat)?.band?.0.width().of_water()));
            bands.sum()
        })
    }

    fn plan_state(&self, number: u64, plan: &Watering) -> PlanState<'_> {
        PlanState {
            id: format!("p-{number}"),
            due: plan.due,
            volume_ml: decimals(plan.volume.get(), 1),
            run_time_s: whole_seconds(plan.run),
            limited_by: plan.limited_by.name(),
            pulses: plan
                .pulses
                .iter()
                .map(|pulse| PulseState { run_s: whole_seconds(pulse.run), rest_s: whole_seconds(pulse.rest) })
                .collect(),
            flats: plan
                .flats
                .iter()
                .map(|share| ShareState {
                    flat: self.id(Subject::Flat(share.flat)),
                    to_target_ml: decimals(share.to_target.get(), 1),
                    gets_ml: decimals(share.gets.get(), 1),
                    fraction_after: Fraction::rounded(share.after).get(),
                })
                .collect(),
        }
    }
}

/// Run times are whole seconds already; a part of one counts as one.
fn whole_seconds(span: Span) -> i64 {
    (span.millis() + 999) / 1000
}
