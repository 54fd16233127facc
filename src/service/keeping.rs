//! Between what the engine wants kept and what the store keeps.

use crate::moment::Wall;
use crate::site::{Event, Happening, Output, Plan, Saved, Site};
use crate::store::{self, Of, Store, StoreError, Write};
use crate::wire::{Names, event_name, event_of, write_event};

/// What was kept of flats under the ids they had before is kept under those they have now; which flats, from and to.
///
/// # Errors
/// The store cannot be written.
pub fn carry_over(store: &mut Store, plan: &Plan) -> Result<Vec<(String, String)>, StoreError> {
    let mut renamed = Vec::new();
    for (id, settings) in &plan.flats {
        if let Some(formerly) = &settings.formerly
            && store.rename_flat(formerly, id)?
        {
            renamed.push((formerly.clone(), id.clone()));
        }
    }
    Ok(renamed)
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
