//! Somebody who goes round the house and does what tarewell says.

use super::scene::Scene;
use super::view::View;
use crate::moment::Span;
use crate::sim::{Act, Doing, House, SimTime};

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
    /// Poured, in mL.
    Pours(usize, f64),
}

#[derive(Debug)]
pub struct Grower {
    next_round: SimTime,
    /// When the new flat is soaked; `None`: done.
    soaks_at: Option<SimTime>,
}

impl Grower {
    pub fn new(now: SimTime) -> Self {
        Self { next_round: next_round(now), soaks_at: Some(now + SOAKS_AFTER) }
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
            for (flat, berth) in scene.berths.iter().enumerate() {
                let Some(advised) = view.advised(berth.id) else { continue };
                let grams = (advised / JUG).round() * JUG;
                let below = scene.is_watered_from_below(berth.id);
                if grams > 0.0 && house.act(Act::Flat(flat, Doing::Pour { grams, over: Span::seconds(60), below })) {
                    done.push(Done::Pours(flat, grams));
                }
            }
        }
        done
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
