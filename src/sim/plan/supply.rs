//! Valves and the tanks they draw from.

use crate::moment::Span;

/// A valve that opens while it has current. The default takes 0.25 s to open and 0.20 s to close, and 9 g run out of its hose after that
/// (time constant 4 s).
#[derive(Debug, Clone, PartialEq)]
pub struct ValvePlan {
    /// Where its water falls, and how much at a full tank.
    pub feeds: Vec<Feed>,
    /// The tank it draws from; `None`: mains, always the same head.
    pub supply: Option<usize>,
    /// How much the flow differs from opening to opening (relative standard deviation).
    pub spread: f64,
    /// From the order to water.
    pub opens_in: Span,
    /// From the order to none.
    pub closes_in: Span,
    /// What its hose holds, g, and loses after it has closed.
    pub hose: f64,
    /// How slowly the hose empties, s.
    pub hose_empties_in: f64,
    /// What its own timer does.
    pub timer: Timer,
    /// What it says of itself.
    pub reports: Reports,
    /// How long an order takes to reach it.
    pub order_takes: Span,
    /// Share of orders that never do.
    pub orders_lost: f64,
    /// Share of orders that come twice, the second 1 to 5 s later.
    pub orders_doubled: f64,
    /// Share of orders that come late, and by how much.
    pub orders_late: (f64, Span),
}

/// Where a part of a valve's water falls.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Feed {
    /// On what.
    pub onto: Onto,
    /// At a full tank, g/s.
    pub flow: f64,
    /// Into the tray instead of onto the mix.
    pub below: bool,
}

/// What an emitter hangs over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Onto {
    /// Whatever flat is on that stand; onto the bench when there is none.
    Stand(usize),
    /// A flat, wherever it is; onto the bench while it is carried about.
    Flat(usize),
    /// Nothing: a master valve, or a bucket.
    Nothing,
}

/// What a device's own timer does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Timer {
    /// There is none: it stays open until it is closed.
    None,
    /// It closes after what the order says; every order to open begins it anew. An order that says nothing gets no timer.
    Ordered,
    /// As ordered, but never later than this.
    AtMost(Span),
}

/// What a valve says of itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reports {
    /// Nothing.
    Nothing,
    /// Whether it has current: a stuck valve does not show.
    Relay,
    /// Whether it is open.
    Position,
}

/// A tank above its valves: flow goes with the root of what is left (Torricelli).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SupplyPlan {
    /// When full, g.
    pub holds: f64,
    /// When the house begins, g.
    pub begins_with: f64,
    /// A valve without which none of the others gives water.
    pub master: Option<usize>,
}

impl Default for ValvePlan {
    fn default() -> Self {
        Self {
            feeds: Vec::new(),
            supply: None,
            spread: 0.03,
            opens_in: Span::from_millis(250),
            closes_in: Span::from_millis(200),
            hose: 9.0,
            hose_empties_in: 4.0,
            timer: Timer::Ordered,
            reports: Reports::Relay,
            order_takes: Span::ZERO,
            orders_lost: 0.0,
            orders_doubled: 0.0,
            orders_late: (0.0, Span::ZERO),
        }
    }
}

impl ValvePlan {
    /// A valve that gives 6 g/s onto what is on that stand.
    #[must_use]
    pub fn onto(stand: usize) -> Self {
        Self { feeds: vec![Feed { onto: Onto::Stand(stand), flow: 6.0, below: false }], ..Self::default() }
    }
}

impl Default for SupplyPlan {
    fn default() -> Self {
        Self { holds: 15_000.0, begins_with: 15_000.0, master: None }
    }
}
