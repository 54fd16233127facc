//! Where the water comes from: one valve of a supply at a time, its master, and what is left in it.

use super::super::{Output, Site, Subject, ValveOrder};
use super::device::Device;
use crate::alert::{Kind, Of, Severity, Wording};
use crate::moment::Span;
use crate::units::Millilitres;
use crate::watering::MASTER_LONGER;

/// A level so much above the one before was filled up.
const FILLED: f64 = 1.1;

impl Site {
    fn supply_of(&self, index: usize) -> Option<usize> {
        self.plan.valves.get(index)?.supply
    }

    fn master_of(&self, index: usize) -> Option<usize> {
        self.plan.supplies.get(self.supply_of(index)?)?.master
    }

    /// Another valve of the same supply that is not known to be closed.
    pub(super) fn other_on_the_supply(&self, index: usize) -> Option<String> {
        let supply = self.supply_of(index)?;
        let others = self.plan.valves.iter().enumerate();
        others
            .filter(|(other, settings)| *other != index && settings.supply == Some(supply))
            .filter(|(_, settings)| settings.mode != crate::watering::Mode::Advise)
            .find(|(other, _)| {
                self.valves.get(*other).is_some_and(|valve| {
                    !valve.device.is_closed()
                        || valve.run.is_some()
                            && valve
                                .run
                                .as_ref()
                                .is_some_and(|run| matches!(run.pour.phase(), crate::watering::Phase::Open { .. }))
                })
            })
            .map(|(_, settings)| settings.id.clone())
    }

    /// Another valve of the same supply that waters, be it between two pulses.
    pub(super) fn waters_from_the_supply(&self, index: usize) -> Option<String> {
        let supply = self.supply_of(index)?;
        let others = self.plan.valves.iter().enumerate();
        others
            .filter(|(other, settings)| *other != index && settings.supply == Some(supply))
            .find(|(other, _)| self.valves.get(*other).is_some_and(|valve| valve.run.is_some()))
            .map(|(_, settings)| settings.id.clone())
    }

    /// Whoever has waited for the supply may have its turn.
    pub(super) fn hand_on_the_supply(&mut self, index: usize) {
        let Some(supply) = self.supply_of(index) else { return };
        for other in (0..self.valves.len()).filter(|other| *other != index) {
            if self.plan.valves[other].supply == Some(supply) {
                self.agenda.wish(Subject::Valve(other), self.now.mono + Span::seconds(2));
            }
        }
    }

    pub(super) fn is_master_linked(&self, index: usize) -> bool {
        self.master_of(index).is_none_or(|master| self.valves.get(master).is_some_and(|master| master.link))
    }

    pub(super) fn fault_of_master(&self, index: usize) -> Option<(&'static str, String)> {
        let master = self.master_of(index)?;
        let fault = self.valves.get(master)?.kept.fault.as_ref()?;
        Some((fault.kind.name(), format!("{}: {}", self.id(Subject::Valve(master)), fault.text)))
    }

    /// Its report says that the master is open, or nothing reports.
    pub(super) fn is_master_open(&self, index: usize) -> bool {
        let master = self.master_of(index).and_then(|master| self.valves.get(master));
        master.is_none_or(|master| matches!(master.device, Device::Open { .. }))
    }

    /// Orders the master open, if there is one.
    pub(super) fn open_master_for(&mut self, index: usize, seconds: u32) -> bool {
        let Some(master) = self.master_of(index) else { return false };
        let longer = u32::try_from(MASTER_LONGER.millis() / 1000).unwrap_or(0);
        self.order_open(master, seconds.saturating_add(longer));
        self.wish_valve(master);
        true
    }

    /// Orders the master of a valve closed, once none that it serves is open.
    pub(super) fn close_master_of(&mut self, index: usize) {
        let (Some(supply), Some(master)) = (self.supply_of(index), self.master_of(index)) else { return };
        // One that is to be closed, and does not say that it is, needs no water any more.
        let serves = |(other, settings): (usize, &crate::watering::ValveSettings)| {
            settings.supply == Some(supply)
                && self.valves.get(other).is_some_and(|valve| {
                    valve.kept.fault.is_none() && valve.run.as_ref().is_some_and(super::Run::needs_its_master)
                })
        };
        let is_needed = self.plan.valves.iter().enumerate().any(serves);
        let is_open = matches!(self.valves[master].device, Device::Opening { .. } | Device::Open { .. });
        if is_open && !is_needed {
            self.order_close(master);
            self.wish_valve(master);
        }
    }

    // ---- what is left

    /// The name of a supply that is empty as counted.
    pub(super) fn empty_supply(&self, index: usize) -> Option<String> {
        let supply = self.supply_of(index)?;
        let left = self.supplies.get(supply)?.left?;
        (left <= Millilitres::ZERO).then(|| self.plan.supplies[supply].id.clone())
    }

    pub(super) fn take_from_supply(&mut self, index: usize, volume: Millilitres) {
        let Some(supply) = self.supply_of(index) else { return };
        let Some(left) = self.supplies.get_mut(supply).and_then(|supply| supply.left.as_mut()) else { return };
        let before = *left;
        *left = (before - volume).max(Millilitres::ZERO);
        self.level_changed(supply, Some(before));
    }

    pub(in crate::site) fn level(&mut self, supply: usize, left: Millilitres) {
        let Some(kept) = self.supplies.get_mut(supply) else { return };
        let before = kept.left.replace(left.max(Millilitres::ZERO));
        if before.is_none_or(|before| left > before * FILLED) {
            self.flows_anew(supply);
        }
        self.level_changed(supply, before);
    }

    /// An empty tank locks its valves, and a filled one frees them: they are looked at at once.
    fn level_changed(&mut self, supply: usize, before: Option<Millilitres>) {
        self.keep(Subject::Supply(supply));
        self.judge_supply(supply);
        let is_empty = |left: Option<Millilitres>| left.is_some_and(|left| left <= Millilitres::ZERO);
        if is_empty(before) == is_empty(self.supplies.get(supply).and_then(|kept| kept.left)) {
            return;
        }
        for valve in (0..self.plan.valves.len()).filter(|&valve| self.plan.valves[valve].supply == Some(supply)) {
            self.agenda.wish(Subject::Valve(valve), self.now.mono);
        }
    }

    /// A fuller tank gives faster: what its valves give is to be learned again, and nothing is taken for a fault that differs from before.
    fn flows_anew(&mut self, supply: usize) {
        for (index, settings) in self.plan.clone().valves.iter().enumerate() {
            if settings.supply == Some(supply) {
                self.valves[index].kept.ways.iter_mut().for_each(super::kept::Way::of_a_fuller_tank);
                self.keep(Subject::Valve(index));
            }
        }
    }

    pub(super) fn refilled(&mut self, supply: usize, volume: Option<Millilitres>) -> Result<Millilitres, String> {
        let Some(settings) = self.plan.supplies.get(supply) else { return Err("there is no such supply".to_owned()) };
        let holds = settings.holds;
        let Some(volume) = volume.or(holds) else {
            return Err(format!("the file does not say what {} holds; give `volume_ml`", settings.id));
        };
        if holds.is_some_and(|holds| volume > holds) {
            return Err(format!(
                "{} holds no more than {}",
                settings.id,
                self.plan.words.volume(holds.unwrap_or(volume))
            ));
        }
        self.level(supply, volume);
        Ok(volume)
    }

    /// Whether what is left lasts the next day, by what the flats on it lost in the last one.
    pub(in crate::site) fn judge_supply(&mut self, supply: usize) {
        let Some(left) = self.supplies.get(supply).and_then(|kept| kept.left) else { return };
        let fed = self.plan.valves.iter().filter(|valve| valve.supply == Some(supply)).flat_map(|valve| &valve.feeds);
        let lost = fed.filter_map(|feed| self.flats.get(feed.flat)?.outlook.lost_24h);
        // A sum of nothing is −0 to the machine.
        let need = lost.map(|lost| lost.of_water().max(Millilitres::ZERO)).sum::<Millilitres>() + Millilitres::ZERO;
        let of = Of::Supply(supply);
        let id = self.plan.supplies[supply].id.clone();
        let words = self.plan.words;
        let is_empty = left <= Millilitres::ZERO;
        let say = if self.plan.supplies[supply].has_level { "" } else { ", and say `refilled`" };
        let change = if left < need || is_empty {
            let wording = || Wording {
                title: format!("{id} is {}", if is_empty { "empty" } else { "low" }),
                text: if is_empty {
                    format!("Nothing is left in {id}, so its valves stay closed. Fill it{say}.")
                } else {
                    let (left, need) = (words.volume(left), words.volume(need));
                    format!("{id} holds {left}, and the flats on it dry by {need} a day. Fill it{say}.")
                },
            };
            self.board.raise(Kind::SupplyLow, of, Severity::Warning, Some(left.get()), self.now, wording)
        } else if left.get() > 1.05 * need.get() {
            self.board.clear(Kind::SupplyLow, of, "it holds enough for the next day")
        } else {
            None
        };
        self.carry_out(change.into_iter().collect());
    }

    /// Orders a valve closed whatever is known of it, as `stop` does in every mode.
    pub(super) fn close_anyway(&mut self, index: usize) {
        if self.plan.valves[index].mode == crate::watering::Mode::Advise {
            self.out.push_back(Output::Valve(index, ValveOrder::Close));
        } else {
            self.order_close(index);
        }
    }
}
