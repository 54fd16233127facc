//! What the teller must know again after a restart, so that nobody is told twice and nothing is left untold.

use crate::alert::{Kind, Severity};
use crate::moment::Wall;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Everything told and still to be told. Goes into the store as JSON, as one fact of the site.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Facts {
    pub(super) alerts: Vec<AlertFact>,
    pub(super) shelved: Vec<ShelfFact>,
    /// The morning's list that each phone got last: when it was due.
    #[serde(default)]
    pub(super) lists: BTreeMap<String, Wall>,
}

impl Facts {
    /// What was told of `from` was told of `to`, which it is called now.
    pub fn rename(&mut self, of: &str, from: &str, to: &str) {
        let alerts = self.alerts.iter_mut().map(|alert| (&alert.of, &mut alert.id));
        let shelved = self.shelved.iter_mut().map(|shelf| (&shelf.of, &mut shelf.id));
        for (_, id) in alerts.chain(shelved).filter(|(known, id)| *known == of && *id == from) {
            to.clone_into(id);
        }
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlertFact {
    pub kind: Kind,
    pub of: String,
    pub id: String,
    pub raised: bool,
    pub severity: Severity,
    pub since: Wall,
    pub title: String,
    pub text: String,
    /// By the phones' names.
    pub phones: BTreeMap<String, PhoneFact>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PhoneFact {
    pub since: Wall,
    pub severity: Severity,
    pub at: Wall,
    pub reached: bool,
    /// It was on its way when this was kept: whether it got there is not known.
    #[serde(default)]
    pub unsure: bool,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ShelfFact {
    pub of: String,
    pub id: String,
    pub until: Wall,
}
