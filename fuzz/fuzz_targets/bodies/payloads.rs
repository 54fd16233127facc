//! Payloads of valves and supplies: no panic, and whatever is read lies within bounds.

use super::checked;
use std::sync::LazyLock;
use tarewell::moment::Span;
use tarewell::site::{Command, Input, Order, Ticket};
use tarewell::units::Millilitres;
use tarewell::wire::{Heard, Router, ValveWiring, foreign_order};

static ROUTER: LazyLock<Router> = LazyLock::new(|| {
    let checked = checked();
    Router::new(&checked.plan, &checked.wiring)
});

const COMMANDED: [&str; 4] = [
    "tarewell/valves/auto/command",
    "tarewell/valves/main/command",
    "tarewell/flats/leek-2/command",
    "tarewell/command",
];

/// Any payload, on every topic that valves and supplies have.
pub fn any(payload: &[u8]) {
    let router = &*ROUTER;
    for topic in ["shed/auto", "shed/asked", "shed/main", "shed/floor", "shed/level"] {
        let heard = router.message(topic, payload, false, None, |input| match input {
            Input::ValveReport { valve, .. } => assert!(valve < 4),
            Input::Hold { valve: 0 | 2, which: 0, .. } => {}
            Input::Level { supply: 0, left } => assert!(left.get().is_finite()),
            other => panic!("{other:?} from {topic}"),
        });
        assert!(heard != Heard::Stranger && heard != Heard::Stray);
    }
    for topic in COMMANDED {
        router.message(topic, payload, false, Some(Ticket(7)), |input| {
            let Input::Order(order) = input else { panic!("{input:?}") };
            check(&order);
        });
    }
    for (place, wiring) in router.valves().iter().enumerate() {
        foreign(router.valves(), place, wiring, payload);
    }
}

/// An order of somebody else is taken for closing only if it is the payload that closes.
fn foreign(valves: &[ValveWiring], place: usize, wiring: &ValveWiring, payload: &[u8]) {
    match foreign_order(valves, place, payload, false) {
        Some(Input::ForeignOrder { valve, closes, retained: false }) => {
            assert_eq!((valve, closes), (place, payload == wiring.close.as_bytes()));
        }
        None => assert!(payload.is_empty() || payload != wiring.close.as_bytes()),
        other => panic!("{other:?}"),
    }
}

fn check(order: &Order) {
    let is_volume = |volume: Millilitres| volume.get().is_finite() && volume > Millilitres::ZERO;
    match &order.command {
        Err(why) => assert!(!why.is_empty() && why.len() < 2000, "{why}"),
        Ok(Command::Run { volume, .. } | Command::Water { volume } | Command::Refilled { volume, .. }) => {
            assert!(volume.is_none_or(is_volume), "{volume:?}");
        }
        Ok(Command::Caught { volume } | Command::Watered { volume, .. }) => assert!(is_volume(*volume), "{volume:?}"),
        Ok(Command::MeasureFlow { run }) => assert!(*run > Span::ZERO),
        Ok(Command::Pause { time }) => assert!(*time > Span::ZERO || time.millis() == 0, "{time:?}"),
        Ok(_) => {}
    }
}
