//! Every reason not to open a valve, in one place, each a sentence for people.

use super::settings::Mode;

/// What a valve that is to open is held against.
#[derive(Debug, Clone, PartialEq)]
#[expect(clippy::struct_excessive_bools, reason = "each is a fact of its own, asked one after the other")]
pub struct Situation {
    /// What people call the valve.
    pub valve: String,
    /// What it may do.
    pub mode: Mode,
    /// Nobody has asked for this opening: it would be by itself.
    pub by_itself: bool,
    /// Into a bucket: no flat is asked.
    pub bucket: bool,
    /// A fault that a person has to look at: one word and a sentence.
    pub fault: Option<(&'static str, String)>,
    /// Why a flat on it may not be watered: one word and a sentence.
    pub flat: Option<(&'static str, String)>,
    /// A topic that holds it has said so: that topic.
    pub held: Option<String>,
    /// Somebody has paused all valves.
    pub paused: bool,
    /// The wall clock cannot be right.
    pub clock_wrong: bool,
    /// The hours of its plan are over, or have not begun.
    pub out_of_hours: bool,
    /// Its supply is empty, as counted: its name.
    pub empty: Option<String>,
    /// The mix still draws up what an earlier watering from below gave, in words.
    pub uptake: Option<String>,
    /// The broker is there, and the valve's own connection too.
    pub connected: bool,
    /// The store can be written, as far as is known.
    pub store_works: bool,
    /// The journal was written when that was last tried, or nobody has tried of late.
    pub journal: bool,
    /// A valve of the same supply that is not known to be closed.
    pub other: Option<String>,
    /// Why it is not known to be closed itself.
    pub not_closed: Option<String>,
    /// Why the weight of a flat on it cannot be gone by at this moment.
    pub not_fresh: Option<String>,
    /// The stand of a flat on it does not stand still at this moment.
    pub unsteady: Option<String>,
}

/// Whether a reason may go by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Passing {
    /// In seconds or minutes: worth waiting for.
    Soon,
    /// When what it names has gone.
    Later,
    /// Only a person can do something about it.
    Person,
}

/// A reason not to open.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Objection {
    /// One word.
    pub reason: &'static str,
    /// A sentence.
    pub text: String,
    /// Whether it goes by itself.
    pub passing: Passing,
}

impl Objection {
    const fn new(reason: &'static str, passing: Passing, text: String) -> Self {
        Self { reason, text, passing }
    }
}

/// The first reason not to open, the gravest first; `None`: it may open.
#[must_use]
pub fn objection(at: &Situation) -> Option<Objection> {
    standing(at).or_else(|| momentary(at))
}

/// What will not go within minutes.
fn standing(at: &Situation) -> Option<Objection> {
    use Passing::{Later, Person};
    let valve = &at.valve;
    if at.mode == Mode::Advise {
        let text =
            format!("{valve} is in mode advise and opens for nobody; `mode: ask` in the file lets it open on command");
        return Some(Objection::new("advise", Person, text));
    }
    if let Some((reason, text)) = &at.fault {
        return Some(Objection::new(reason, Person, text.clone()));
    }
    if let Some((reason, text)) = at.flat.as_ref().filter(|_| !at.bucket) {
        return Some(Objection::new(reason, Later, text.clone()));
    }
    if let Some(held) = &at.held {
        return Some(Objection::new(
            "held",
            Later,
            format!("`{held}` of its `never_while` holds {valve}; nothing opens it until that has gone"),
        ));
    }
    if at.paused {
        return Some(Objection::new(
            "paused",
            Later,
            "all valves are paused; `resume` lets them open again".to_owned(),
        ));
    }
    if at.by_itself && at.clock_wrong {
        let text =
            "clock not set: the time of this machine cannot be right, so nothing is watered by itself".to_owned();
        return Some(Objection::new("clock-not-set", Later, text));
    }
    if at.by_itself && at.out_of_hours {
        return Some(Objection::new("hours", Later, format!("{valve} waters by itself only in its hours")));
    }
    if let Some(uptake) = at.uptake.as_ref().filter(|_| !at.bucket) {
        return Some(Objection::new("uptake", Later, uptake.clone()));
    }
    if !at.store_works {
        let text =
            "the store cannot be written (is the disk full?), and without it a power cut would hide what was poured";
        return Some(Objection::new("store", Later, text.to_owned()));
    }
    let empty = at.empty.as_ref()?;
    let text = format!("{empty} is empty: fill it, and say `refilled` unless a sensor reads its level");
    Some(Objection::new("supply-empty", Later, text))
}

/// What may be otherwise in a moment.
fn momentary(at: &Situation) -> Option<Objection> {
    use Passing::Soon;
    let valve = &at.valve;
    if !at.connected {
        let text = format!("there is no connection to {valve} at the moment, so nobody could close it again");
        return Some(Objection::new("no-connection", Soon, text));
    }
    if !at.journal {
        let text = "the store could not be written in time a moment ago, and what is poured must be on the disk first"
            .to_owned();
        return Some(Objection::new("no-journal", Soon, text));
    }
    if let Some(other) = &at.other {
        let text = format!("{other} draws on the same supply and is not known to be closed");
        return Some(Objection::new("supply-in-use", Soon, text));
    }
    if let Some(why) = &at.not_closed {
        return Some(Objection::new("not-known-closed", Soon, format!("{valve} is not known to be closed: {why}")));
    }
    if let Some(why) = at.not_fresh.as_ref().filter(|_| !at.bucket) {
        return Some(Objection::new("no-fresh-weight", Soon, why.clone()));
    }
    let why = at.unsteady.as_ref().filter(|_| !at.bucket)?;
    Some(Objection::new("unsteady", Soon, why.clone()))
}

#[cfg(test)]
mod tests {
    use super::*;

    type Spoil = fn(&mut Situation, String);

    fn good() -> Situation {
        Situation {
            valve: "tap".to_owned(),
            mode: Mode::Auto,
            by_itself: true,
            bucket: false,
            fault: None,
            flat: None,
            held: None,
            paused: false,
            clock_wrong: false,
            out_of_hours: false,
            empty: None,
            uptake: None,
            connected: true,
            store_works: true,
            journal: true,
            other: None,
            not_closed: None,
            not_fresh: None,
            unsteady: None,
        }
    }

    #[test]
    fn every_fact_alone_keeps_it_closed_and_none_lets_it_open() {
        assert_eq!(objection(&good()), None);
        let word = || "x".to_owned();
        let spoilt: [(&str, Spoil); 16] = [
            ("advise", |at, _| at.mode = Mode::Advise),
            ("no-gain", |at, text| at.fault = Some(("no-gain", text))),
            ("flat-absent", |at, text| at.flat = Some(("flat-absent", text))),
            ("held", |at, text| at.held = Some(text)),
            ("paused", |at, _| at.paused = true),
            ("clock-not-set", |at, _| at.clock_wrong = true),
            ("hours", |at, _| at.out_of_hours = true),
            ("supply-empty", |at, text| at.empty = Some(text)),
            ("no-connection", |at, _| at.connected = false),
            ("store", |at, _| at.store_works = false),
            ("no-journal", |at, _| at.journal = false),
            ("supply-in-use", |at, text| at.other = Some(text)),
            ("uptake", |at, text| at.uptake = Some(text)),
            ("not-known-closed", |at, text| at.not_closed = Some(text)),
            ("no-fresh-weight", |at, text| at.not_fresh = Some(text)),
            ("unsteady", |at, text| at.unsteady = Some(text)),
        ];
        for (reason, spoil) in spoilt {
            let mut at = good();
            spoil(&mut at, word());
            let found = objection(&at).unwrap();
            assert_eq!(found.reason, reason);
            assert!(!found.text.is_empty());
        }
    }

    #[test]
    fn hours_and_clock_bind_only_what_it_does_by_itself() {
        let at = Situation { by_itself: false, clock_wrong: true, out_of_hours: true, mode: Mode::Ask, ..good() };
        assert_eq!(objection(&at), None);
    }

    #[test]
    fn a_bucket_asks_no_flat_but_everything_of_the_valve() {
        let bucket = Situation {
            bucket: true,
            flat: Some(("unknown", "x".to_owned())),
            not_fresh: Some("x".to_owned()),
            ..good()
        };
        assert_eq!(objection(&bucket), None);
        assert!(objection(&Situation { held: Some("x".to_owned()), ..bucket.clone() }).is_some(), "a wet floor is wet");
        assert!(objection(&Situation { not_closed: Some("x".to_owned()), ..bucket }).is_some());
    }
}
