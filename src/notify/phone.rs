//! What is configured about one phone.

use crate::alert::Severity;
use crate::moment::Span;
use chrono::NaiveTime;
use std::fmt;

/// A text that no log, error or `Debug` shows.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// Hides a text.
    pub fn new(text: impl Into<String>) -> Self {
        Self(text.into())
    }

    /// The text itself, for the one place that needs it.
    #[must_use]
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("***")
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("***")
    }
}

/// One way to reach somebody.
#[derive(Debug, Clone, PartialEq)]
pub struct Phone {
    /// What it is called in the configuration.
    pub name: String,
    /// Where messages are posted to. All of it is a secret but scheme and host.
    pub url: Secret,
    /// More headers; one named as ours replaces ours.
    pub headers: Vec<(String, Secret)>,
    /// A template in place of the plain text; see [`Request::of_letter`](super::Request::of_letter).
    pub body: Option<String>,
    /// Alerts less grave than this are not told.
    pub least: Severity,
    /// From when to when only critical ones are told; may go over midnight.
    pub quiet: Option<(NaiveTime, NaiveTime)>,
    /// When the day's digest is sent; not the teller's business.
    pub digest: Option<NaiveTime>,
    /// How often an alert that stays raised is told again.
    pub repeat: Option<Span>,
    /// Where, and how often, to post that all is well.
    pub heartbeat: Option<(Secret, Span)>,
}
