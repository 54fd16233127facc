//! Somebody who goes round the house and does what tarewell says.

use super::scene::{SHARED_SCALE, Scene, Seat};
use super::view::View;
use crate::moment::Span;
use crate::sim::{Act, Doing, House, SimTime};
use serde_json::json;
use std::collections::VecDeque;

/// When rounds are made, in minutes of the day.
const ROUNDS: [i64; 4] = [10 * 60 + 20, 13 * 60 + 20, 16 * 60 + 40, 19 * 60];
/// The flat that was filled this morning is soaked so long after the beginning.
const SOAKS_AFTER: Span = Span::minutes(150);
/// The flat whose capacity is still to be found.
const TO_SOAK: &str = "pansy";
/// A jug is read to this, mL.
const JUG: f64 = 10.0;

/// Something done, to be shown.
#[derive(Debug, Clone, PartialEq)]
pub enum Done {
    /// A command to publish for that flat, and what to call it.
    Commands(&'static str, &'static str),
    /// A command for a flat, a stand or a valve, and what the onlooker is told of it.
    Says {
        /// `flats/<id>`, `stands/<id>` or `valves/<id>`.
        to: String,
        command: String,
        shown: Option<String>,
    },
    /// Poured, in mL.
    Pours(usize, f64),
}

/// What is still to be done in a round with the scales; the flat by its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Step {
    /// Begins a round on the shared scale.
    BeginRound,
    PutOnScale(usize),
    PourOnScale(usize),
    LiftOff(usize),
    /// Weighs on the kitchen scale, and types it.
    Type(usize),
    PourAside(usize),
}

#[derive(Debug)]
pub struct Grower {
    next_round: SimTime,
    /// When the new flat is soaked; `None`: done.
    soaks_at: Option<SimTime>,
    /// In order of time.
    steps: VecDeque<(SimTime, Step)>,
}

impl Grower {
    pub fn new(now: SimTime) -> Self {
        Self { next_round: next_round(now), soaks_at: Some(now + SOAKS_AFTER), steps: VecDeque::new() }
    }

    /// Does what is to be done by now.
    pub fn go_about(&mut self, now: SimTime, scene: &Scene, view: &View, house: &mut House) -> Vec<Done> {
        let mut done = Vec::new();
        if self.soaks_at.is_some_and(|at| now >= at) {
            self.soaks_at = None;
            done.push(Done::Commands(TO_SOAK, "record-capacity"));
            if let Some(flat) = scene.place(TO_SOAK) {
                house.act(Act::Flat(flat, soak()));
            }
        }
        if now >= self.next_round {
            self.next_round = next_round(now);
            self.steps = steps(now, scene);
            // The valves that wait for somebody's word get it, if nobody else has given it.
            done.extend(scene.lines.iter().filter(|line| view.waits_for_a_word(line.id)).map(|line| Done::Says {
                to: format!("valves/{}", line.id),
                command: "run".to_owned(),
                shown: Some(format!("tells {} to run", line.id)),
            }));
            for (flat, berth) in scene.berths.iter().enumerate() {
                if matches!(berth.seat, Seat::Shared | Seat::Kitchen) || scene.is_watered_by_valve(berth.id) {
                    continue;
                }
                let Some(advised) = view.advised(berth.id) else { continue };
                let grams = (advised / JUG).round() * JUG;
                let below = scene.is_watered_from_below(berth.id);
                if grams > 0.0 && house.act(Act::Flat(flat, Doing::Pour { grams, over: Span::seconds(60), below })) {
                    done.push(Done::Pours(flat, grams));
                }
            }
        }
        while let Some(&(_, step)) = self.steps.front().filter(|(at, _)| *at <= now) {
            self.steps.pop_front();
            done.extend(take(step, scene, view, house));
        }
        done
    }
}

/// The round with the scales that begins now: each flat on the shared one for three minutes, then those of the kitchen.
fn steps(now: SimTime, scene: &Scene) -> VecDeque<(SimTime, Step)> {
    let mut steps = VecDeque::from([(now, Step::BeginRound)]);
    let mut at = now + Span::minutes(1);
    let of =
        |seat: Seat| scene.berths.iter().enumerate().filter(move |(_, berth)| berth.seat == seat).map(|(flat, _)| flat);
    for flat in of(Seat::Shared) {
        steps.push_back((at, Step::PutOnScale(flat)));
        steps.push_back((at + Span::minutes(2), Step::PourOnScale(flat)));
        steps.push_back((at + Span::minutes(4), Step::LiftOff(flat)));
        at = at + Span::minutes(6);
    }
    for flat in of(Seat::Kitchen) {
        steps.push_back((at, Step::Type(flat)));
        steps.push_back((at + Span::minutes(5), Step::PourAside(flat)));
        at = at + Span::minutes(6);
    }
    steps
}

fn take(step: Step, scene: &Scene, view: &View, house: &mut House) -> Vec<Done> {
    let berth = |flat: usize| scene.berths.get(flat);
    match step {
        Step::BeginRound => vec![Done::Says {
            to: format!("stands/{SHARED_SCALE}"),
            command: "round".to_owned(),
            shown: Some("begins a round with the shared scale".to_owned()),
        }],
        Step::PutOnScale(flat) => {
            house.act(Act::Flat(flat, Doing::PutBack { stand: Some(scene.shared_scale()) }));
            Vec::new()
        }
        Step::LiftOff(flat) => {
            house.act(Act::Flat(flat, Doing::Lift));
            Vec::new()
        }
        Step::PourOnScale(flat) => {
            let advised = berth(flat).and_then(|berth| view.advised(berth.id));
            let grams = (advised.unwrap_or_default() / JUG).round() * JUG;
            let pours = Doing::Pour { grams, over: Span::seconds(30), below: false };
            let poured = grams > 0.0 && house.act(Act::Flat(flat, pours));
            if poured { vec![Done::Pours(flat, grams)] } else { Vec::new() }
        }
        Step::Type(flat) => {
            let (Some(berth), Some(truth)) = (berth(flat), house.truth(flat)) else { return Vec::new() };
            let grams = truth.weight.round();
            vec![Done::Says {
                to: format!("flats/{}", berth.id),
                command: json!({"command": "weigh", "weight_g": grams}).to_string(),
                shown: Some(format!("types what the kitchen scale says of {}: {grams} g", berth.label)),
            }]
        }
        Step::PourAside(flat) => {
            let Some(berth) = berth(flat) else { return Vec::new() };
            let advised = view.advised(berth.id).unwrap_or_default();
            let grams = (advised / JUG).round() * JUG;
            if grams <= 0.0 || !house.act(Act::Flat(flat, Doing::Pour { grams, over: Span::seconds(60), below: false }))
            {
                return Vec::new();
            }
            let command = json!({"command": "watered", "volume_ml": grams}).to_string();
            vec![Done::Says { to: format!("flats/{}", berth.id), command, shown: None }, Done::Pours(flat, grams)]
        }
    }
}

/// Ten passes, ten minutes apart, on the stand; then it drips.
fn soak() -> Doing {
    Doing::Soak { passes: 10, grams: 250.0, rest: Span::minutes(6), drips: Span::minutes(40), at_the_sink: false }
}

fn next_round(now: SimTime) -> SimTime {
    let at = |day: i64, minutes: i64| SimTime::at(day, minutes / 60, minutes % 60);
    let today = ROUNDS.iter().map(|minutes| at(now.day(), *minutes)).find(|round| *round > now);
    today.unwrap_or_else(|| at(now.day() + 1, ROUNDS[0]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn after_the_last_round_comes_the_first_of_the_next_day() {
        assert_eq!(next_round(SimTime::at(2, 9, 10)), SimTime::at(2, 10, 20));
        assert_eq!(next_round(SimTime::at(2, 10, 20)), SimTime::at(2, 13, 20));
        assert_eq!(next_round(SimTime::at(2, 23, 0)), SimTime::at(3, 10, 20));
    }
}
