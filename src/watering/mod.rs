//! Water left → what to deliver, safely.

mod bed;
mod ended;
mod flow;
mod guard;
mod need;
mod plan;
mod pour;
mod pulses;
mod settings;
mod settle;
mod terms;

pub use bed::{Bed, Scale};
pub use ended::Ended;
pub use flow::{FlowFit, InFlight};
pub use guard::{Objection, Passing, Situation, objection};
pub use need::{Need, common_time, headroom_time, to_target};
pub use plan::{Fed, LimitedBy, Plan, Share, longest_pulse, max_per_day, plan, plan_volume};
pub use pour::Pour;
pub use pulses::{Pulse, pulses, rest, run_time, uptake};
pub use settings::{Feed, MASTER_LONGER, Method, Mode, SupplySettings, ValveSettings};
pub use terms::{Goal, Lesson, Opening, Phase, Rules, Settled, WhyClose};
