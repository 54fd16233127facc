//! A small site: two stands, one flat, wired in different ways.

use std::sync::LazyLock;
use tarewell::flat::FlatSettings;
use tarewell::moment::Zone;
use tarewell::site::{Part, Plan};
use tarewell::stand::StandSettings;
use tarewell::units::{WeightUnit, Words};
use tarewell::wire::{Binding, Pointer, Role, Router, Wiring};

/// Its plan and its router, made once.
pub static SITE: LazyLock<(Plan, Router)> = LazyLock::new(site);

fn site() -> (Plan, Router) {
    let stand = |unit| StandSettings { unit, ..StandSettings::default() };
    let plan = Plan {
        name: "Shed".to_owned(),
        zone: Zone::UTC,
        words: Words::Metric,
        base_topic: "tarewell".to_owned(),
        fills: Vec::new(),
        stands: vec![("south-1".to_owned(), stand(WeightUnit::Gram)), ("bench".to_owned(), stand(WeightUnit::Pound))],
        flats: vec![("leek-1".to_owned(), FlatSettings::default())],
        valves: Vec::new(),
        supplies: Vec::new(),
    };
    let bind = |topic: &str, at: Option<&[&str]>, role| Binding {
        topic: topic.to_owned(),
        value: at.map(|tokens| Pointer(tokens.iter().map(|token| (*token).to_owned()).collect())),
        role,
    };
    let online = || ("online".to_owned(), "offline".to_owned());
    let wiring = Wiring {
        bindings: vec![
            bind("shed/south-1", Some(&["weight"]), Role::Weight { stand: 0, part: Part::Whole }),
            bind("shed/south-1", Some(&["t", "0"]), Role::Temperature { stand: 0 }),
            bind("shed/bench", None, Role::Weight { stand: 1, part: Part::Whole }),
            bind("shed/lwt", None, Role::Availability { stand: 0, online: online().0, offline: online().1 }),
        ],
        ..Wiring::default()
    };
    let router = Router::new(&plan, &wiring);
    (plan, router)
}
