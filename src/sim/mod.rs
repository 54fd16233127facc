//! A house of seedling flats as physics has it: water, plants, load cells, people, weather, valves, networks.
//!
//! The engine is tried against it, and the demo shows it. Everything is made up from a [`HousePlan`] and a seed; the same plan and
//! seed give the same bytes on every machine. [`House::advance`] lets time pass, [`House::poll`] gives what the devices publish, in
//! the order in which it arrives; [`House::truth`] knows what no scale can tell, and [`House::injected`] what was done.
//!
//! ```
//! use tarewell::moment::Span;
//! use tarewell::sim::{Act, CellPlan, Doing, FlatPlan, House, HousePlan, Message, SimTime};
//!
//! let pour = Act::Flat(0, Doing::Pour { grams: 300.0, over: Span::seconds(30), below: false });
//! let plan = HousePlan {
//!     flats: vec![FlatPlan::cells(72).on(0)],
//!     stands: vec![CellPlan::default()],
//!     acts: vec![(SimTime::at(0, 9, 0), pour)],
//!     ..HousePlan::default()
//! };
//! let mut house = House::new(plan, 1, SimTime::at(0, 8, 0));
//! house.advance(SimTime::at(0, 10, 0));
//! let mut readings = 0;
//! while let Some(sent) = house.poll() {
//!     readings += usize::from(matches!(sent.message, Message::Reading { .. }));
//! }
//! let truth = house.truth(0).ok_or("there is one flat")?;
//! assert_eq!((readings, truth.arrived), (720, 300.0));
//! # Ok::<(), String>(())
//! ```
//!
//! Equations and defaults, with their sources, stand at the types of the plan. Where none is named they are plausible, not measured.

mod act;
mod cell;
mod flat;
mod house;
mod numbers;
mod people;
mod plan;
mod post;
mod random;
mod room;
mod scale;
mod sent;
mod time;
mod troubles;
mod truth;
mod valve;
mod water;

pub use act::{Act, Deed, Doing, Injected, Mishap, Trouble, ValveOrder};
pub use cell::Tally;
pub use flat::Place;
pub use house::House;
pub use plan::{
    Canopy, CellPlan, Drains, Evaporation, Feed, FlatPlan, Glitch, Growth, Habits, HousePlan, Light, Mix, NetworkPlan,
    Onto, Outage, Reports, RoomPlan, Shows, Spell, Steps, SupplyPlan, Timer, ValvePlan, Wetting,
};
pub use scale::{Turn, WeighRound};
pub use sent::{Failure, Message, Sent, Value};
pub use time::SimTime;
pub use truth::{StandTruth, Truth};
pub use valve::ValveTruth;
