//! Commands, read and resolved, as the engine takes them.

use super::input::Ticket;
use crate::alert::Of;
use crate::moment::{Span, Wall};
use crate::units::{Fraction, Grams, Millilitres};

/// What an event was, as a correction says.
pub use crate::flat::Taken as Was;

/// Whom a command is for. Indices are places in the plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Subject {
    /// A flat.
    Flat(usize),
    /// A stand.
    Stand(usize),
    /// A valve.
    Valve(usize),
    /// A supply.
    Supply(usize),
    /// The site itself.
    Site,
}

impl Subject {
    /// The word for `of` in events and alerts.
    #[must_use]
    pub const fn of(self) -> &'static str {
        match self {
            Self::Flat(_) => "flat",
            Self::Stand(_) => "stand",
            Self::Valve(_) => "valve",
            Self::Supply(_) => "supply",
            Self::Site => "site",
        }
    }
}

impl From<Of> for Subject {
    fn from(of: Of) -> Self {
        match of {
            Of::Flat(flat) => Self::Flat(flat),
            Of::Stand(stand) => Self::Stand(stand),
            Of::Valve(valve) => Self::Valve(valve),
            Of::Supply(supply) => Self::Supply(supply),
        }
    }
}

/// The site itself has no alerts.
impl TryFrom<Subject> for Of {
    type Error = ();

    fn try_from(subject: Subject) -> Result<Self, ()> {
        match subject {
            Subject::Flat(flat) => Ok(Self::Flat(flat)),
            Subject::Stand(stand) => Ok(Self::Stand(stand)),
            Subject::Valve(valve) => Ok(Self::Valve(valve)),
            Subject::Supply(supply) => Ok(Self::Supply(supply)),
            Subject::Site => Err(()),
        }
    }
}

/// One command with what came along.
#[derive(Debug, Clone, PartialEq)]
pub struct Order {
    /// Whom it is for.
    pub to: Subject,
    /// The word it was given as, for events and answers.
    pub word: String,
    /// What to do; or why it could not be read.
    pub command: Result<Command, String>,
    /// Its own id, among those to the same subject: a repeat within 24 h gets the first answer and does nothing, another
    /// command under it is refused.
    pub id: Option<String>,
    /// When it was given, if it says so; older than 30 s is refused.
    pub time: Option<Wall>,
    /// Whether the broker had kept it: refused, cleared and told.
    pub retained: bool,
    /// Whom to answer.
    pub ticket: Option<Ticket>,
}

/// `set`: only the keys that were given. `None` inside: back to the file.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Set {
    /// See [`crate::flat::Limits::low`].
    pub low: Option<Option<Fraction>>,
    /// See [`crate::flat::Limits::water_at`].
    pub water_at: Option<Option<Fraction>>,
    /// See [`crate::flat::Limits::target`].
    pub target: Option<Option<Fraction>>,
    /// See [`crate::flat::Limits::high`].
    pub high: Option<Option<Fraction>>,
    /// Fresh mass of the plants since the band was recorded.
    pub plant_mass: Option<Option<Grams>>,
    /// Where the flat stands, in words.
    pub place: Option<Option<String>>,
}

/// What to do. A command of a part not yet built is [`Command::NotYet`].
#[derive(Debug, Clone, PartialEq)]
pub enum Command {
    /// Flat: the present steady weight is the dry weight.
    RecordDry,
    /// Flat: watch it soak and drain; or take the present steady weight now.
    RecordCapacity {
        /// Without watching.
        now: bool,
    },
    /// Flat: back to the file's band.
    ForgetBand,
    /// Flat: back to before the last record.
    Undo,
    /// Flat: change settings.
    Set(Set),
    /// Flat: it now sits on this stand; `None`: on none.
    Move {
        /// The stand's place in the plan.
        stand: Option<usize>,
    },
    /// Flat: tell nobody about its alerts for a while.
    Shelve {
        /// How long.
        time: Span,
    },
    /// Stand: this is what is on it.
    Holds {
        /// The flat's place in the plan.
        flat: Option<usize>,
    },
    /// Stand: empty, it reads 0.
    Zero {
        /// Even with a flat known on it, or far from the last zero.
        force: bool,
    },
    /// Stand: this mass is on it.
    Span {
        /// The known mass.
        mass: Grams,
        /// Even if it changes by more than a tenth.
        force: bool,
    },
    /// Stand: back to the file's calibration.
    ForgetCalibration,
    /// Flat: it weighs this, by a kitchen scale.
    Weigh {
        /// What the scale says.
        weight: Grams,
        /// When it was weighed; now by default.
        at: Option<Wall>,
        /// Even if it can hardly be this flat.
        sure: bool,
    },
    /// Flat: this was poured where no scale saw it.
    Watered {
        /// How much.
        volume: Millilitres,
        /// When; now by default.
        at: Option<Wall>,
        /// Even if it is more than the flat can take.
        sure: bool,
    },
    /// Flat: a stage of its crop begins.
    Stage {
        /// By its name.
        name: String,
    },
    /// Flat: its seedlings are up.
    Emerged,
    /// Flat: its dome is on, or off.
    Dome {
        /// On.
        on: bool,
    },
    /// Flat: an event was something else.
    Correct {
        /// The number of the event.
        seq: u64,
        /// What it was.
        was: Was,
        /// So many cells were taken out.
        cells: Option<u32>,
    },
    /// Flat: so many cells were taken out where no scale saw it.
    CellsTaken {
        /// How many.
        cells: u32,
    },
    /// Flat: its plants go on in these.
    PotOn {
        /// Places in the plan.
        into: Vec<usize>,
    },
    /// Flat: something to remember.
    Note {
        /// A word, such as `fed`.
        kind: String,
        /// The rest.
        text: String,
    },
    /// Stand: it tared itself under this flat.
    Restore {
        /// The flat's place in the plan.
        flat: usize,
    },
    /// Stand, shared: the next steady weight is this flat's.
    WeighOn {
        /// The flat's place in the plan.
        flat: usize,
        /// Whatever it weighs.
        sure: bool,
    },
    /// Stand, shared: weigh these in turn.
    Round {
        /// Places in the plan; `None`: all without a stand of their own, in walking order.
        flats: Option<Vec<usize>>,
    },
    /// Stand, shared: on to the next of the round.
    Next,
    /// Stand, shared: the one before once more.
    Back,
    /// Stand, shared: leave this one out.
    Skip,
    /// Stand, shared: the round is over.
    End,
    /// Stand, shared: a command about turns, only if it is this flat's turn; a single `weigh` or a round may then put an end to what is
    /// under way.
    AtTurnOf {
        /// The flat's place in the plan.
        flat: usize,
        /// What to do then.
        then: Box<Command>,
    },
    /// Flat: its valve's plan for it alone, or this volume.
    Water {
        /// How much; `None`: up to its target.
        volume: Option<Millilitres>,
    },
    /// Valve: its plan, or this volume.
    Run {
        /// The valve's total; `None`: the plan.
        volume: Option<Millilitres>,
        /// Only this plan, by the number in its id.
        plan: Option<u64>,
    },
    /// Flat, valve or site: close now, in every mode.
    Stop,
    /// Valve: open into a bucket for so long.
    MeasureFlow {
        /// How long.
        run: Span,
    },
    /// Valve: what the bucket had caught; sets the flow.
    Caught {
        /// How much.
        volume: Millilitres,
    },
    /// Valve: a person has looked.
    Unlock,
    /// Site: no valve opens for so long.
    Pause {
        /// How long.
        time: Span,
    },
    /// Site: valves may open again.
    Resume,
    /// Site: a supply is full again, or holds this much.
    Refilled {
        /// The supply's place in the plan.
        supply: usize,
        /// How much it holds now; `None`: it is full.
        volume: Option<Millilitres>,
    },
    /// Known, but of a part that is not built yet.
    NotYet,
}
