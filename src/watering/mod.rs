//! Water left → what to deliver, safely.

mod ended;
mod need;
mod plan;
mod pulses;
mod settings;

pub use ended::Ended;
pub use need::{Need, common_time, headroom_time, to_target};
pub use plan::{Fed, LimitedBy, Plan, Share, max_per_day, plan};
pub use pulses::{Pulse, pulses, run_time};
pub use settings::{Feed, Method, Mode, SupplySettings, ValveSettings};
