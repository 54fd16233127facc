//! The plan of a site: what the configuration settles, checked, in the words of the rooms.

use crate::flat::{FillSettings, FlatSettings};
use crate::moment::Zone;
use crate::stand::StandSettings;
use crate::units::Words;
use crate::watering::{SupplySettings, ValveSettings};

/// Everything the engine knows before the first input. Indices are places in these lists, in the file's order.
#[derive(Debug, Clone)]
pub struct Plan {
    /// What the site is called.
    pub name: String,
    /// Its time zone.
    pub zone: Zone,
    /// The units people read.
    pub words: Words,
    /// The first part of all topics, without a slash at its end.
    pub base_topic: String,
    /// Recipes.
    pub fills: Vec<FillSettings>,
    /// Stands by id.
    pub stands: Vec<(String, StandSettings)>,
    /// Flats by id, in walking order.
    pub flats: Vec<(String, FlatSettings)>,
    /// Valves.
    pub valves: Vec<ValveSettings>,
    /// Supplies.
    pub supplies: Vec<SupplySettings>,
}
