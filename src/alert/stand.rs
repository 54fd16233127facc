//! The alerts of a stand.

use super::board::{Board, Change, Of};
use super::flat::Since;
use super::kinds::{Kind, Severity};
use super::signs::StandSigns;
use super::words;
use crate::moment::{Moment, Mono, Span};
use serde::{Deserialize, Serialize};

const FAULT_AGAIN: Span = Span::minutes(10);
const UNEVEN_FOR: Span = Span::seconds(60);
const LEVEL_FOR: Span = Span::minutes(5);

/// What is remembered of a stand between two looks at it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct StandWatch {
    /// From when it was silent, while the alert is raised.
    silent_from: Option<Moment>,
    silence: Relapse,
    fault: Relapse,
    uneven: Since,
    level: Since,
    /// It is raised because the zero has moved.
    zero_moved: bool,
    #[serde(skip)]
    wake: Option<Mono>,
}

impl StandWatch {
    /// When a verdict may change by time alone.
    #[must_use]
    pub fn next_wake(&self) -> Option<Mono> {
        self.wake
    }
}

/// Keeps a trouble that comes and goes raised until it has been away for a while.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
struct Relapse {
    /// Since when all has been well, while the alert is still raised.
    well: Since,
    /// When it last cleared.
    cleared: Option<Moment>,
    /// Whether it came back soon after.
    again: bool,
}

impl Relapse {
    fn rises(&mut self, at: Moment, soon: Span) {
        self.well.note(false, at);
        self.again = self.cleared.is_some_and(|cleared| at.mono.since(cleared.mono) < soon);
    }

    /// Whether to clear now; the first time at once, after a relapse when it has been well for `hold`.
    fn clears(&mut self, at: Moment, hold: Span) -> bool {
        let well = self.well.note(true, at);
        if self.again && well < hold {
            return false;
        }
        self.well.note(false, at);
        self.cleared = Some(at);
        true
    }
}

/// Judges one stand; what changed, in the order of the contract's table.
pub fn judge_stand(signs: &StandSigns<'_>, watch: &mut StandWatch, board: &mut Board, stand: usize) -> Vec<Change> {
    watch.wake = None;
    let of = Of::Stand(stand);
    let changes = [silent(signs, watch, board, of), fault(signs, watch, board, of), uneven(signs, watch, board, of)];
    changes.into_iter().flatten().collect()
}

fn wake(watch: &mut StandWatch, at: Mono) {
    watch.wake = Some(watch.wake.map_or(at, |wake| wake.min(at)));
}

fn silent(signs: &StandSigns<'_>, watch: &mut StandWatch, board: &mut Board, of: Of) -> Option<Change> {
    let (kind, at) = (Kind::StandSilent, signs.at);
    let raised = board.is_raised(kind, of);
    if let Some(since) = signs.silent_since
        && at.mono.since(since.mono) >= signs.stale_after
    {
        if !raised {
            watch.silence.rises(at, signs.stale_after + signs.stale_after);
            watch.silent_from = Some(since);
        }
        watch.silence.well.note(false, at);
        let severity = if signs.on_auto_valve { Severity::Critical } else { Severity::Warning };
        let seconds = at.mono.since(since.mono).as_seconds();
        return board.raise(kind, of, severity, Some(seconds), at, || words::stand(kind, signs));
    }
    if let Some(since) = signs.silent_since {
        wake(watch, since.mono + signs.stale_after);
    }
    if !raised {
        return None;
    }
    let back = watch.silence.well.since().unwrap_or(at);
    if !watch.silence.clears(at, signs.stale_after) {
        wake(watch, back.mono + signs.stale_after);
        return None;
    }
    let silent = watch.silent_from.take().map(|from| back.mono.since(from.mono));
    let after = silent.map(|silent| format!(" after {}", words::spell(silent))).unwrap_or_default();
    board.clear(kind, of, format!("readings came back{after}"))
}

fn fault(signs: &StandSigns<'_>, watch: &mut StandWatch, board: &mut Board, of: Of) -> Option<Change> {
    let (kind, at) = (Kind::StandFault, signs.at);
    let raised = board.is_raised(kind, of);
    if signs.fault.is_some() {
        if !raised {
            watch.fault.rises(at, FAULT_AGAIN + FAULT_AGAIN);
        }
        watch.fault.well.note(false, at);
        return board.raise(kind, of, Severity::Warning, None, at, || words::stand(kind, signs));
    }
    if !raised {
        return None;
    }
    if !watch.fault.clears(at, FAULT_AGAIN) {
        let well = watch.fault.well.since().unwrap_or(at);
        wake(watch, well.mono + FAULT_AGAIN);
        return None;
    }
    board.clear(kind, of, "its readings can be believed again")
}

/// Not level, or its zero has moved: it stands badly, in either case.
fn uneven(signs: &StandSigns<'_>, watch: &mut StandWatch, board: &mut Board, of: Of) -> Option<Change> {
    let (kind, at) = (Kind::Uneven, signs.at);
    let raised = board.is_raised(kind, of);
    let uneven = watch.uneven.note(signs.uneven.is_some(), at);
    let level = watch.level.note(signs.uneven.is_none(), at);
    let off = signs.moved_zero.map(|moved| (moved.reads - moved.was).get());
    if signs.uneven.is_some() || off.is_some() {
        if raised || off.is_some() || uneven >= UNEVEN_FOR {
            watch.zero_moved = off.is_some();
            return board.raise(kind, of, Severity::Notice, off, at, || words::stand(kind, signs));
        }
        wake(watch, at.mono + (UNEVEN_FOR - uneven));
        return None;
    }
    if !raised {
        return None;
    }
    if std::mem::take(&mut watch.zero_moved) {
        return board.clear(kind, of, "empty it reads nothing again, or was zeroed");
    }
    if level < LEVEL_FOR {
        wake(watch, at.mono + (LEVEL_FOR - level));
        return None;
    }
    board.clear(kind, of, "it stands level again")
}
