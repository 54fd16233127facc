//! Weight → water left.

mod band;
mod condition;
mod drying;
mod fill;
mod ledger;
mod pace;
mod plant;
mod season;
mod settings;
mod soak;
mod stages;
pub mod usual;

pub use band::{Band, BandFrom, HEAVIEST};
pub use condition::Condition;
pub use drying::{Asked, Drying, Forecast, Loss, Rate, Water};
pub use fill::{KnownEnds, Measured, Recipe, out_of_line};
pub use ledger::{Derived, Entry, FULL, Ledger, Setting, Taken, carried_over, later};
pub use pace::{Kin, Leader, Pace, Prior, Shown};
pub use plant::{Grown, Growth, OddSoak, Plants, Seedtime, Weighing, tolerance};
pub use season::{Altered, Commanded, Ends, Over, Replaced, Season};
pub use settings::{Begins, FillSettings, FlatSettings, Limits, MixWhenFilled, SomeLimits, StageSettings};
pub use soak::{Soak, SoakPhase, SoakStep};
pub use stages::{StageSaid, by_days, in_force};
