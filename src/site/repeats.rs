//! Commands that come twice: each with an id is answered once, and its repeat gets that answer again.

use super::orders::{Done, Receipt};
use super::{Answer, Command, Site, Subject};
use crate::moment::{Mono, Span};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};

/// So long the answer to an id is kept.
const REMEMBERED: Span = Span::hours(24);

/// The first answer to a command with an id; a repeat gets it again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Answered {
    /// By the clock that nobody sets: a wall clock set forward makes no repeat new.
    pub at: Mono,
    pub ok: bool,
    /// What was commanded, as a number: another command under its id is no repeat. `None` in older stores.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub says: Option<u64>,
    /// What is added to `"ok":true`, or `{"error": …}`.
    pub body: Map<String, Value>,
}

impl Site {
    /// Two flats may be given commands of the same id.
    fn answer_key(&self, receipt: &Receipt) -> Option<String> {
        let id = receipt.id.as_ref()?;
        Some(format!("{}/{}/{id}", receipt.to.of(), self.id(receipt.to)))
    }

    fn answered_before(&self, receipt: &Receipt) -> Option<&Answered> {
        let answered = self.answered.get(&self.answer_key(receipt)?)?;
        (self.now.mono.since(answered.at) <= REMEMBERED).then_some(answered)
    }

    /// Whether its id belongs to a command that says something else, answered already or still waiting.
    pub(super) fn is_used_by_another(&self, receipt: &Receipt) -> bool {
        let waiting = self.stands.iter().flat_map(|bench| &bench.pending).map(|pending| &pending.receipt);
        let same_id = waiting.filter(|first| receipt.id.is_some() && first.id == receipt.id && first.to == receipt.to);
        let first = self.answered_before(receipt).and_then(|answered| answered.says);
        first.into_iter().chain(same_id.filter_map(|first| first.says)).any(|says| Some(says) != receipt.says)
    }

    pub(super) fn first_answer(&self, receipt: &Receipt) -> Option<Answer> {
        let answered = self.answered_before(receipt)?;
        let body = answered.body.clone();
        let text = body.get("error").and_then(Value::as_str).unwrap_or_default().to_owned();
        Some(if answered.ok { Ok(body) } else { Err(text) })
    }

    /// Whether this is a repeat of a command that still waits: it gets the answer of the first.
    pub(super) fn waits_already(&mut self, repeat: &Receipt) -> bool {
        let mut waiting = self.stands.iter_mut().flat_map(|bench| &mut bench.pending);
        let first = waiting
            .find(|pending| repeat.id.is_some() && pending.receipt.id == repeat.id && pending.receipt.to == repeat.to);
        first.map(|first| first.receipt.tickets.extend(&repeat.tickets)).is_some()
    }

    /// What was answered to a command with an id is kept for its repeats.
    pub(super) fn remember_answer(&mut self, receipt: &Receipt, done: &Done) {
        let Some(key) = self.answer_key(receipt) else { return };
        let answered = match done {
            Ok(body) => Answered { at: self.now.mono, ok: true, says: receipt.says, body: body.clone() },
            Err(error) => {
                let body = Map::from_iter([("error".to_owned(), json!(error))]);
                Answered { at: self.now.mono, ok: false, says: receipt.says, body }
            }
        };
        let now = self.now.mono;
        self.answered.retain(|_, answered| now.since(answered.at) <= REMEMBERED);
        self.answered.insert(key, answered);
        self.keep(Subject::Site);
    }
}

/// A number for what was commanded, the same in each run (FNV-1a, 64 bits).
pub(super) fn number_of(word: &str, command: &Result<Command, String>) -> u64 {
    let text = format!("{word} {command:?}");
    text.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3))
}
