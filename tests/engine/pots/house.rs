//! Pots of the simulated house, under conditions that change: what the recording of real pots has none of.
//!
//! Made-up data: it can show where the forecast fails, not that it is right.

use super::Weighing;
use tarewell::moment::Span;
use tarewell::sim::{
    Act, CellPlan, Doing, FlatPlan, House, HousePlan, Light, Message, RoomPlan, SimTime, Spell, Steps,
};

/// One reading of each pot.
const PERIOD: Span = Span::minutes(20);
/// A pot is watered when less than this is left at 8 in the morning …
const WATERED_BELOW: f64 = 0.40;
/// … to this.
const WATERED_TO: f64 = 0.95;

/// What changes in a house.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weather {
    /// Lamps by the clock, plants that grow.
    Steady,
    /// On day 7 lamps of half as much again; on day 14 four hours less of them.
    OtherLamps,
    /// Seven degrees warmer for three days, twice.
    HeatWave,
    /// A window: each day clouds take a random share, up to six tenths.
    Window,
    /// Plants that cover the mix within these days.
    Growth,
}

impl Weather {
    pub const ALL: [Self; 5] = [Self::Steady, Self::OtherLamps, Self::HeatWave, Self::Window, Self::Growth];

    pub const fn words(self) -> &'static str {
        match self {
            Self::Steady => "steady lamps",
            Self::OtherLamps => "lamps changed twice",
            Self::HeatWave => "two heat waves",
            Self::Window => "a window with clouds",
            Self::Growth => "fast growth",
        }
    }

    fn room(self) -> RoomPlan {
        let lamps = |on, off, strength| Light::Lamps { on, off, ramp: 0.5, strength };
        let warm = |day| Spell {
            from: SimTime::at(day, 7, 0),
            until: SimTime::at(day + 3, 7, 0),
            warmer: 7.0,
            humidity: None,
        };
        match self {
            Self::Steady | Self::Growth => RoomPlan::default(),
            Self::OtherLamps => RoomPlan {
                relit: vec![
                    (SimTime::at(7, 0, 0), lamps(6.0, 22.0, 1.5)),
                    (SimTime::at(14, 0, 0), lamps(8.0, 20.0, 1.5)),
                ],
                ..RoomPlan::default()
            },
            Self::HeatWave => RoomPlan { spells: vec![warm(6), warm(14)], ..RoomPlan::default() },
            Self::Window => RoomPlan { light: Light::Sun { rise: 6.5, set: 19.5 }, clouds: 0.6, ..RoomPlan::default() },
        }
    }

    fn age(self, flat: u32) -> f64 {
        match self {
            // Half-way through the closing of the canopy.
            Self::Growth => 12.0 + f64::from(flat),
            _ => 6.0 + 6.0 * f64::from(flat),
        }
    }
}

/// Six pots of different trays over three weeks, as a stand weighs them.
pub fn pots(weather: Weather, seed: u64) -> Vec<Vec<Weighing>> {
    let trays = [24, 50, 72, 128, 200, 60];
    let flats: Vec<FlatPlan> = trays
        .iter()
        .zip(0..)
        .map(|(&cells, place)| {
            let flat = FlatPlan { age: weather.age(place), ..FlatPlan::cells(cells) };
            flat.at_fraction(0.95).on(place as usize)
        })
        .collect();
    let cell = CellPlan { period: PERIOD, phase: Some(Span::minutes(10)), ..CellPlan::default() };
    let plan = HousePlan {
        stands: vec![cell; flats.len()],
        flats,
        room: weather.room(),
        steps: Steps { calm: Span::seconds(60), ..Steps::default() },
        ..HousePlan::default()
    };
    let mut house = House::new(plan, seed, SimTime::at(0, 0, 0));
    let mut pots = vec![Vec::new(); trays.len()];
    let mut added = vec![0.0; trays.len()];
    for day in 0..21 {
        for hour in 0..24 {
            if hour == 8 {
                (0..trays.len()).for_each(|flat| water(&mut house, flat));
            }
            // What was poured is known once it is on; no reading falls into the minute in between.
            house.advance(SimTime::at(day, hour, 5));
            for (flat, added) in added.iter_mut().enumerate() {
                *added = house.truth(flat).map_or(0.0, |truth| truth.arrived);
            }
            house.advance(SimTime::at(day, hour + 1, 0));
            while let Some(sent) = house.poll() {
                if let Message::Reading { stand, value: Ok(raw), .. } = sent.message {
                    let hour = sent.at.days() * 24.0;
                    pots[stand].push(Weighing { hour, raw, corrected: raw - added[stand], doubted: false });
                }
            }
        }
    }
    pots
}

fn water(house: &mut House, flat: usize) {
    let Some(truth) = house.truth(flat).filter(|truth| truth.fraction < WATERED_BELOW) else { return };
    let grams = (WATERED_TO - truth.fraction) * (truth.capacity_weight - truth.dry_weight);
    house.act(Act::Flat(flat, Doing::Pour { grams, over: Span::minutes(2), below: true }));
}
