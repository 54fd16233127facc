//! Between what the engine wants kept and what the store keeps.

use crate::moment::Wall;
use crate::site::{Event, Happening, Output, Plan, Saved, Site};
use crate::store::{self, KeptEvent, Of, Store, StoreError, Write};
use crate::wire::{Names, Past, event_name, event_of, write_event};
use std::collections::{BTreeSet, HashMap};

/// What became of the ids that flats had before.
#[derive(Debug, Default)]
pub struct CarriedOver {
    /// From and to.
    pub renamed: Vec<(String, String)>,
    /// Where nothing was carried over though the file says `formerly`, unless that was done at an earlier start.
    pub notes: Vec<String>,
}

/// What was kept of flats under the ids they had before is kept under those they have now.
///
/// # Errors
/// The store cannot be written.
pub fn carry_over(store: &mut Store, plan: &Plan) -> Result<CarriedOver, StoreError> {
    let mut carried = CarriedOver::default();
    let mut not_carried = Vec::new();
    for (id, settings) in &plan.flats {
        let Some(formerly) = &settings.formerly else { continue };
        if store.rename_flat(formerly, id)? {
            carried.renamed.push((formerly.clone(), id.clone()));
        } else {
            not_carried.push((formerly, id));
        }
    }
    if !not_carried.is_empty() {
        let kept: BTreeSet<String> =
            store.load()?.facts.into_iter().filter(|fact| fact.of == Of::Flat).map(|fact| fact.id).collect();
        carried.notes.extend(not_carried.into_iter().filter_map(|(from, to)| why_not(from, to, &kept, plan)));
    }
    Ok(carried)
}

/// Why nothing was carried over; `None` where there is nothing left to carry: it was done before.
fn why_not(from: &str, to: &str, kept: &BTreeSet<String>, plan: &Plan) -> Option<String> {
    match (kept.contains(from), kept.contains(to)) {
        (true, true) => Some(format!(
            "`formerly: {from}` of flat {to} did nothing: {to} has weights or settings of its own already, so those of {from} stay where they \
             are. The history of {from} can still be exported"
        )),
        (false, false) => {
            let in_file = |id: &String| plan.flats.iter().any(|(flat, _)| flat == id);
            let gone: Vec<&str> = kept.iter().filter(|id| !in_file(id)).map(String::as_str).collect();
            let gone = match &gone[..] {
                [] => String::new(),
                gone => format!(" Kept, and not in the file, are: {}", gone.join(", ")),
            };
            Some(format!(
                "`formerly: {from}` of flat {to} did nothing: the store has no flat {from}, so {to} begins empty.{gone}"
            ))
        }
        _ => None,
    }
}

/// What became of the flats that the store knows and the file does not; `renamed` are the events that tell of renamings.
#[must_use]
pub fn past(plan: &Plan, kept: &store::Saved, renamed: &[KeptEvent]) -> HashMap<String, Past> {
    let is_gone = |id: &str| !plan.flats.iter().any(|(flat, _)| flat == id);
    let left = kept.facts.iter().filter(|fact| fact.of == Of::Flat && is_gone(&fact.id));
    let mut past: HashMap<String, Past> = left.map(|fact| (fact.id.clone(), Past::Left)).collect();
    for event in renamed {
        let json: serde_json::Value = serde_json::from_str(&event.json).unwrap_or_default();
        let former = json["from"].as_str().filter(|former| is_gone(former) && !is_gone(&event.id));
        past.extend(former.map(|former| (former.to_owned(), Past::Renamed(event.id.clone()))));
    }
    // What is renamed at this start is not among the events yet.
    for (id, settings) in &plan.flats {
        let former = settings.formerly.as_ref().filter(|former| is_gone(former));
        past.extend(former.map(|former| (former.clone(), Past::Renamed(id.clone()))));
    }
    past
}

/// What the store gave back, in the engine's words.
#[must_use]
pub fn saved(kept: store::Saved) -> Saved {
    let fact = |fact: store::Fact| crate::site::Fact { of: fact.of.name().to_owned(), id: fact.id, json: fact.json };
    let alert =
        |alert: store::RaisedAlert| (alert.kind.name().to_owned(), alert.of.name().to_owned(), alert.id, alert.json);
    Saved {
        facts: kept.facts.into_iter().map(fact).collect(),
        alerts: kept.alerts.into_iter().map(alert).collect(),
        last_seq: kept.last_seq,
    }
}

/// What the store has to write for this output, if anything.
#[must_use]
pub fn write(site: &Site, names: &Names, output: &Output, now: Wall) -> Option<Write> {
    match output {
        Output::Keep(subject) => {
            let crate::site::Fact { id, json, .. } = site.fact(*subject)?;
            Some(Write::Fact { of: Of::from(*subject), id, json, wall: now })
        }
        Output::KeepAlert(kind, subject) => {
            let (kind, of, id) = (*kind, Of::from(*subject), site.id(*subject).to_owned());
            Some(match site.alert_fact(kind, *subject) {
                Some(json) => Write::Alert { kind, of, id, json },
                None => Write::ForgetAlert { kind, of, id },
            })
        }
        Output::Event(event) => Some(kept_event(site, names, event)),
        Output::Weight(sample) => {
            let (flat, _) = site.plan().flats.get(sample.flat)?;
            Some(Write::Weight {
                flat: flat.clone(),
                wall: sample.at,
                weight: sample.weight,
                fraction: sample.fraction,
            })
        }
        _ => None,
    }
}

fn kept_event(site: &Site, names: &Names, event: &Event) -> Write {
    let mut json = Vec::new();
    write_event(event, names, site.plan().zone, &mut json);
    let id = match &event.what {
        Happening::Retired { flat } => flat.clone(),
        _ => site.id(event.subject).to_owned(),
    };
    Write::Event {
        seq: event.seq,
        wall: event.at,
        of: Of::from(event_of(event)),
        id,
        name: event_name(&event.what),
        json: String::from_utf8(json).unwrap_or_default(),
    }
}
