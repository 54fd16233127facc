//! What is done to a house, by people or by mishap, and the record of it.

use super::plan::Glitch;
use super::time::SimTime;
use crate::moment::Span;

/// Something done at one moment; what takes longer goes on by itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Act {
    /// To that flat.
    Flat(usize, Doing),
    /// To that stand or its device.
    Stand(usize, Trouble),
    /// To that valve.
    Valve(usize, Mishap),
    /// To that tank: fills it up, or to that many grams.
    Refill {
        /// The tank's place in the plan.
        supply: usize,
        /// To how much; `None`: full.
        to: Option<f64>,
    },
    /// The broker is gone for that long.
    BrokerGone(Span),
}

/// What people do with a flat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Doing {
    /// Off its stand, with its tray, onto a bench.
    Lift,
    /// Over the sink: what stands in the tray and what drains leaves.
    ToTheSink,
    /// Onto a stand; `None`: the one it came from. Nothing happens when that is taken.
    PutBack {
        /// Which.
        stand: Option<usize>,
    },
    /// Lifted, looked at, put back.
    Look {
        /// How long it is away.
        lasts: Span,
    },
    /// Exchanged with another flat; both must be on stands.
    Swap {
        /// That one.
        with: usize,
    },
    /// Put on a scale that flats take turns on, and after a while back to where it was. Nothing happens while the scale is taken.
    Weigh {
        /// The scale's place among the stands.
        scale: usize,
        /// How long it lies there.
        lasts: Span,
    },
    /// Water by hand, where it is.
    Pour {
        /// How much.
        grams: f64,
        /// For how long.
        over: Span,
        /// Into the tray instead of onto the mix.
        below: bool,
    },
    /// Carried to the sink, watered, left to drip, brought back.
    WaterAtTheSink {
        /// How much.
        grams: f64,
        /// How long it drips.
        drips: Span,
    },
    /// Watered again and again until the mix takes no more, left to drip, and its tray emptied or itself brought back.
    Soak {
        /// How often at most.
        passes: u32,
        /// How much each time.
        grams: f64,
        /// From one to the next.
        rest: Span,
        /// How long it drips at the end.
        drips: Span,
        /// At the sink instead of on its stand.
        at_the_sink: bool,
    },
    /// What stands in the tray is poured away.
    EmptyTray,
    /// A share of the plants is pulled.
    Thin {
        /// Which share.
        share: f64,
    },
    /// Its dome is put on or taken off.
    Dome {
        /// On.
        on: bool,
    },
}

/// What happens to a stand or its device.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Trouble {
    /// Something leans on it or knocks it.
    Bump {
        /// How hard, g; upwards if negative.
        grams: f64,
        /// How long.
        lasts: Span,
    },
    /// Its zero moves, for good.
    Shift {
        /// By how much, g.
        grams: f64,
    },
    /// Something stands on it beside the flat, until it is 0 again: a known mass, a forgotten jug.
    Load {
        /// How much, g.
        grams: f64,
    },
    /// Not a digit changes.
    Freeze {
        /// How long.
        lasts: Span,
    },
    /// Nothing is published.
    Silence {
        /// How long.
        lasts: Span,
    },
    /// Its device starts anew; one that tares takes what is on it then for zero.
    Restart {
        /// How long nothing is published.
        lasts: Span,
    },
    /// More noise.
    Shake {
        /// Factor on the noise.
        factor: f64,
        /// How long.
        lasts: Span,
    },
    /// Every reading is a glitch.
    Garble {
        /// Of this kind.
        glitch: Glitch,
        /// How long.
        lasts: Span,
    },
}

/// What happens to a valve or its device.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Mishap {
    /// Once open it stays so, whatever it is told.
    StuckOpen,
    /// No water comes, whatever it is told.
    StuckClosed,
    /// Less water comes.
    Clogged {
        /// Share that still comes.
        passes: f64,
    },
    /// Water comes though it is closed.
    Leaks {
        /// Share of its flow.
        share: f64,
    },
    /// Whatever was wrong with it is put right.
    Mended,
    /// Its device has no current; the spring closes it. It comes back closed and says so.
    PowerCut {
        /// How long.
        lasts: Span,
    },
    /// Neither orders nor reports get through.
    Unreachable {
        /// How long.
        lasts: Span,
    },
    /// Somebody else orders it open.
    OpenedByOther {
        /// What that order says of the timer.
        timer: Option<Span>,
    },
}

/// An order to a valve.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ValveOrder {
    /// Open.
    Open {
        /// For the device's own timer.
        timer: Option<Span>,
    },
    /// Close.
    Close,
}

/// Something that was done, and when: what alerts and events are to be held against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Injected {
    /// When it began.
    pub at: SimTime,
    /// What.
    pub what: Deed,
}

/// Something that was done.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Deed {
    /// A flat was taken off a stand.
    Lifted {
        /// Which.
        flat: usize,
        /// From where.
        stand: usize,
    },
    /// A flat was put onto a stand.
    PutBack {
        /// Which.
        flat: usize,
        /// Where.
        stand: usize,
        /// With which weight, g.
        weight: f64,
    },
    /// Two flats changed places.
    Swapped {
        /// The one.
        flat: usize,
        /// The other.
        with: usize,
    },
    /// Somebody who weighs flats in turn takes two for each other.
    MixedUp {
        /// The one.
        flat: usize,
        /// The other.
        with: usize,
    },
    /// Somebody began to pour.
    Poured {
        /// Onto which flat.
        flat: usize,
        /// On which stand it was; `None`: elsewhere.
        stand: Option<usize>,
        /// How much, g.
        grams: f64,
        /// For how long.
        over: Span,
        /// Into the tray.
        below: bool,
    },
    /// A soak has ended, and what dripped is gone.
    Soaked {
        /// Which flat.
        flat: usize,
    },
    /// A tray was emptied.
    EmptiedTray {
        /// Of which flat.
        flat: usize,
        /// Of how much, g.
        grams: f64,
    },
    /// Plants were pulled.
    Thinned {
        /// Of which flat.
        flat: usize,
        /// How much, g.
        grams: f64,
    },
    /// A dome was put on or taken off.
    Dome {
        /// Of which flat.
        flat: usize,
        /// On.
        on: bool,
    },
    /// Something happened to a stand.
    Stand {
        /// Which.
        stand: usize,
        /// What.
        trouble: Trouble,
    },
    /// Something happened to a valve.
    Valve {
        /// Which.
        valve: usize,
        /// What.
        mishap: Mishap,
    },
    /// A valve's water began to run.
    ValveOpened {
        /// Which.
        valve: usize,
    },
    /// A valve shut; its hose still empties.
    ValveClosed {
        /// Which.
        valve: usize,
        /// What has come out of it since it opened, g.
        grams: f64,
    },
    /// A tank was filled.
    Refilled {
        /// Which.
        supply: usize,
        /// Holds now, g.
        level: f64,
    },
    /// The broker went.
    BrokerGone,
    /// The broker came back.
    BrokerBack,
}
