//! Commands: no panic, and whatever is read lies within bounds.
#![no_main]

mod site;

use libfuzzer_sys::fuzz_target;
use tarewell::moment::Span;
use tarewell::site::{Command, Input, Order, Ticket};
use tarewell::units::Grams;

fuzz_target!(|payload: &[u8]| {
    let (_, router) = &*site::SITE;
    for topic in [
        "tarewell/flats/leek-1/command",
        "tarewell/stands/south-1/command",
        "tarewell/command",
        "tarewell/flats/nobody/command",
    ] {
        router.message(topic, payload, false, Some(Ticket(7)), |input| {
            let Input::Order(order) = input else { panic!("{input:?}") };
            check(&order);
        });
    }
});

fn check(order: &Order) {
    assert_eq!(order.ticket, Some(Ticket(7)));
    assert!(order.word.chars().count() <= 41, "{}", order.word);
    assert!(order.id.as_ref().is_none_or(|id| id.chars().count() <= 128));
    match &order.command {
        Err(why) => assert!(!why.is_empty() && why.len() < 2000, "{why}"),
        Ok(Command::Span { mass, .. }) => assert!(mass.get().is_finite() && *mass > Grams::ZERO),
        Ok(Command::Shelve { time }) => assert!(*time > Span::ZERO || time.millis() == 0),
        Ok(Command::Set(set)) => {
            for limit in [set.low, set.water_at, set.target, set.high].into_iter().flatten().flatten() {
                assert!((0.0..=2.0).contains(&limit.get()));
            }
            assert!(set.plant_mass.flatten().is_none_or(|mass| mass.get().is_finite() && mass >= Grams::ZERO));
        }
        Ok(Command::Move { stand }) => assert!(stand.is_none_or(|stand| stand < 2)),
        Ok(Command::Holds { flat }) => assert!(flat.is_none_or(|flat| flat == 0)),
        Ok(_) => {}
    }
}
