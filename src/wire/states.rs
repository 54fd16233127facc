//! Events and answers → JSON. States and alerts serialise themselves; subjects get their ids here.

use super::names::Names;
use crate::alert::{Kind, Severity};
use crate::moment::Zone;
use crate::site::{Answer, Event, Happening, RoundStep, Subject};
use crate::units::{Grams, Millilitres};
use serde::Serialize;
use serde::ser::{SerializeMap, Serializer};
use serde_json::Value;

/// Appends an event as one JSON object.
pub fn write_event(event: &Event, names: &Names, zone: Zone, into: &mut Vec<u8>) {
    append(&Line { event, names, zone }, into);
}

/// Appends the answer to a command: `{"ok":true,…}` or `{"ok":false,"error":…}`.
pub fn write_answer(answer: &Answer, into: &mut Vec<u8>) {
    append(&Answered(answer), into);
}

fn append(value: &impl Serialize, into: &mut Vec<u8>) {
    // Writing to memory cannot fail, and neither can these implementations.
    let written = serde_json::to_writer(into, value);
    debug_assert!(written.is_ok());
}

struct Answered<'a>(&'a Answer);

impl Serialize for Answered<'_> {
    fn serialize<S: Serializer>(&self, json: S) -> Result<S::Ok, S::Error> {
        let mut map = json.serialize_map(None)?;
        match self.0 {
            Ok(more) => {
                map.serialize_entry("ok", &true)?;
                for (key, value) in more.iter().filter(|(key, _)| *key != "ok") {
                    map.serialize_entry(key, value)?;
                }
            }
            Err(error) => {
                map.serialize_entry("ok", &false)?;
                map.serialize_entry("error", error)?;
            }
        }
        map.end()
    }
}

struct Line<'a> {
    event: &'a Event,
    names: &'a Names,
    zone: Zone,
}

impl Serialize for Line<'_> {
    fn serialize<S: Serializer>(&self, json: S) -> Result<S::Ok, S::Error> {
        let Self { event, names, zone } = self;
        let mut map = json.serialize_map(None)?;
        map.serialize_entry("seq", &event.seq)?;
        map.serialize_entry("time", &zone.stamp(event.at))?;
        map.serialize_entry("event", event_name(&event.what))?;
        map.serialize_entry("of", event_of(event).of())?;
        map.serialize_entry("id", event_id(event, names))?;
        more(&event.what, *zone, &mut map)?;
        map.end()
    }
}

/// Of what an event tells. A flat that has left the file has no place in the plan; it is told of all the same.
#[must_use]
pub const fn event_of(event: &Event) -> Subject {
    match event.what {
        Happening::Retired { .. } => Subject::Flat(usize::MAX),
        _ => event.subject,
    }
}

fn event_id<'a>(event: &'a Event, names: &'a Names) -> &'a str {
    match &event.what {
        Happening::Retired { flat } => flat,
        _ => names.id(event.subject),
    }
}

/// The word of the contract for what happened.
#[must_use]
pub const fn event_name(what: &Happening) -> &'static str {
    match what {
        Happening::Lifted => "lifted",
        Happening::Returned { .. } => "returned",
        Happening::Watered { .. } => "watered",
        Happening::Dome { on: true, .. } => "dome-on",
        Happening::Dome { on: false, .. } => "dome-off",
        Happening::Removed { .. } => "removed",
        Happening::Bumped { .. } => "bumped",
        Happening::Visited { .. } => "visited",
        Happening::Soaking { .. } => "soaking",
        Happening::Draining { .. } => "draining",
        Happening::Drained { .. } => "drained",
        Happening::DryRecorded { .. } => "dry-recorded",
        Happening::CapacityRecorded { .. } | Happening::PlantsRecorded { .. } => "capacity-recorded",
        Happening::BandForgotten => "band-forgotten",
        Happening::Undone { .. } => "undone",
        Happening::Weighed { .. } => "weighed",
        Happening::Round { step: RoundStep::Started, .. } => "round-started",
        Happening::Round { step: RoundStep::Resumed, .. } => "round-resumed",
        Happening::Round { step: RoundStep::Ended, .. } => "round-ended",
        Happening::Noted { .. } => "noted",
        Happening::Corrected { .. } => "corrected",
        Happening::PottedOn { .. } => "potted-on",
        Happening::Renamed { .. } => "renamed",
        Happening::Retired { .. } => "retired",
        Happening::Moved { .. } => "moved",
        Happening::StageChanged { .. } => "stage-changed",
        Happening::SettingReplaced { .. } => "setting-replaced",
        Happening::AlertRaised { .. } => "alert-raised",
        Happening::AlertCleared { .. } => "alert-cleared",
        Happening::WateringStarted { .. } => "watering-started",
        Happening::WateringEnded { .. } => "watering-ended",
        Happening::ValveOpened { .. } => "valve-opened",
        Happening::ValveClosed { .. } => "valve-closed",
        Happening::RetainedOrderCleared => "retained-order-cleared",
        Happening::Locked { .. } => "locked",
        Happening::Unlocked { .. } => "unlocked",
        Happening::CommandRefused { .. } => "command-refused",
    }
}

fn more<M: SerializeMap>(what: &Happening, zone: Zone, map: &mut M) -> Result<(), M::Error> {
    match what {
        Happening::Lifted | Happening::RetainedOrderCleared | Happening::BandForgotten | Happening::Retired { .. } => {
            Ok(())
        }
        Happening::Renamed { from, to } => changed(map, "id", from, to),
        Happening::Undone { what, undoes } => {
            map.serialize_entry("what", what)?;
            map.serialize_entry("undoes", undoes)
        }
        Happening::Returned { change }
        | Happening::Dome { change, .. }
        | Happening::Removed { change }
        | Happening::Bumped { change }
        | Happening::Visited { change } => map.serialize_entry("change_g", &grams(*change)),
        Happening::Watered { added, kept, by, away, told_at } => {
            map.serialize_entry("added_ml", &millilitres(*added))?;
            map.serialize_entry("kept_ml", &millilitres(*kept))?;
            map.serialize_entry("by", by.name())?;
            map.serialize_entry("where", if *away { "away" } else { "stand" })?;
            told_at.map_or(Ok(()), |at| map.serialize_entry("at", &zone.stamp(at)))
        }
        Happening::Soaking { pass, weight } => {
            map.serialize_entry("pass", pass)?;
            map.serialize_entry("weight_g", &grams(*weight))
        }
        Happening::Draining { weight } | Happening::Drained { weight } => {
            map.serialize_entry("weight_g", &grams(*weight))
        }
        Happening::DryRecorded { from, to } => changed(map, "dry_weight_g", &from.map(grams), &to.map(grams)),
        Happening::CapacityRecorded { from, to } => changed(map, "capacity_weight_g", &from.map(grams), &to.map(grams)),
        Happening::PlantsRecorded { from, to } => changed(map, "plant_mass_g", &grams(*from), &grams(*to)),
        Happening::Weighed { from, to, basis, at } => {
            changed(map, "weight_g", &from.map(grams), &Some(grams(*to)))?;
            map.serialize_entry("basis", basis)?;
            map.serialize_entry("weighed_at", &zone.stamp(*at))
        }
        Happening::Round { step, next, weighed, of, missing } => {
            if *step != RoundStep::Ended {
                map.serialize_entry("next", next)?;
            }
            map.serialize_entry("weighed", weighed)?;
            map.serialize_entry("of_flats", of)?;
            map.serialize_entry("not_weighed", missing)
        }
        Happening::Noted { kind, text } => {
            map.serialize_entry("kind", kind)?;
            map.serialize_entry("text", text)
        }
        Happening::Corrected { seq, from, to } => {
            map.serialize_entry("corrects", seq)?;
            changed(map, "event", from, to)
        }
        Happening::PottedOn { into } => map.serialize_entry("into", into),
        Happening::Moved { from, to } => changed(map, "stand", from, to),
        Happening::StageChanged { from, to } => changed(map, "stage", from, to),
        Happening::SettingReplaced { what, from, to } => changed::<_, Value>(map, what, from, to),
        Happening::AlertRaised { kind, severity, title } => alert(map, *kind, *severity, title),
        Happening::AlertCleared { kind, severity, title, reason } => {
            alert(map, *kind, *severity, title)?;
            map.serialize_entry("reason", reason)
        }
        Happening::WateringStarted { volume } => map.serialize_entry("volume_ml", &millilitres(*volume)),
        Happening::WateringEnded { volume, delivered, reason, why, flats } => {
            map.serialize_entry("volume_ml", &millilitres(*volume))?;
            map.serialize_entry("delivered_ml", &millilitres(*delivered))?;
            map.serialize_entry("reason", reason.name())?;
            map.serialize_entry("text", why)?;
            let flats: Vec<Got<'_>> = flats.iter().map(|(flat, got)| Got { flat, got_ml: millilitres(*got) }).collect();
            map.serialize_entry("flats", &flats)
        }
        Happening::ValveOpened { by } => map.serialize_entry("by", by.name()),
        Happening::ValveClosed { open_for, by } => {
            map.serialize_entry("for_s", &tenths(open_for.as_seconds()))?;
            map.serialize_entry("by", by.name())
        }
        Happening::Locked { reason, text } => {
            map.serialize_entry("reason", reason)?;
            map.serialize_entry("text", text)
        }
        Happening::Unlocked { reason } => map.serialize_entry("reason", reason),
        Happening::CommandRefused { command, error } => {
            map.serialize_entry("command", command)?;
            map.serialize_entry("error", error)
        }
    }
}

/// What one flat got of a watering.
#[derive(Serialize)]
struct Got<'a> {
    flat: &'a str,
    got_ml: f64,
}

fn alert<M: SerializeMap>(map: &mut M, kind: Kind, severity: Severity, title: &str) -> Result<(), M::Error> {
    map.serialize_entry("kind", kind.name())?;
    map.serialize_entry("severity", severity.name())?;
    map.serialize_entry("title", title)
}

fn changed<M: SerializeMap, T: Serialize>(map: &mut M, what: &str, from: &T, to: &T) -> Result<(), M::Error> {
    map.serialize_entry("what", what)?;
    map.serialize_entry("from", from)?;
    map.serialize_entry("to", to)
}

/// To 0.1 g, as published.
fn grams(mass: Grams) -> f64 {
    tenths(mass.get())
}

/// To 0.1 mL, as published.
fn millilitres(volume: Millilitres) -> f64 {
    tenths(volume.get())
}

fn tenths(value: f64) -> f64 {
    // Adding 0 makes a negative zero a zero.
    (value * 10.0).round() / 10.0 + 0.0
}
