//! A jug of known weight takes the place of a flat for a while.

use crate::bench::order;
use std::sync::Arc;
use tarewell::flat::FlatSettings;
use tarewell::moment::{Moment, Span, Wall, Zone};
use tarewell::site::{Command, Happening, Input, Output, Part, Plan, Saved, Site, Subject};
use tarewell::stand::StandSettings;
use tarewell::units::{Grams, Words};

fn plan() -> Plan {
    let flat = FlatSettings {
        label: "Parsley".to_owned(),
        stand: Some(0),
        dry_weight: Some(Grams::new(2000.0)),
        capacity_weight: Some(Grams::new(3200.0)),
        ..FlatSettings::default()
    };
    Plan {
        name: "Test".to_owned(),
        zone: Zone::UTC,
        words: Words::Metric,
        base_topic: "t".to_owned(),
        fills: Vec::new(),
        stands: vec![("a".to_owned(), StandSettings::default())],
        flats: vec![("x".to_owned(), flat)],
        valves: Vec::new(),
        supplies: Vec::new(),
    }
}

struct Bench {
    site: Site,
    now: i64,
    events: Vec<Happening>,
}

impl Bench {
    fn new() -> Self {
        let start = Moment::recorded(Wall::from_millis(1_772_500_000_000));
        Self { site: Site::new(Arc::new(plan()), &Saved::default(), start), now: 0, events: Vec::new() }
    }

    fn handle(&mut self, input: Input) {
        let at = Moment::recorded(Wall::from_millis(1_772_500_000_000) + Span::seconds(self.now));
        self.site.handle(input, at);
        while let Some(output) = self.site.poll() {
            if let Output::Event(event) = output {
                self.events.push(event.what);
            }
        }
    }

    /// The same reading every ten seconds for five minutes.
    fn lies(&mut self, grams: f64) {
        for _ in 0..30 {
            self.now += 10;
            self.handle(Input::Reading { stand: 0, part: Part::Whole, value: Ok(grams), retained: false });
        }
    }

    fn command(&mut self, command: Command) {
        self.handle(order(Subject::Stand(0), command));
    }
}

#[test]
fn a_jug_for_span_is_not_taken_for_the_flat() {
    let mut bench = Bench::new();
    bench.lies(2600.0);
    bench.lies(0.0);
    bench.lies(2300.0);
    // The kitchen scale says 2323 g: the stand reads a hundredth too little.
    bench.command(Command::Span { mass: Grams::new(2323.0), force: false });
    assert!(!bench.events.iter().any(|event| matches!(event, Happening::CommandRefused { .. })), "{:?}", bench.events);
    bench.lies(2300.0);
    let state = bench.site.flat_state(0).unwrap();
    assert_eq!((state.weight_g, state.stable), (Some(2626.0), false), "the flat's last weight, in the new grams");
    bench.lies(0.0);
    bench.lies(2590.0);
    let state = bench.site.flat_state(0).unwrap();
    assert!((state.weight_g.unwrap() - 2590.0 * 1.01).abs() < 0.11, "{state:?}");
    assert!(state.stable);
    let told = |what: fn(&Happening) -> bool| bench.events.iter().filter(|event| what(event)).count();
    assert_eq!(
        told(|event| matches!(event, Happening::Watered { .. } | Happening::Removed { .. })),
        0,
        "{:?}",
        bench.events
    );
    let back = bench.events.iter().rev().find_map(|event| match event {
        Happening::Returned { change } => Some(change.get()),
        _ => None,
    });
    assert!((back.unwrap() + 10.1).abs() < 0.2, "against its own last weight: {back:?}");
}
