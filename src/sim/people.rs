//! What people do: what they were told to, and what they do of their own accord.

use super::act::{Act, Deed, Doing};
use super::flat::Place;
use super::house::{Event, House};
use super::time::SimTime;
use super::truth::Truth;
use crate::moment::Span;

/// From a stand to the sink, or back.
const WALK: Span = Span::seconds(20);
/// A can with a rose gives so much, g/s.
const CAN: f64 = 25.0;
/// A mix that holds this share of its capacity takes no more.
const FULL: f64 = 0.99;

impl House {
    pub(super) fn do_to_flat(&mut self, flat: usize, doing: Doing) -> bool {
        self.bring(flat);
        if flat >= self.flats.len() {
            return false;
        }
        match doing {
            Doing::Lift => self.lift(flat, Place::Bench),
            Doing::ToTheSink => self.lift(flat, Place::Sink),
            Doing::PutBack { stand } => self.put_back(flat, stand),
            Doing::Look { lasts } => {
                let lifted = self.lift(flat, Place::Bench);
                if lifted {
                    self.then(lasts, flat, Doing::PutBack { stand: None });
                }
                lifted
            }
            Doing::Swap { with } => self.swap(flat, with),
            Doing::Weigh { scale, lasts } => self.weigh(flat, scale, lasts),
            Doing::Pour { grams, over, below } => self.pour(flat, grams, over, below),
            Doing::WaterAtTheSink { grams, drips } => {
                if !self.lift(flat, Place::Sink) {
                    return false;
                }
                let over = pouring_time(grams);
                self.then(WALK, flat, Doing::Pour { grams, over, below: false });
                self.then(WALK + over + drips, flat, Doing::PutBack { stand: None });
                true
            }
            Doing::Soak { .. } => self.soak(flat, doing),
            Doing::EmptyTray => self.empty_tray(flat),
            Doing::Thin { share } => {
                let grams = self.flats.get_mut(flat).map_or(0.0, |flat| flat.thin(share));
                self.note(Deed::Thinned { flat, grams });
                true
            }
            Doing::Dome { on } => {
                if let Some(flat) = self.flats.get_mut(flat) {
                    flat.domed = on;
                }
                self.note(Deed::Dome { flat, on });
                true
            }
        }
    }

    fn then(&mut self, after: Span, flat: usize, doing: Doing) {
        self.plan(self.now + after, Event::Act(Act::Flat(flat, doing)));
    }

    pub(super) fn lift(&mut self, number: usize, to: Place) -> bool {
        let from = self.is_on_a_stand(number);
        if let Some(stand) = from.and_then(|stand| self.stands.get_mut(stand)) {
            stand.flat = None;
        }
        let Some(flat) = self.flats.get_mut(number) else { return false };
        flat.place = to;
        let Some(stand) = from else { return false };
        flat.home = Some(stand);
        self.note(Deed::Lifted { flat: number, stand });
        if to == Place::Sink {
            self.empty_tray(number);
        }
        true
    }

    pub(super) fn put_back(&mut self, number: usize, stand: Option<usize>) -> bool {
        let Some(target) = stand.or_else(|| self.flats.get(number).and_then(|flat| flat.home)) else { return false };
        if self.is_on_a_stand(number).is_some() || self.stands.get(target).is_none_or(|stand| stand.flat.is_some()) {
            return false;
        }
        // What a valve has dripped onto the empty stand is spilled.
        let now = self.now;
        self.bring_stand(target, now);
        self.place(number, target);
        let weight = self.flats.get(number).map_or(0.0, super::flat::Flat::weight);
        self.note(Deed::PutBack { flat: number, stand: target, weight });
        true
    }

    fn place(&mut self, number: usize, target: usize) {
        if let (Some(flat), Some(stand)) = (self.flats.get_mut(number), self.stands.get_mut(target)) {
            (flat.place, flat.home, stand.flat) = (Place::Stand(target), Some(target), Some(number));
        }
    }

    fn swap(&mut self, flat: usize, with: usize) -> bool {
        self.bring(with);
        let (Some(from), Some(to)) = (self.is_on_a_stand(flat), self.is_on_a_stand(with)) else { return false };
        self.place(flat, to);
        self.place(with, from);
        self.note(Deed::Swapped { flat, with });
        true
    }

    fn pour(&mut self, number: usize, grams: f64, over: Span, below: bool) -> bool {
        let stand = self.is_on_a_stand(number);
        if let Some(flat) = self.flats.get_mut(number) {
            flat.pour(grams, over, below);
        }
        self.note(Deed::Poured { flat: number, stand, grams, over, below });
        true
    }

    fn empty_tray(&mut self, number: usize) -> bool {
        let grams = self.flats.get_mut(number).map_or(0.0, super::flat::Flat::empty_tray);
        if grams > 0.0 {
            self.note(Deed::EmptiedTray { flat: number, grams });
        }
        grams > 0.0
    }

    /// One pass, and the next planned; when the mix takes no more, the end.
    fn soak(&mut self, number: usize, doing: Doing) -> bool {
        let Doing::Soak { passes, grams, rest, drips, at_the_sink } = doing else { return false };
        if at_the_sink && self.is_on_a_stand(number).is_some() {
            self.then(WALK, number, doing);
            return self.lift(number, Place::Sink);
        }
        let is_full = self.flats.get(number).is_some_and(|flat| flat.mix >= FULL * flat.plan.capacity);
        if passes > 0 && !is_full {
            self.pour(number, grams, pouring_time(grams), false);
            let left = Doing::Soak { passes: passes - 1, grams, rest, drips, at_the_sink };
            self.then(rest, number, left);
        } else {
            self.plan(self.now + drips, Event::SoakEnds { flat: number, at_the_sink });
        }
        true
    }

    pub(super) fn soak_ends(&mut self, flat: usize, at_the_sink: bool) {
        self.bring(flat);
        self.empty_tray(flat);
        if at_the_sink {
            self.put_back(flat, None);
        }
        self.note(Deed::Soaked { flat });
    }

    pub(super) fn begin_habits(&mut self) {
        if self.habits != super::plan::Habits::default() {
            for flat in 0..self.flats.len() {
                let today = self.now.day();
                self.come_by(flat, today);
            }
        }
    }

    /// Plans the visit of a day; one that would lie in the past falls out.
    fn come_by(&mut self, flat: usize, day: i64) {
        let (from, to) = self.habits.hours;
        let Some(random) = self.people.get_mut(flat) else { return };
        let hour = random.between(from, to);
        let at = SimTime::at(day, 0, 0) + Span::from_seconds(hour * 3600.0);
        if at > self.now {
            self.plan(at, Event::Round(flat));
        } else {
            self.come_by(flat, day + 1);
        }
    }

    /// Somebody comes by. As many random numbers are drawn whatever comes of it.
    pub(super) fn go_round(&mut self, number: usize) {
        self.bring(number);
        let habits = self.habits;
        let Some(random) = self.people.get_mut(number) else { return };
        let mut happens = |share: f64| random.chance(share);
        let (looks, swaps) = (happens(habits.looks_per_week / 7.0), happens(habits.swaps_per_week / 7.0));
        let (thins, forgets) = (happens(habits.thinnings_per_week / 7.0), happens(habits.forgets));
        let (below, at_the_sink) = (happens(habits.from_below), happens(habits.at_the_sink));
        let (kind, error) = (random.unit(), random.normal());
        let (away, forgotten) = (random.scale(20.0, 900.0), random.between(7200.0, 36_000.0));
        let (share, drips) = (random.between(0.03, 0.12), random.between(240.0, 1500.0));
        self.come_by(number, self.now.day() + 1);

        let truth = self.flats.get(number).map(Truth::of);
        let Some(truth) = truth.filter(|truth| matches!(truth.place, Place::Stand(_))) else { return };
        let needed = (habits.water_to - truth.fraction) * (truth.capacity_weight - truth.dry_weight);
        if truth.fraction < habits.water_below && needed > 0.0 {
            let grams = if kind < habits.too_much {
                2.0 * needed + 400.0
            } else if kind < habits.too_much + habits.too_little {
                needed / 3.0
            } else {
                needed * (1.0 + habits.carelessness * error).max(0.1)
            };
            let doing = if at_the_sink {
                Doing::WaterAtTheSink { grams, drips: Span::from_seconds(drips) }
            } else {
                Doing::Pour { grams, over: pouring_time(grams), below }
            };
            self.do_to_flat(number, doing);
        } else if swaps && number.is_multiple_of(2) {
            self.do_to_flat(number, Doing::Swap { with: number + 1 });
        } else if looks {
            let lasts = if forgets { forgotten } else { away };
            self.do_to_flat(number, Doing::Look { lasts: Span::from_seconds(lasts) });
        } else if thins {
            self.do_to_flat(number, Doing::Thin { share });
        }
    }
}

fn pouring_time(grams: f64) -> Span {
    Span::from_seconds((grams / CAN).max(3.0))
}
