//! Light, warmth and dryness of the air, as functions of time alone.

use super::numbers::{exp, sin_half_turn};
use super::plan::{Light, RoomPlan};
use super::random::{For, Random};
use super::time::SimTime;

/// The air at a time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Climate {
    /// Share of a flat's evaporation by night that goes on.
    pub night: f64,
    /// Share of its evaporation by day that is added.
    pub day: f64,
    /// Factor on both for the dryness of the air.
    pub dries: f64,
    /// Temperature of the air, °C.
    pub air: f64,
}

/// Another weather, worked out once.
#[derive(Debug, Clone, Copy)]
struct Weather {
    from: SimTime,
    until: SimTime,
    warmer: f64,
    dries: f64,
}

#[derive(Debug, Clone)]
pub(super) struct Room {
    plan: RoomPlan,
    /// In the order of the plan; the first that applies counts.
    weather: Vec<Weather>,
    dries: f64,
    seed: u64,
}

impl Room {
    pub fn new(mut plan: RoomPlan, seed: u64) -> Self {
        plan.relit.sort_by_key(|(from, _)| *from);
        let weather = plan.spells.iter().map(|spell| Weather {
            from: spell.from,
            until: spell.until,
            warmer: spell.warmer,
            dries: dryness(&plan, spell.warmer, spell.humidity),
        });
        let weather = weather.collect();
        let dries = dryness(&plan, 0.0, None);
        Self { plan, weather, dries, seed }
    }

    pub fn at(&self, time: SimTime) -> Climate {
        let hour = time.hour();
        let light = self.plan.relit.iter().rev().find(|(from, _)| *from <= time).map_or(self.plan.light, |lit| lit.1);
        let spell = self.weather.iter().find(|spell| spell.from <= time && time < spell.until);
        let (warmer, dries) = spell.map_or((0.0, self.dries), |spell| (spell.warmer, spell.dries));
        let (night, day, bright) = match light {
            Light::Lamps { on, off, ramp, strength } => {
                let share = lamps(hour, on, off, ramp);
                (1.0 - share, share * strength, share)
            }
            Light::Sun { rise, set } => {
                let bright = sin_half_turn((hour - rise) / (set - rise)) * self.clear_sky(time);
                (1.0, bright, bright)
            }
            Light::Dark => (1.0, 0.0, 0.0),
        };
        let air = self.plan.mean + self.plan.swing * (2.0 * bright - 1.0) + warmer;
        Climate { night, day, dries, air }
    }

    /// What clouds leave of that day's sun.
    fn clear_sky(&self, time: SimTime) -> f64 {
        if self.plan.clouds <= 0.0 {
            return 1.0;
        }
        let day = usize::try_from(time.day()).unwrap_or_default();
        1.0 - self.plan.clouds * Random::stream(self.seed, For::Clouds, day).unit()
    }
}

fn lamps(hour: f64, on: f64, off: f64, ramp: f64) -> f64 {
    if hour < on || hour > off {
        return 0.0;
    }
    if ramp <= 0.0 {
        return 1.0;
    }
    ((hour - on) / ramp).min((off - hour) / ramp).min(1.0)
}

/// Vapour pressure deficit against that of 21 °C and 60 %. Saturation pressure by Tetens' formula as in FAO Irrigation and
/// Drainage Paper 56 (Allen and others 1998), equation 11.
fn dryness(plan: &RoomPlan, warmer: f64, humidity: Option<f64>) -> f64 {
    let saturation = |celsius: f64| 0.6108 * exp(17.27 * celsius / (celsius + 237.3));
    let warm = plan.mean + warmer;
    let held = match humidity {
        Some(humidity) => humidity * saturation(warm),
        None => plan.humidity * saturation(plan.mean),
    };
    let usual = (1.0 - 0.6) * saturation(21.0);
    ((saturation(warm) - held) / usual).max(0.0)
}
