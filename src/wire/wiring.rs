//! Which topic carries what: settled by the configuration, read by the wire and the client.

use crate::site::Part;
use crate::units::Millilitres;

/// A JSON Pointer (RFC 6901), already checked: the reference tokens, unescaped. Empty: the whole document.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Pointer(pub Vec<String>);

impl std::fmt::Display for Pointer {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.0.is_empty() {
            return out.write_str("whole document");
        }
        self.0.iter().try_for_each(|token| write!(out, "/{}", token.replace('~', "~0").replace('/', "~1")))
    }
}

/// What a subscribed topic is to the engine. Indices are places in the plan.
#[derive(Debug, Clone, PartialEq)]
pub enum Role {
    /// A weight.
    Weight {
        /// The stand.
        stand: usize,
        /// The whole or one cell.
        part: Part,
    },
    /// The temperature of a stand's cells.
    Temperature {
        /// The stand.
        stand: usize,
    },
    /// Whether a stand is there.
    Availability {
        /// The stand.
        stand: usize,
        /// The payload that says it is.
        online: String,
        /// The payload that says it is not.
        offline: String,
    },
    /// What a valve says of itself; one that the broker has kept counts too.
    Report {
        /// The valve.
        valve: usize,
        /// What it says when it is open.
        open: String,
        /// What it says when it is closed.
        closed: String,
    },
    /// What holds a valve while it says so; kept by the broker, it counts too.
    Hold {
        /// The valve.
        valve: usize,
        /// Which of its `never_while`.
        which: usize,
        /// What holds it.
        is: String,
    },
    /// What is left in a supply; kept by the broker, it counts too.
    Level {
        /// The supply.
        supply: usize,
        /// What one of the sensor's unit is.
        unit: Millilitres,
    },
}

/// One subscribed topic (no wildcards), where its value lies, and what it is. A topic may have several bindings.
#[derive(Debug, Clone, PartialEq)]
pub struct Binding {
    /// The topic.
    pub topic: String,
    /// Where in the payload; `None`: the payload is the bare value.
    pub value: Option<Pointer>,
    /// What it is.
    pub role: Role,
}

/// What is sent to a valve, and how its report is read.
#[derive(Debug, Clone, PartialEq)]
pub struct ValveWiring {
    /// The command topic.
    pub topic: String,
    /// The template that opens it.
    pub open: String,
    /// The payload that closes it.
    pub close: String,
    /// Sent before `open`: topic and template.
    pub before_open: Option<(String, String)>,
    /// Topic, place of the value, payload for open, payload for closed.
    pub report: Option<(String, Option<Pointer>, String, String)>,
    /// Topics that hold the valve: topic, place of the value, the value that holds it.
    pub never_while: Vec<(String, Option<Pointer>, String)>,
}

/// All topics of a site that are not its own.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Wiring {
    /// Subscribed topics of stands.
    pub bindings: Vec<Binding>,
    /// By the valves' places in the plan.
    pub valves: Vec<ValveWiring>,
    /// By the supplies' places in the plan: where its level is read.
    pub levels: Vec<Option<(String, Option<Pointer>, Millilitres)>>,
}
