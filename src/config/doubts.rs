//! What can be run and is probably not meant: what only several sections together show of valves.

use super::Broker;
use super::reader::Reader;
use crate::moment::Span;
use crate::units::Millilitres;
use crate::watering::{Mode, ValveSettings};
use crate::wire::{ValveWiring, Wiring};

/// A run and a day's water for one flat, beyond which a slip of the pen is likelier than a need (judgements).
const LONG_RUN: Span = Span::hours(2);
const MUCH_A_DAY: Millilitres = Millilitres::new(5_000.0);

/// Notes what is doubtful of the valves.
pub(super) fn tell(reader: &Reader<'_>, broker: &Broker, valves: &[ValveSettings], wiring: &Wiring) {
    let wired = || valves.iter().zip(&wiring.valves);
    for (index, (valve, wires)) in wired().enumerate() {
        let before = || wired().take(index);
        read_as_a_weight(reader, valve, wires, wiring);
        if let Some((other, _)) = before().find(|(_, other)| reads_the_same(other, wires)) {
            reader.note(format!(
                "`{}` and `{}` read their state from the same place: each would take the other's for its own. Name the topic, or `value`, of each",
                other.id, valve.id
            ));
        }
        if valve.mode != Mode::Advise {
            unending(reader, valve);
            unseen(reader, valve);
            nobody_would_close(reader, broker, valve);
        }
    }
    dies_with_the_program(reader, broker, valves);
}

fn reads_the_same(one: &ValveWiring, other: &ValveWiring) -> bool {
    let place = |wires: &ValveWiring| wires.report.as_ref().map(|(topic, value, ..)| (topic.clone(), value.clone()));
    place(one).is_some_and(|place_of_one| place(other) == Some(place_of_one))
}

fn read_as_a_weight(reader: &Reader<'_>, valve: &ValveSettings, wires: &ValveWiring, wiring: &Wiring) {
    if !wires.topic.is_empty() && wiring.bindings.iter().any(|binding| binding.topic == wires.topic) {
        reader.note(format!(
            "`{}` is commanded on `{}`, which a stand is read from: its orders would be read as weights. Name the topic that the device takes \
             orders on",
            valve.id, wires.topic
        ));
    }
}

fn unending(reader: &Reader<'_>, valve: &ValveSettings) {
    if let Some(run) = valve.max_run.filter(|run| *run > LONG_RUN) {
        reader.note(format!(
            "`max_run` of `{}` is {:.0} h: that long it may pour before anything but the weight stops it. Minutes are usual",
            valve.id,
            run.as_hours()
        ));
    }
    let much = valve.feeds.iter().fold(Millilitres::ZERO, |sum, _| sum + MUCH_A_DAY).max(MUCH_A_DAY);
    if let Some(day) = valve.max_per_day.filter(|day| *day > much) {
        reader.note(format!(
            "`max_per_day` of `{}` is {:.0} L: more than {:.0} L for each flat it feeds. Write what they can drink in a day",
            valve.id,
            day.get() / 1000.0,
            MUCH_A_DAY.get() / 1000.0
        ));
    }
}

fn unseen(reader: &Reader<'_>, valve: &ValveSettings) {
    if !valve.reports {
        reader.note(format!(
            "`{}` has no `report`: whether it is open, only the weights of its flats can tell, some seconds later. Add `report` if the device has \
             one",
            valve.id
        ));
    }
}

/// With the embedded broker nobody is left to say a valve's will when this program dies: only the device's own timer closes it.
fn nobody_would_close(reader: &Reader<'_>, broker: &Broker, valve: &ValveSettings) {
    if matches!(broker, Broker::Embedded(_)) && !valve.has_timer {
        reader.note(format!(
            "{} has no timer of its own, and the broker is embedded: if this program dies while it is open, nobody closes it. Use a broker of its own \
             (`broker: {{url: …}}`), or a valve with a timer",
            valve.id
        ));
    }
}

/// The same of valves that have a timer, once for all of them.
fn dies_with_the_program(reader: &Reader<'_>, broker: &Broker, valves: &[ValveSettings]) {
    let opens = |valve: &&ValveSettings| valve.mode != Mode::Advise && valve.has_timer;
    let ids: Vec<String> = valves.iter().filter(opens).map(|valve| format!("`{}`", valve.id)).collect();
    if !ids.is_empty() && matches!(broker, Broker::Embedded(_)) {
        let timer = if ids.len() == 1 { "its own timer closes" } else { "their own timers close" };
        let ids = ids.join(", ");
        reader.note(format!(
            "the embedded broker dies with this program: if that happens while water runs, only {timer} {ids}. For `ask` and `auto` use \
             a broker of its own (`broker: {{url: …}}`), which closes a valve too"
        ));
    }
}
