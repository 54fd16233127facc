//! Alerts as an onlooker hears of them: they rise and clear by turns, have words, and keep their time over a restart.

use super::checks::{Check, Checks};
use std::collections::BTreeMap;
use tarewell::alert::Kind;
use tarewell::moment::Moment;
use tarewell::site::{Site, Subject};

type Which = (Kind, Subject);

/// What is raised, by the events and by the topics.
#[derive(Debug, Default)]
pub struct Alarms {
    raised: BTreeMap<Which, String>,
    kept: Option<BTreeMap<Which, String>>,
    /// After the wall clock was set back, what was raised before lies in the time to come.
    jumped: bool,
}

impl Alarms {
    pub fn rose(&mut self, checks: &mut Checks, site: &Site, kind: Kind, subject: Subject, title: &str, now: Moment) {
        let since = site.alert_state(kind, subject).map(|state| state.since);
        let was = self.raised.insert((kind, subject), since.clone().unwrap_or_default());
        // Graver is told once more.
        let again = was.is_some() && was != since && since.is_some();
        checks.that(Check::AlertsAlternate, !again, || {
            format!("{} of {subject:?} rose since {since:?}, and was since {was:?}", kind.name())
        });
        checks.that(Check::AlertWords, !title.is_empty(), || format!("{} of {subject:?}", kind.name()));
        if let Some(since) = since.filter(|_| !self.jumped) {
            let stamp = site.plan().zone.stamp(now.wall);
            checks.that(Check::AlertSince, not_after(&since, &stamp), || format!("{since}, and it is {stamp}"));
        }
    }

    pub fn cleared(&mut self, checks: &mut Checks, kind: Kind, subject: Subject, reason: &str) {
        let was = self.raised.remove(&(kind, subject)).is_some();
        checks.that(Check::AlertsAlternate, was, || format!("{} of {subject:?} cleared: {reason}", kind.name()));
        checks.that(Check::AlertWords, !reason.is_empty(), || format!("{} of {subject:?} cleared", kind.name()));
    }

    /// The retained topic was written.
    pub fn published(&mut self, checks: &mut Checks, site: &Site, kind: Kind, subject: Subject) {
        // It may have ended within the same turn; then its topic is cleared next.
        let Some(state) = site.alert_state(kind, subject) else { return };
        let has_words = !state.title.is_empty() && state.text.len() > state.title.len() / 2;
        let numbers = ["NaN", "inf ", "null"].iter().all(|bad| !state.text.contains(bad));
        let finite = state.value.is_none_or(f64::is_finite);
        checks.that(Check::AlertWords, has_words && numbers && finite, || format!("{state:?}"));
        let since = self.raised.get(&(kind, subject));
        checks.that(Check::AlertSince, since.is_none_or(|since| *since == state.since), || {
            format!("{} of {subject:?}: {}, first {since:?}", kind.name(), state.since)
        });
    }

    pub fn unpublished(&mut self, checks: &mut Checks, kind: Kind, subject: Subject) {
        let was = self.raised.contains_key(&(kind, subject));
        checks.that(Check::AlertsAlternate, was, || format!("{} of {subject:?} unpublished", kind.name()));
    }

    pub fn clock_jumped(&mut self) {
        self.jumped = true;
    }

    pub fn killed(&mut self, site: &Site, whole: bool) {
        self.kept = whole.then(|| raised(site));
    }

    pub fn started(&mut self, checks: &mut Checks, site: &Site) {
        let now = raised(site);
        if let Some(before) = self.kept.take() {
            checks.that(Check::Kept, before == now, || format!("alerts: {before:?}, after the restart {now:?}"));
        }
        self.raised = now;
    }
}

fn raised(site: &Site) -> BTreeMap<Which, String> {
    let since = |which: Which| site.alert_state(which.0, which.1).map(|state| state.since).unwrap_or_default();
    site.alerts().map(|which| (which, since(which))).collect()
}

fn not_after(since: &str, now: &str) -> bool {
    let read = |stamp: &str| chrono::DateTime::parse_from_rfc3339(stamp).map_or(0, |at| at.timestamp());
    read(since) <= read(now)
}
