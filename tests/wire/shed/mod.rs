//! A potting shed for the tests of the wire.
#![allow(dead_code, reason = "each test takes what it needs")]

use tarewell::flat::FlatSettings;
use tarewell::moment::Zone;
use tarewell::site::{Part, Plan};
use tarewell::stand::StandSettings;
use tarewell::units::{WeightUnit, Words};
use tarewell::watering::{SupplySettings, ValveSettings};
use tarewell::wire::{Binding, Pointer, Role, Router, Wiring};

/// A JSON Pointer from its text.
pub fn pointer(text: &str) -> Pointer {
    Pointer(text.split('/').skip(1).map(|token| token.replace("~1", "/").replace("~0", "~")).collect())
}

/// Two stands, two flats, a valve and a supply.
pub fn plan() -> Plan {
    let stand = |unit| StandSettings { unit, ..StandSettings::default() };
    Plan {
        name: "Potting shed".to_owned(),
        zone: Zone::named("Europe/Berlin").unwrap(),
        words: Words::Metric,
        base_topic: "tarewell".to_owned(),
        fills: Vec::new(),
        stands: vec![("north".to_owned(), stand(WeightUnit::Gram)), ("bench".to_owned(), stand(WeightUnit::Kilogram))],
        flats: vec![("leek-1".to_owned(), FlatSettings::default()), ("leek-2".to_owned(), FlatSettings::default())],
        valves: vec![valve("drip")],
        supplies: vec![SupplySettings { id: "butt".to_owned(), master: None, holds: None, has_level: false }],
    }
}

fn valve(id: &str) -> ValveSettings {
    ValveSettings { id: id.to_owned(), ..ValveSettings::default() }
}

fn binding(topic: &str, value: Option<&str>, role: Role) -> Binding {
    Binding { topic: topic.to_owned(), value: value.map(pointer), role }
}

/// Its topics.
pub fn router() -> Router {
    let wiring = Wiring {
        bindings: vec![
            binding("shed/north", Some("/weight"), Role::Weight { stand: 0, part: Part::Whole }),
            binding("shed/bench", None, Role::Weight { stand: 1, part: Part::Whole }),
            binding("shed/north", Some("/t"), Role::Temperature { stand: 0 }),
            binding(
                "shed/north/lwt",
                None,
                Role::Availability { stand: 0, online: "online".to_owned(), offline: "offline".to_owned() },
            ),
        ],
        ..Wiring::default()
    };
    Router::new(&plan(), &wiring)
}
