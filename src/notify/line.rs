//! One phone and the way to it: what is under way, and when to try again.

use super::known::Key;
use super::letter::Letter;
use crate::alert::Severity;
use crate::config::Phone;
use crate::moment::{Moment, Mono, Span, Wall};

const FIRST_PAUSE: Span = Span::seconds(1);
const LONGEST_PAUSE: Span = Span::minutes(5);

/// A morning's list that is to be sent, and the moment it is the list of.
#[derive(Debug, Clone)]
pub(super) struct Morning {
    pub letter: Letter,
    pub due: Wall,
}

/// One phone and the way to it.
#[derive(Debug)]
pub(super) struct Line {
    pub phone: Phone,
    pub morning: Option<Morning>,
    /// The last list that got there.
    pub read: Option<Wall>,
    pub flight: Option<Flight>,
    pub not_before: Mono,
    pub pause: Span,
    pub last_sent: Option<Mono>,
    pub beat: Option<Beat>,
}

/// A letter on its way, with what it says of which alert: raised since when and how grave, or that it is over.
#[derive(Debug)]
pub(super) struct Flight {
    pub id: u64,
    /// It is the list of that morning.
    pub morning: Option<Wall>,
    pub says: Vec<(Key, Option<(Wall, Severity)>)>,
}

#[derive(Debug)]
pub(super) struct Beat {
    pub every: Span,
    pub next: Mono,
    pub pause: Span,
    pub flight: Option<u64>,
}

impl Line {
    pub fn new(phone: Phone) -> Self {
        let beat = phone.heartbeat.as_ref().map(|(_, every)| Beat {
            every: *every,
            next: Mono::from_millis(i64::MIN),
            pause: FIRST_PAUSE,
            flight: None,
        });
        let not_before = Mono::from_millis(i64::MIN);
        Self { phone, morning: None, read: None, flight: None, not_before, pause: FIRST_PAUSE, last_sent: None, beat }
    }

    /// The rise of this alert that a letter on its way tells of.
    pub fn says(&self, key: &Key) -> Option<(Wall, Severity)> {
        let flight = self.flight.as_ref()?;
        flight.says.iter().find(|(said, _)| said == key).and_then(|(_, rise)| *rise)
    }

    pub fn has(&self, post: u64) -> bool {
        self.flight.as_ref().is_some_and(|flight| flight.id == post)
            || self.beat.as_ref().is_some_and(|beat| beat.flight == Some(post))
    }

    pub fn result(&mut self, sent: bool, at: Moment) -> Option<&'static str> {
        let first_time = self.pause == FIRST_PAUSE;
        if sent {
            self.last_sent = Some(at.mono);
            self.pause = FIRST_PAUSE;
            return (!first_time).then_some("works again");
        }
        self.not_before = at.mono + self.pause;
        self.pause = doubled(self.pause, LONGEST_PAUSE);
        first_time.then_some("fails; is tried again")
    }
}

impl Beat {
    pub fn result(&mut self, sent: bool, at: Moment) -> Option<&'static str> {
        let first_time = self.pause == FIRST_PAUSE;
        self.flight = None;
        if sent {
            self.next = at.mono + self.every;
            self.pause = FIRST_PAUSE;
            return (!first_time).then_some("works again");
        }
        self.next = at.mono + self.pause.min(self.every);
        self.pause = doubled(self.pause, LONGEST_PAUSE);
        first_time.then_some("fails; is tried again")
    }
}

fn doubled(pause: Span, most: Span) -> Span {
    (pause + pause).min(most)
}
