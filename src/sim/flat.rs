//! The water and the plants of one flat, by explicit Euler steps.
//!
//! Order within a step: water arrives, infiltrates, runs past, drains, is wicked up, spills; plants grow; water evaporates.
//! Mix and pond hold water; saturation S is (mix − residual)/(capacity − residual).

use super::numbers::{exp, ln};
use super::plan::{Drains, FlatPlan, Growth};
use super::room::{Climate, Room};
use super::time::SimTime;
use crate::moment::Span;

/// Between two values of the growth curve that are worked out; straight between them.
const NODE: Span = Span::minutes(10);
/// Share of a gain of fresh mass that is water taken from the mix; the rest is new dry matter.
const WATER_OF_GROWTH: f64 = 0.92;

/// Where a flat is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// On that stand.
    Stand(usize),
    /// On a bench, with its tray.
    Bench,
    /// Held over a sink, where what drains leaves.
    Sink,
}

/// Water being poured at an even rate.
#[derive(Debug, Clone, Copy)]
struct Pour {
    rate: f64,
    until: SimTime,
}

/// Fresh mass and cover, straight between two nodes.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    from: SimTime,
    until: SimTime,
    mass: (f64, f64),
    cover: (f64, f64),
}

#[derive(Debug, Clone)]
pub(super) struct Flat {
    pub plan: FlatPlan,
    pub at: SimTime,
    pub place: Place,
    /// The stand it was on last.
    pub home: Option<usize>,
    pub domed: bool,
    pub pond: f64,
    pub mix: f64,
    pub tray: f64,
    pub plants: f64,
    pub evaporated: f64,
    pub ran_off: f64,
    pub arrived: f64,
    pub taken_up: f64,
    pub pulled: f64,
    /// Onto the mix and into the tray, not yet there.
    due: (f64, f64),
    pours: [Option<Pour>; 2],
    born: SimTime,
    /// Share of the plants that have not been pulled.
    stand_of_plants: f64,
    stretch: Stretch,
    span_inverse: f64,
    /// g/s of 1 mm/h.
    grams: f64,
}

impl Flat {
    pub fn new(plan: FlatPlan, start: SimTime) -> Self {
        let nowhere = Stretch { from: start, until: start, mass: (0.0, 0.0), cover: (0.0, 0.0) };
        let mut flat = Self {
            at: start,
            place: plan.stand.map_or(Place::Bench, Place::Stand),
            home: plan.stand,
            domed: plan.domed,
            pond: 0.0,
            mix: plan.begins_with,
            tray: 0.0,
            plants: 0.0,
            evaporated: 0.0,
            ran_off: 0.0,
            arrived: 0.0,
            taken_up: 0.0,
            pulled: 0.0,
            due: (0.0, 0.0),
            pours: [None; 2],
            born: start,
            stand_of_plants: 1.0,
            stretch: nowhere,
            span_inverse: 1.0 / (plan.capacity - plan.residual),
            grams: plan.area * 1000.0 / 3600.0,
            plan,
        };
        flat.stretch = flat.grow_on(start);
        flat.plants = flat.stretch.mass.0;
        flat
    }

    /// What a scale under it would show.
    pub fn weight(&self) -> f64 {
        let dome = if self.domed { self.plan.dome } else { 0.0 };
        self.plan.hardware + self.plan.dry_mix + self.pond + self.mix + self.tray + self.plants + dome
    }

    pub fn saturation(&self) -> f64 {
        ((self.mix - self.plan.residual) * self.span_inverse).max(0.0)
    }

    pub fn is_poured_on(&self) -> bool {
        self.pours.iter().any(Option::is_some)
    }

    /// Water that has fallen since the last step.
    pub fn receive(&mut self, grams: f64, below: bool) {
        *(if below { &mut self.due.1 } else { &mut self.due.0 }) += grams;
    }

    /// Begins to pour; what is still in the can from a pour before comes along.
    pub fn pour(&mut self, grams: f64, over: Span, below: bool) {
        let over = over.max(Span::from_millis(100));
        let Some(pour) = self.pours.get_mut(usize::from(below)) else { return };
        let left = pour.map_or(0.0, |pour| pour.rate * pour.until.after(self.at).max(0.0));
        *pour = Some(Pour { rate: (grams + left) / over.as_seconds(), until: self.at + over });
    }

    /// Pulls a share of the plants.
    pub fn thin(&mut self, share: f64) -> f64 {
        let grams = self.plants * share.clamp(0.0, 1.0);
        self.plants -= grams;
        self.pulled += grams;
        self.stand_of_plants *= 1.0 - share.clamp(0.0, 1.0);
        self.stretch = self.grow_on(self.at);
        grams
    }

    /// Pours away what stands in the tray.
    pub fn empty_tray(&mut self) -> f64 {
        let grams = std::mem::take(&mut self.tray);
        self.ran_off += grams;
        grams
    }

    /// Where the next step may end at the latest.
    pub fn step_until(&self, to: SimTime, longest: Span) -> SimTime {
        let end = (self.at + longest).min(to);
        self.pours.iter().flatten().fold(end, |end, pour| end.min(pour.until))
    }

    /// One step to `end`, under the weather at its beginning.
    pub fn step(&mut self, room: &Climate, end: SimTime) {
        let seconds = end.after(self.at);
        let saturation = self.saturation();
        self.arrive(end, seconds);
        if self.pond > 0.0 || self.tray > 0.0 || self.mix > self.plan.capacity {
            self.soak(saturation, seconds);
        }
        let cover = self.grow();
        self.dry(room, saturation, cover, seconds);
        self.at = end;
    }

    fn arrive(&mut self, end: SimTime, seconds: f64) {
        let (mut top, mut below) = std::mem::take(&mut self.due);
        if self.is_poured_on() {
            let [onto, into] = &mut self.pours;
            for (pour, sum) in [(onto, &mut top), (into, &mut below)] {
                *sum += pour.map_or(0.0, |pour| pour.rate * seconds);
                pour.take_if(|pour| pour.until <= end);
            }
        }
        self.pond += top;
        self.tray += below;
        self.arrived += top + below;
    }

    fn soak(&mut self, saturation: f64, seconds: f64) {
        let plan = &self.plan;
        let wetting = plan.wetting;
        let takes = if self.pond > 0.0 || self.tray > 0.0 {
            wetting.least + (1.0 - wetting.least) / (1.0 + exp(-(saturation - wetting.half) / wetting.width))
        } else {
            0.0
        };
        let infiltrates = self.pond.min(wetting.fastest * takes * seconds);
        self.pond -= infiltrates;
        self.mix += infiltrates;
        let passes = (self.pond - plan.pond).max(0.0) * plan.bypass;
        self.pond -= passes;
        let drains = (self.mix - plan.capacity).max(0.0) * (seconds / plan.drains_in).min(1.0);
        self.mix -= drains;
        if plan.drains == Drains::Away || self.place == Place::Sink {
            self.ran_off += passes + drains;
        } else {
            self.tray += passes + drains;
        }
        let wicked = self.tray.min((plan.capacity - self.mix).max(0.0) * takes * seconds / plan.wicks_in);
        self.tray -= wicked;
        self.mix += wicked;
        let spills = (self.tray - plan.tray).max(0.0);
        self.tray -= spills;
        self.ran_off += spills;
    }

    /// Grows to what the curve says at the beginning of the step; gives the share of the surface that leaves cover.
    fn grow(&mut self) -> f64 {
        if self.at >= self.stretch.until {
            self.stretch = self.grow_on(self.at);
        }
        let stretch = self.stretch;
        let share = self.at.after(stretch.from) * (1.0 / NODE.as_seconds());
        let mass = stretch.mass.0 + share * stretch.mass.1;
        let gain = WATER_OF_GROWTH * (mass - self.plants);
        self.mix -= gain;
        self.taken_up += gain;
        self.plants = mass;
        stretch.cover.0 + share * stretch.cover.1
    }

    /// The stretch between two nodes in which `time` lies.
    fn grow_on(&self, time: SimTime) -> Stretch {
        let from = SimTime::from_millis(time.millis().div_euclid(NODE.millis()) * NODE.millis());
        let until = from + NODE;
        let begins = self.mass_at(from);
        let ends = self.mass_at(until);
        let cover = |mass: f64| 1.0 - exp(-mass / self.plan.area / self.plan.canopy.covers);
        let (covered, covers) = (cover(begins), cover(ends));
        Stretch { from, until, mass: (begins, ends - begins), cover: (covered, covers - covered) }
    }

    fn mass_at(&self, time: SimTime) -> f64 {
        let Growth { fastest, relative, begins } = self.plan.growth;
        let days = self.plan.age + time.after(self.born) / 86_400.0;
        let mass = fastest / relative * ln(1.0 + exp(relative * (days - begins)));
        self.plan.area * mass * self.stand_of_plants
    }

    fn dry(&mut self, room: &Climate, saturation: f64, cover: f64, seconds: f64) {
        let (surface, canopy) = (&self.plan.evaporation, &self.plan.canopy);
        let potential = (surface.night * room.night + surface.day * room.day) * room.dries * self.grams;
        let bare = if self.pond > 0.0 || saturation >= surface.falls_below {
            1.0
        } else {
            power(saturation / surface.falls_below, surface.power)
        };
        let leaves = canopy.factor * (saturation / canopy.falls_below).min(1.0);
        let dome = if self.domed { self.plan.dome_passes } else { 1.0 };
        let wanted = potential * ((1.0 - cover) * bare + cover * leaves) * dome * seconds;
        // The last of the water is held too tightly to leave.
        let lost = wanted.min((self.mix - 0.02 * self.plan.residual).max(0.0));
        self.mix -= lost;
        self.evaporated += lost;
    }

    /// Goes on to `to` by itself, off any stand.
    pub fn pass(&mut self, room: &Room, to: SimTime, calm: Span, pouring: Span) {
        while self.at < to {
            let end = self.step_until(to, if self.is_poured_on() { pouring } else { calm });
            let climate = room.at(self.at);
            self.step(&climate, end);
        }
    }
}

fn power(base: f64, exponent: f64) -> f64 {
    if (exponent - 1.5).abs() < 1e-12 { base * base.sqrt() } else { exp(exponent * ln(base)) }
}
