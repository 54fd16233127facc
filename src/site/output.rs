//! Everything that a site wants done, as the adapters take it.

use super::command::Subject;
use super::input::Ticket;
use crate::alert::{Kind, Severity};
use crate::moment::Wall;
use crate::units::{Fraction, Grams, Millilitres};
use serde_json::{Map, Value};

/// What is to be done.
#[derive(Debug, Clone, PartialEq)]
pub enum Output {
    /// Publish the present state of this flat, stand or valve (retained); ask the site for it.
    State(Subject),
    /// Publish this raised alert (retained); ask the site for it.
    AlertRaised(Kind, Subject),
    /// Clear the retained topic of this alert.
    AlertCleared(Kind, Subject),
    /// Publish and keep this event.
    Event(Event),
    /// Answer a command.
    Answer(Ticket, Answer),
    /// Clear the retained command that arrived for this subject.
    ClearCommand(Subject),
    /// Keep what must survive of this subject; ask the site for it.
    Keep(Subject),
    /// Keep this alert's record; ask the site for it. `None` there: forget it.
    KeepAlert(Kind, Subject),
    /// Keep one weight of a flat for history and plots.
    Weight(Sample),
    /// Tell whoever is to be told.
    Tell(Message),
    /// Tell nobody about this raised alert before then.
    Shelved(Kind, Subject, Wall),
    /// Order a valve, at once and on its own connection. One to open is thrown away when that is not up, and never sent again.
    Valve(usize, ValveOrder),
    /// Clear what the broker keeps on the command topic of this valve.
    ClearValve(usize),
    /// Bring all that was to be kept so far onto the disk, then say so with [`super::Input::Flushed`].
    Flush(u64),
}

/// An order to a valve.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ValveOrder {
    /// Open.
    Open {
        /// For the device's own timer, which closes it at the latest then: whole seconds, never above `max_run`.
        seconds: u32,
    },
    /// Close.
    Close,
}

/// Who opened or closed a valve.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Opener {
    /// This program.
    Us,
    /// Somebody else, or the device's own timer.
    Other,
}

impl Opener {
    /// The word of the contract.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Us => "tarewell",
            Self::Other => "other",
        }
    }
}

/// The answer to a command: what to add to `"ok":true`, or why not.
pub type Answer = Result<Map<String, Value>, String>;

/// One weight of a flat, thinned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// The flat's place in the plan.
    pub flat: usize,
    /// When it was weighed.
    pub at: Wall,
    /// The weight.
    pub weight: Grams,
    /// Its share of the band, if there is one.
    pub fraction: Option<Fraction>,
}

/// A message for a phone: a rise or an end of an alert.
#[derive(Debug, Clone, PartialEq)]
pub struct Message {
    /// The kind of the alert.
    pub kind: Kind,
    /// What it is about.
    pub subject: Subject,
    /// How grave.
    pub severity: Severity,
    /// Whether it is raised; else it has cleared.
    pub raised: bool,
    /// One line.
    pub title: String,
    /// What a person can act on.
    pub text: String,
    /// When it rose.
    pub since: Wall,
    /// Its flat's alerts are shelved: nobody is to be told now.
    pub shelved: bool,
}

/// Something that happened.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// Grows by one for each event of this site, over restarts.
    pub seq: u64,
    /// When.
    pub at: Wall,
    /// To what.
    pub subject: Subject,
    /// What.
    pub what: Happening,
}

/// Who watered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// Somebody, by hand.
    Hand,
    /// A valve.
    Valve,
    /// It cannot be told.
    Unknown,
}

impl By {
    /// The word of the contract.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Hand => "hand",
            Self::Valve => "valve",
            Self::Unknown => "unknown",
        }
    }
}

/// How a round goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RoundStep {
    /// It has begun.
    Started,
    /// It goes on after a restart.
    Resumed,
    /// It is over.
    Ended,
}

/// What can be told of in an event; the fields are those of the contract's table.
#[derive(Debug, Clone, PartialEq)]
pub enum Happening {
    /// `lifted`
    Lifted,
    /// `returned`
    Returned {
        /// Against the weight before it was lifted.
        change: Grams,
    },
    /// `watered`
    Watered {
        /// Gross, drainage added back.
        added: Millilitres,
        /// What stayed.
        kept: Millilitres,
        /// By whom.
        by: By,
        /// Away from its stand.
        away: bool,
        /// When it was poured, where that was told with it.
        told_at: Option<Wall>,
    },
    /// `dome-on` or `dome-off`
    Dome {
        /// On.
        on: bool,
        /// By how much the weight changed.
        change: Grams,
    },
    /// `removed`
    Removed {
        /// By how much the weight changed; negative.
        change: Grams,
    },
    /// `bumped`
    Bumped {
        /// By how much the weight changed.
        change: Grams,
    },
    /// `visited`
    Visited {
        /// By how much the weight changed.
        change: Grams,
    },
    /// `soaking`: one more pass of water.
    Soaking {
        /// Which pass.
        pass: u32,
        /// The weight now.
        weight: Grams,
    },
    /// `draining`
    Draining {
        /// The weight now.
        weight: Grams,
    },
    /// `drained`
    Drained {
        /// The weight it stands at.
        weight: Grams,
    },
    /// `dry-recorded`
    DryRecorded {
        /// Before.
        from: Option<Grams>,
        /// Now.
        to: Option<Grams>,
    },
    /// `capacity-recorded`
    CapacityRecorded {
        /// Before.
        from: Option<Grams>,
        /// Now.
        to: Option<Grams>,
    },
    /// `capacity-recorded` on a band that has held for days: what came on top of its capacity is plants.
    PlantsRecorded {
        /// What was expected.
        from: Grams,
        /// What the soak has shown.
        to: Grams,
    },
    /// `band-forgotten`: back to the file's.
    BandForgotten,
    /// `undone`: by the grower.
    Undone {
        /// `band` (a record, a number of plants, or forgetting), `soak` (one that recorded nothing), `record-capacity` (a watch), `pot-on`.
        what: &'static str,
        /// The number of the event that told of it, if one did.
        undoes: Option<u64>,
    },
    /// `weighed`: on a shared scale, or typed.
    Weighed {
        /// The weight before.
        from: Option<Grams>,
        /// The weight now.
        to: Grams,
        /// How it was weighed.
        basis: &'static str,
        /// When it was weighed.
        at: Wall,
    },
    /// `round-started`, `round-resumed` or `round-ended`: of a shared stand.
    Round {
        /// Which of the three.
        step: RoundStep,
        /// The id of the flat whose turn it is, if it is one's.
        next: Option<String>,
        /// So many flats have been weighed.
        weighed: usize,
        /// So many are in the round.
        of: usize,
        /// The ids of those that have not been weighed.
        missing: Vec<String>,
    },
    /// `noted`: by the grower.
    Noted {
        /// A word, such as `fed`.
        kind: String,
        /// The rest.
        text: String,
    },
    /// `corrected`: an event had been read wrongly.
    Corrected {
        /// The number of the event.
        seq: u64,
        /// What it was taken for.
        from: &'static str,
        /// What it was.
        to: &'static str,
    },
    /// `potted-on`: its plants have gone on into other flats.
    PottedOn {
        /// Their ids.
        into: Vec<String>,
    },
    /// `renamed`: a flat has another id in the file, which says what it was formerly.
    Renamed {
        /// Before.
        from: String,
        /// Now.
        to: String,
    },
    /// `retired`: a flat has left the file. It is told of the flat, which has no place in the plan any more.
    Retired {
        /// Its id.
        flat: String,
    },
    /// `moved`: from stand to stand, by id.
    Moved {
        /// Before.
        from: Option<String>,
        /// Now.
        to: Option<String>,
    },
    /// `stage-changed`
    StageChanged {
        /// Before.
        from: Option<String>,
        /// Now.
        to: Option<String>,
    },
    /// `setting-replaced`: the file won over what a command had set, or has left it to what was recorded.
    SettingReplaced {
        /// The key.
        what: String,
        /// What held before.
        from: Value,
        /// What holds now.
        to: Value,
    },
    /// `alert-raised`
    AlertRaised {
        /// Which.
        kind: Kind,
        /// How grave.
        severity: Severity,
        /// One line.
        title: String,
    },
    /// `alert-cleared`
    AlertCleared {
        /// Which.
        kind: Kind,
        /// How grave it was.
        severity: Severity,
        /// What it had said, in one line.
        title: String,
        /// Why it ended, in plain words.
        reason: String,
    },
    /// `watering-started`
    WateringStarted {
        /// What is to be poured.
        volume: Millilitres,
    },
    /// `watering-ended`
    WateringEnded {
        /// What was to be poured.
        volume: Millilitres,
        /// What was, by the weights where there are any.
        delivered: Millilitres,
        /// Why it ended.
        reason: crate::watering::Ended,
        /// What broke it off, for people.
        why: Option<String>,
        /// What each fed flat has got, by its id.
        flats: Vec<(String, Millilitres)>,
    },
    /// `valve-opened`
    ValveOpened {
        /// By whom.
        by: Opener,
    },
    /// `valve-closed`
    ValveClosed {
        /// How long it was open.
        open_for: crate::moment::Span,
        /// Who had opened it.
        by: Opener,
    },
    /// `retained-order-cleared`: an order kept by the broker was found on its command topic.
    RetainedOrderCleared,
    /// `locked`: nothing opens it before a person has looked and unlocked it.
    Locked {
        /// One word.
        reason: &'static str,
        /// For people.
        text: String,
    },
    /// `unlocked`
    Unlocked {
        /// What it was locked for.
        reason: &'static str,
    },
    /// `command-refused`
    CommandRefused {
        /// The word it came as.
        command: String,
        /// Why.
        error: String,
    },
}
