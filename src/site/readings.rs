//! From a reading to what it means for the stand and the flat on it.

use super::life::Seen;
use super::stands::Bench;
use super::{By, Happening, Part, Site, Subject, Unreadable};
use crate::flat::{FULL, SoakStep, Taken};
use crate::moment::{Moment, Span};
use crate::stand::{Fault, Handling, Heard, Said};
use crate::units::Grams;

/// After water went on or a load was put down, what the weight does for so long says nothing of drying: drainage, and the
/// creep of the cells.
pub(super) const QUIET_AFTER_WATER: Span = Span::minutes(45);
pub(super) const QUIET_AFTER_HANDLING: Span = Span::minutes(30);

/// Devices that lose their power together are back within so long of each other.
const CUT_TOGETHER: Span = Span::minutes(5);

/// A flat that a command has moved is carried to its new stand within this.
const CARRIED_WITHIN: Span = Span::minutes(30);
/// What a flat may have lost on its way there.
const SAME_WEIGHT: Grams = Grams::new(20.0);

/// Of a single weight, until that of the stand is known.
const USUAL_NOISE: Grams = Grams::new(1.5);

impl Site {
    pub(super) fn reading(&mut self, stand: usize, part: Part, value: Result<f64, Unreadable>, retained: bool) {
        self.readings += 1;
        self.hear(stand, |bench, at, said| bench.stand.reading(part, value, retained, at, &bench.scene, said));
    }

    pub(super) fn availability(&mut self, stand: usize, online: bool) {
        self.hear(stand, |bench, at, said| {
            bench.stand.availability(online, at, said);
            Heard::Ignored
        });
        self.wish_stand(stand);
    }

    /// Lets a stand take something, and follows up on what it says.
    pub(super) fn hear(&mut self, stand: usize, take: impl FnOnce(&mut Bench, Moment, &mut Vec<Said>) -> Heard) {
        let Some(bench) = self.stands.get_mut(stand) else { return };
        let mut said = std::mem::take(&mut self.said);
        let heard = take(bench, self.now, &mut said);
        let weight = match heard {
            Heard::Ignored => None,
            Heard::Moving(weight) | Heard::Steady(weight) => Some(weight),
        };
        if let Some(weight) = weight {
            bench.shown = Some(weight);
        }
        let first = bench.sent.first && bench.stand.reading_at().is_some();
        let flat = bench.flat;
        let is_known = !bench.is_recalled;
        let waiting = !bench.pending.is_empty();
        let loaded = bench.stand.is_loaded();
        for said in said.drain(..) {
            self.stand_said(stand, flat, said);
        }
        self.said = said;
        // An empty stand says nothing of the flat that belongs there.
        match (heard, flat) {
            (Heard::Steady(weight), Some(flat)) if loaded && is_known => {
                self.weighed(flat, weight);
                self.may_rise(flat, weight, true);
            }
            (Heard::Moving(weight), Some(flat)) if loaded && is_known => self.may_rise(flat, weight, false),
            _ => {}
        }
        if self.plan.stands[stand].1.shared {
            let steady = match heard {
                Heard::Steady(weight) => Some(weight),
                Heard::Ignored | Heard::Moving(_) => None,
            };
            self.shared_read(stand, steady);
        }
        if let (Some(_), Some(flat)) = (weight, flat) {
            self.weighed_by_the_way(stand, flat);
        }
        if waiting {
            self.carry_on_waiting(stand);
        }
        if weight.is_some() || first {
            self.stand_moved(stand);
        }
    }

    /// While its valve waters, each reading counts as it comes.
    fn weighed_by_the_way(&mut self, stand: usize, flat: usize) {
        if !self.is_under_valve(flat) {
            return self.weighed_under_another(stand, flat);
        }
        if let Some(weight) = self.stands.get(stand).and_then(|bench| bench.stand.latest()) {
            self.weighed_under_valve(flat, weight);
        }
    }

    /// Water that somebody else lets run is followed by the weight as it is: a flat must not be told to be dry, nor asked to be watered, while it
    /// fills up.
    fn weighed_under_another(&mut self, stand: usize, flat: usize) {
        let bench = self.stands.get(stand).map(|bench| &bench.stand);
        let latest = bench.filter(|stand| stand.is_loaded() && !stand.is_stable()).and_then(|stand| stand.latest());
        if let Some(weight) = latest.filter(|_| self.is_opened_by_another(flat)) {
            self.interrupt(flat, QUIET_AFTER_WATER);
            self.weighed(flat, weight);
        }
    }

    /// A weight to believe, of a flat known to be the one on its stand.
    pub(super) fn weighed(&mut self, index: usize, weight: Grams) {
        let now = self.now;
        let Some(flat) = self.flats.get_mut(index) else { return };
        if !flat.on_stand {
            return;
        }
        self.see_the_dome_said(index);
        let goes_by = self.without_the_dome_in_hand(index, weight);
        let Some(flat) = self.flats.get_mut(index) else { return };
        flat.kept.weighed = Some(super::flats::Weighed { weight: goes_by, at: now });
        if flat.kept.between.is_some() {
            self.is_on_its_own_stand(index);
        }
        let Some(flat) = self.flats.get_mut(index) else { return };
        let before = flat.kept.condition;
        if now.mono >= flat.next_look {
            flat.grow(now.wall);
        }
        flat.goes_by(goes_by, None, self.heard);
        let changed = flat.kept.condition != before;
        if flat.kept.soak.is_some() {
            let evaporation = flat.outlook.rate;
            let noise = flat.stand.and_then(|stand| self.stands.get(stand)).and_then(|bench| bench.stand.noise());
            self.soak(index, |soak| {
                soak.set_noise(noise.unwrap_or(USUAL_NOISE));
                soak.weighed(weight, now, evaporation)
            });
        }
        let Some(flat) = self.flats.get_mut(index) else { return };
        if changed || now.mono >= flat.next_look {
            self.look_at_weight(index, weight);
        }
        self.flat_moved(index, changed);
    }

    fn stand_said(&mut self, stand: usize, flat: Option<usize>, said: Said) {
        let is_tared = matches!(said, Said::FaultRaised(Fault::Tared));
        match said {
            Said::Handled(handling) => {
                if let Some(flat) = flat {
                    self.flats[flat].rise = None;
                    self.handled(stand, flat, handling);
                }
            }
            Said::SeenEmpty => {
                self.judge_stand(stand);
                self.keep(Subject::Stand(stand));
            }
            Said::FaultRaised(_) | Said::FaultCleared(_) | Said::Silent | Said::HeardAgain => {
                self.judge_stand(stand);
                self.publish_stand(stand);
                self.keep(Subject::Stand(stand));
                if let Some(flat) = flat {
                    self.stand_health_changed(stand, flat);
                }
            }
        }
        self.wish_stand(stand);
        if let (true, Some(flat)) = (is_tared, flat) {
            self.tared_with_it(flat);
        }
    }

    /// After a power cut all of them set themselves to zero at once, but each betrays it only when its flat has dried for a while. With
    /// the first that does, those that lost their flats in the same minutes are told too, so that one message names them all.
    fn tared_with_it(&mut self, index: usize) {
        let Some(lost) = self.flats.get(index).and_then(|flat| flat.kept.off_since) else { return };
        let is_near = |at: Moment| at.mono.since(lost.mono) <= CUT_TOGETHER && lost.mono.since(at.mono) <= CUT_TOGETHER;
        for stand in 0..self.stands.len() {
            let flat = self.stands[stand].flat.and_then(|flat| self.flats.get(flat));
            let lost_too = flat.and_then(|flat| flat.kept.off_since).is_some_and(is_near);
            if lost_too && self.stands[stand].stand.may_have_tared() {
                self.hear(stand, |bench, at, said| {
                    bench.stand.has_tared_too(at, said);
                    Heard::Ignored
                });
            }
        }
    }

    fn stand_health_changed(&mut self, stand: usize, index: usize) {
        let now = self.now;
        let quiet = self.stands[stand].stand.health().is_ok();
        if let Some(flat) = self.flats.get_mut(index) {
            flat.kept.drying.interrupted(now, Span::ZERO);
            flat.recent.forget();
            if quiet {
                flat.on_stand = flat.kept.off_since.is_none() && flat.kept.misfit.is_none();
            }
        }
        self.look(index);
        self.publish_flat(index);
    }

    /// What somebody did to the flat, as the weights tell it.
    fn handled(&mut self, stand: usize, index: usize, handling: Handling) {
        let now = self.now;
        let subject = Subject::Flat(index);
        if self.plan.stands[stand].1.shared {
            match handling {
                Handling::Lifted { .. } => return self.release(stand),
                Handling::Returned { .. } | Handling::Misfit { .. } | Handling::FitsAgain => return,
                _ => {}
            }
        }
        let handling = self.without_the_move(stand, index, handling);
        let handling = self.against_its_own_weight(stand, index, handling);
        let Some(handling) = self.without_the_mass(stand, index, handling) else { return };
        let handling =
            if self.plan.stands[stand].1.shared { handling } else { self.without_what_was_told(index, handling) };
        let handling = self.without_what_lies_there(stand, handling);
        let as_weighed = matches!(handling, Handling::Dome { .. });
        let (before, first) = (self.derived(index), self.seq + 1);
        let handling = self.with_the_dome_said(index, handling);
        let (mut is_said, mut came_back) = (!as_weighed, false);
        let mut read = as_read(&handling);
        // A touch changes nothing that the state says; water and lifting do.
        let is_news = !matches!(
            handling,
            Handling::Bumped { .. } | Handling::Visited { .. } | Handling::Draining { .. } | Handling::Drained { .. }
        );
        match handling {
            Handling::Lifted { .. } => {
                self.interrupt(index, QUIET_AFTER_HANDLING);
                self.event(subject, Happening::Lifted);
                if let Some(flat) = self.flats.get_mut(index) {
                    flat.on_stand = false;
                    flat.kept.off_since = Some(now);
                    flat.lifted = flat.kept.weighed.map(|weighed| (weighed, now.mono));
                    if let Some(soak) = &mut flat.kept.soak {
                        soak.lifted(now);
                    }
                }
            }
            Handling::Returned { change, watered_away, .. } => {
                self.interrupt(index, QUIET_AFTER_HANDLING);
                self.event(subject, Happening::Returned { change });
                let weight = self.stands.get(stand).and_then(|bench| bench.shown);
                if let Some(flat) = self.flats.get_mut(index) {
                    flat.on_stand = true;
                    flat.kept.off_since = None;
                    flat.kept.misfit = None;
                }
                let dome = self.dome_by_the_way(index, change);
                if let Some((on, was_said)) = dome {
                    is_said = was_said;
                    self.event(subject, Happening::Dome { on, change });
                    if !was_said {
                        self.guess_dome(index, on);
                    }
                    read = Some((change, if on { Taken::DomeOn } else { Taken::DomeOff }));
                }
                if let Some(kept) = watered_away.filter(|_| dome.is_none() && !self.is_soaking(index)) {
                    // Some of it may be its valve's, given before it was lifted and not told yet.
                    for (gross, kept, by) in self.givers(index, kept, kept) {
                        self.watered(index, gross, kept, by, by == By::Hand);
                    }
                    read = Some((kept, Taken::Watered));
                }
                if let Some(weight) = weight {
                    self.soak(index, |soak| soak.returned(weight, now));
                }
                came_back = true;
            }
            Handling::Misfit { why, .. } => {
                self.interrupt(index, QUIET_AFTER_HANDLING);
                if let Some(flat) = self.flats.get_mut(index) {
                    flat.on_stand = false;
                    flat.kept.misfit = Some(why.to_string());
                }
            }
            Handling::FitsAgain => {
                if let Some(flat) = self.flats.get_mut(index) {
                    flat.on_stand = true;
                    flat.kept.off_since = None;
                    flat.kept.misfit = None;
                }
                self.weighs_what_is_shown(stand, index);
            }
            Handling::Watered { gross, kept } => {
                if !self.is_soaking(index) {
                    for (gross, kept, by) in self.givers(index, gross, kept) {
                        if by == By::Valve && self.plan.stands[stand].1.shared {
                            self.no_way_back(index, "a valve has poured since");
                        }
                        self.watered(index, gross, kept, by, false);
                    }
                }
            }
            Handling::Draining { .. } => self.interrupt(index, QUIET_AFTER_WATER),
            Handling::Drained { .. } => {}
            Handling::Dome { on, change } => {
                self.interrupt(index, QUIET_AFTER_HANDLING);
                if let Some(flat) = self.flats.get_mut(index) {
                    flat.kept.dome_on = Some(on);
                }
                self.event(subject, Happening::Dome { on, change });
                if !is_said {
                    self.guess_dome(index, on);
                }
            }
            Handling::Removed { change } => {
                self.interrupt(index, QUIET_AFTER_HANDLING);
                self.event(subject, Happening::Removed { change });
            }
            Handling::Bumped { change } => self.event(subject, Happening::Bumped { change }),
            Handling::Visited { change } => {
                self.interrupt(index, QUIET_AFTER_HANDLING);
                self.event(subject, Happening::Visited { change });
            }
        }
        if self.plan.stands[stand].1.shared && matches!(handling, Handling::Watered { .. } | Handling::Dome { .. }) {
            let bench = &mut self.stands[stand];
            bench.last_taken = bench.shown;
        }
        if let Some((change, read)) = read {
            self.weighs_so_after_it(stand, index);
            let learned = is_said && matches!(read, Taken::DomeOn | Taken::DomeOff);
            self.write_down(index, Seen { learned, ..Seen::on_a_scale(change, read) }, now, first, before);
        }
        if came_back || matches!(read, Some((_, Taken::DomeOn | Taken::DomeOff))) {
            self.weighs_what_is_shown(stand, index);
        }
        if came_back && !self.is_soaking(index) {
            self.look_for_a_swap(index);
        }
        self.refresh_scene(stand);
        if is_news {
            self.forecast_anew(index);
        }
        self.look(index);
        if is_news {
            self.publish_flat(index);
            if !(came_back && self.waits_for_its_fellow(index)) {
                self.sample(index);
            }
        }
        self.keep(subject);
        self.keep(Subject::Stand(stand));
    }

    /// What happened is over: it weighs what is shown, and not any more what it did with the dome that might have been in a hand.
    fn weighs_so_after_it(&mut self, stand: usize, index: usize) {
        let Some((bench, (_, settings))) = self.stands.get(stand).zip(self.plan.stands.get(stand)) else { return };
        let Some(weight) = bench.believed().filter(|_| !settings.shared) else { return };
        let at = self.now;
        if let Some(flat) = self.flats.get_mut(index).filter(|flat| flat.on_stand) {
            flat.kept.weighed = Some(super::flats::Weighed { weight, at });
        }
    }

    /// What it was carried on to while it was away is over once it is back. And a dome comes and goes with its weight: if the weight from
    /// before the step were held against the dome from after it, the flat would be drier or wetter by a dome for an instant, and the
    /// condition of that instant would be held.
    pub(super) fn weighs_what_is_shown(&mut self, stand: usize, index: usize) {
        let Some(shown) = self.stands.get(stand).and_then(Bench::believed) else { return };
        self.settle(index);
        if let Some(flat) = self.flats.get_mut(index).filter(|flat| flat.on_stand) {
            flat.goes_by(shown, None, self.heard);
        }
    }

    /// A flat that a command has moved to another stand may be carried there only afterwards. When the weight there becomes
    /// the one it had, that is all that has happened: no water came, and nothing was taken away.
    fn without_the_move(&mut self, stand: usize, index: usize, handling: Handling) -> Handling {
        let shown = self.stands.get(stand).and_then(|bench| bench.shown);
        let Some(flat) = self.flats.get_mut(index) else { return handling };
        let (Some((before, moved)), Some(shown)) = (flat.carried, shown) else { return handling };
        let change = shown - before;
        if self.now.mono.since(moved) > CARRIED_WITHIN {
            flat.carried = None;
        } else if change.abs() <= SAME_WEIGHT {
            match handling {
                Handling::Returned { away, .. } => {
                    flat.carried = None;
                    return Handling::Returned { change, away, watered_away: None };
                }
                Handling::Watered { .. } | Handling::Removed { .. } | Handling::Visited { .. } => {
                    flat.carried = None;
                    return Handling::Bumped { change };
                }
                _ => {}
            }
        }
        handling
    }

    /// A flat that comes back heavier by just what the empty stand was seen to read too much has not been watered.
    fn without_what_lies_there(&self, stand: usize, handling: Handling) -> Handling {
        let moved = self.stands.get(stand).and_then(|bench| bench.stand.moved_zero());
        match (handling, moved) {
            (Handling::Returned { change, away, watered_away: Some(_) }, Some(moved))
                if (change - (moved.reads - moved.was)).abs() <= SAME_WEIGHT =>
            {
                Handling::Returned { change, away, watered_away: None }
            }
            (handling, _) => handling,
        }
    }

    /// While a known mass lies there in its place, nothing that the weights tell is of the flat; when it comes back, it is held
    /// against its own last weight.
    fn without_the_mass(&mut self, stand: usize, index: usize, handling: Handling) -> Option<Handling> {
        let shown = self.stands.get(stand).and_then(|bench| bench.shown);
        let flat = self.flats.get_mut(index).filter(|flat| flat.stood_in_for);
        let Some(flat) = flat else { return Some(handling) };
        let Handling::Returned { away, .. } = handling else { return None };
        flat.stood_in_for = false;
        let change = flat.kept.weighed.zip(shown).map_or(Grams::ZERO, |(weighed, shown)| shown - weighed.weight);
        Some(Handling::Returned { change, away, watered_away: None })
    }

    /// What lies across this moment is not drying.
    pub(super) fn interrupt(&mut self, index: usize, quiet: Span) {
        let now = self.now;
        if let Some(flat) = self.flats.get_mut(index) {
            flat.kept.drying.interrupted(now, quiet);
            flat.recent.forget();
            flat.kept.dried_to = None;
        }
    }

    pub(super) fn watered(&mut self, index: usize, gross: Grams, kept: Grams, by: By, away: bool) {
        self.interrupt(index, QUIET_AFTER_WATER);
        let now = self.now;
        if let Some(flat) = self.flats.get_mut(index) {
            flat.kept.watered = Some(now);
            if flat.fraction.is_some_and(|fraction| fraction >= FULL) {
                flat.kept.soaked = Some(now);
            }
        }
        let (added, kept) = (gross.of_water(), kept.of_water());
        self.event(Subject::Flat(index), Happening::Watered { added, kept, by, away, told_at: None });
    }

    pub(super) fn is_soaking(&self, index: usize) -> bool {
        self.flats.get(index).is_some_and(|flat| flat.kept.soak.is_some())
    }

    /// Lets the watch for capacity take something, and follows up on its step.
    pub(super) fn soak(&mut self, index: usize, take: impl FnOnce(&mut crate::flat::Soak) -> Option<SoakStep>) {
        let step = self.flats.get_mut(index).and_then(|flat| flat.kept.soak.as_deref_mut()).and_then(take);
        let Some(step) = step else { return };
        let subject = Subject::Flat(index);
        match step {
            SoakStep::Pass { n, weight } => {
                self.interrupt(index, QUIET_AFTER_WATER);
                self.event(subject, Happening::Soaking { pass: n, weight });
            }
            SoakStep::Draining { weight } => self.event(subject, Happening::Draining { weight }),
            SoakStep::Recorded { capacity, drained } => {
                self.event(subject, Happening::Drained { weight: drained });
                self.soaked(index, capacity);
            }
            SoakStep::GaveUp(why) => {
                self.end_soak(index);
                self.refuse_event(subject, "record-capacity", why);
            }
        }
        self.keep(subject);
        self.publish_flat(index);
    }

    fn soaked(&mut self, index: usize, capacity: Grams) {
        let now = self.now;
        self.end_soak(index);
        if let Some(flat) = self.flats.get_mut(index) {
            flat.kept.watered = Some(now);
            flat.kept.soaked = Some(now);
        }
        // Where nothing is recorded, an alert says why.
        self.soak_seen(index, capacity);
    }

    pub(super) fn end_soak(&mut self, index: usize) {
        let Some(flat) = self.flats.get_mut(index) else { return };
        flat.kept.soak = None;
        if let Some(stand) = flat.stand {
            self.refresh_scene(stand);
        }
    }
}

/// What an event is read as, for those that can be corrected.
fn as_read(handling: &Handling) -> Option<(Grams, Taken)> {
    Some(match *handling {
        Handling::Watered { kept, .. } => (kept, Taken::Watered),
        Handling::Dome { on, change } => (change, if on { Taken::DomeOn } else { Taken::DomeOff }),
        Handling::Returned { change, .. }
        | Handling::Removed { change }
        | Handling::Bumped { change }
        | Handling::Visited { change } => (change, Taken::Nothing),
        _ => return None,
    })
}
