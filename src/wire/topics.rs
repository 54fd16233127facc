//! Every topic under the base, in one table.

use super::names::Names;
use crate::alert::Kind;
use crate::site::Subject;

/// Whether a broker keeps a topic's last message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Retained {
    /// Always.
    Yes,
    /// Until what it tells of is over; then it is cleared by an empty message.
    WhileRaised,
    /// Never.
    No,
}

/// One line of the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Row {
    /// What follows the base and a slash; `{id}` and `{kind}` stand for one level.
    pub pattern: &'static str,
    /// Whether the broker keeps it.
    pub retained: Retained,
    /// The quality of service it is published, or subscribed, with.
    pub qos: u8,
    /// Whether others write it and tarewell reads.
    pub read: bool,
    /// The payload, in words.
    pub payload: &'static str,
}

macro_rules! topics {
    ($($(#[$doc:meta])* $name:ident = $pattern:literal, $retained:ident, $qos:literal, $read:literal, $payload:literal;)*) => {
        /// A topic under the base.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum Topic {
            $($(#[$doc])* $name,)*
        }

        impl Topic {
            /// All of them, in the contract's order.
            pub const ALL: &[Self] = &[$(Self::$name,)*];

            /// Its line of the table.
            #[must_use]
            pub const fn row(self) -> Row {
                match self {
                    $(Self::$name => Row {
                        pattern: $pattern, retained: Retained::$retained, qos: $qos, read: $read, payload: $payload,
                    },)*
                }
            }
        }
    };
}

topics! {
    /// Whether the program is there.
    Status = "status", Yes, 1, false, "`online`; `offline` by Last Will and at a clean stop";
    /// A flat's state.
    Flat = "flats/{id}", Yes, 0, false, "flat state";
    /// A stand's state.
    Stand = "stands/{id}", Yes, 0, false, "stand state";
    /// A valve's state.
    Valve = "valves/{id}", Yes, 1, false, "valve state with its plan";
    /// A raised alert.
    Alert = "alerts/{kind}/{id}", WhileRaised, 1, false, "alert; an empty retained payload clears it";
    /// What happens.
    Events = "events", No, 1, false, "one object for each thing that happened";
    /// Commands to a flat.
    FlatCommand = "flats/{id}/command", No, 1, true, "a word, or `{\"command\": word, …}`";
    /// Commands to a stand.
    StandCommand = "stands/{id}/command", No, 1, true, "a word, or `{\"command\": word, …}`";
    /// Commands to a valve.
    ValveCommand = "valves/{id}/command", No, 1, true, "a word, or `{\"command\": word, …}`";
    /// Commands to the site.
    SiteCommand = "command", No, 1, true, "a word, or `{\"command\": word, …}`";
}

impl Topic {
    fn filled(self, base: &str, kind: &str, id: &str) -> String {
        let tail = self.row().pattern.replace("{kind}", kind).replace("{id}", id);
        format!("{base}/{tail}")
    }

    /// The filter that matches it for every id.
    #[must_use]
    pub fn filter(self, base: &str) -> String {
        self.filled(base, "+", "+")
    }

    /// The levels that `{kind}` and `{id}` stand for in `tail` (what follows the base and a slash), in their order
    /// and the first of them twice where there is but one; `None` if it is another topic.
    fn matched(self, tail: &str) -> Option<(&str, &str)> {
        let mut wild = [""; 2];
        let mut count = 0;
        let mut levels = tail.split('/');
        for wanted in self.row().pattern.split('/') {
            let level = levels.next()?;
            if wanted.starts_with('{') {
                *wild.get_mut(count)? = level;
                count += 1;
            } else if level != wanted {
                return None;
            }
        }
        levels.next().is_none().then_some((wild[0], wild[count.saturating_sub(1)]))
    }
}

/// The topic of a state: that of a flat, stand or valve; `None` for what has no state of its own.
#[must_use]
pub fn state(names: &Names, subject: Subject) -> Option<String> {
    let topic = match subject {
        Subject::Flat(_) => Topic::Flat,
        Subject::Stand(_) => Topic::Stand,
        Subject::Valve(_) => Topic::Valve,
        Subject::Supply(_) | Subject::Site => return None,
    };
    Some(topic.filled(names.base(), "", names.id(subject)))
}

/// The topic of an alert.
#[must_use]
pub fn alert(names: &Names, kind: Kind, subject: Subject) -> String {
    Topic::Alert.filled(names.base(), kind.name(), names.id(subject))
}

/// The topic of events.
#[must_use]
pub fn events(names: &Names) -> String {
    Topic::Events.filled(names.base(), "", "")
}

/// The topic that tells whether the program is there.
#[must_use]
pub fn status(names: &Names) -> String {
    Topic::Status.filled(names.base(), "", "")
}

/// The topic a subject takes commands on; a supply's are the site's.
#[must_use]
pub fn command(names: &Names, subject: Subject) -> String {
    let topic = match subject {
        Subject::Flat(_) => Topic::FlatCommand,
        Subject::Stand(_) => Topic::StandCommand,
        Subject::Valve(_) => Topic::ValveCommand,
        Subject::Supply(_) | Subject::Site => Topic::SiteCommand,
    };
    topic.filled(names.base(), "", names.id(subject))
}

/// Whom a topic commands: `None` if it takes no commands; an error if there is nothing of that id.
pub(super) fn commanded(names: &Names, topic: &str) -> Option<Result<Subject, String>> {
    let tail = below(names, topic)?;
    let of = |topic: Topic| topic.matched(tail).map(|(_, id)| id);
    if let Some(id) = of(Topic::FlatCommand) {
        Some(names.subject("flats", id))
    } else if let Some(id) = of(Topic::StandCommand) {
        Some(names.subject("stands", id))
    } else if let Some(id) = of(Topic::ValveCommand) {
        Some(names.subject("valves", id))
    } else {
        of(Topic::SiteCommand).map(|_| Ok(Subject::Site))
    }
}

/// What a retained message on a topic under the base is to this site.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ownership {
    /// Not a retained topic of ours: leave it.
    Foreign,
    /// The state of something in the plan: the next publish replaces it.
    Current,
    /// An alert on something in the plan: it stays only if it is raised.
    Alert(Kind, Subject),
    /// Of something that is not in the plan: to be cleared.
    Gone,
}

/// Whose a retained topic is.
pub(super) fn ownership(names: &Names, topic: &str) -> Ownership {
    let Some(tail) = below(names, topic) else { return Ownership::Foreign };
    for (of, family) in [(Topic::Flat, "flats"), (Topic::Stand, "stands"), (Topic::Valve, "valves")] {
        if let Some((_, id)) = of.matched(tail) {
            return if names.subject(family, id).is_ok() { Ownership::Current } else { Ownership::Gone };
        }
    }
    match Topic::Alert.matched(tail) {
        Some((kind, id)) => alerted(names, kind, id).map_or(Ownership::Gone, |(kind, of)| Ownership::Alert(kind, of)),
        None => Ownership::Foreign,
    }
}

fn alerted(names: &Names, kind: &str, id: &str) -> Option<(Kind, Subject)> {
    let kind = *Kind::ALL.iter().find(|known| known.name() == kind)?;
    names.subject(family(kind), id).ok().map(|of| (kind, of))
}

/// What an alert of this kind is about (the contract's table).
const fn family(kind: Kind) -> &'static str {
    match kind {
        Kind::Dry
        | Kind::TooWet
        | Kind::NotDrying
        | Kind::DryOvernight
        | Kind::FlatAbsent
        | Kind::FlatChanged
        | Kind::WeighDue
        | Kind::BandDoubtful
        | Kind::Outgrown
        | Kind::Leak => "flats",
        Kind::StandSilent | Kind::StandFault | Kind::Uneven => "stands",
        Kind::NoGain | Kind::NoAnswer | Kind::Clogged | Kind::StaysOpen | Kind::DailyLimit => "valves",
        Kind::SupplyLow => "supplies",
    }
}

fn below<'t>(names: &Names, topic: &'t str) -> Option<&'t str> {
    topic.strip_prefix(names.base())?.strip_prefix('/')
}
