//! A round on a shared scale, with the program killed in the midst of it.

use crate::bench::House;
use crate::ear::{Ear, Scale};
use crate::http::post;
use serde_json::{Value, json};

const BENCH: &str = "
stands: {bench: {topic: bench/scale, shared: true}}
flats:
  leek-1: {label: Leek 1, dry_weight: 1600 g, capacity_weight: 2700 g}
  leek-2: {label: Leek 2, dry_weight: 1600 g, capacity_weight: 2700 g}
  leek-3: {label: Leek 3, dry_weight: 1600 g, capacity_weight: 2700 g}
";

fn whose_turn(state: &Value) -> (&Value, &Value) {
    (&state["round"]["flat"], &state["round"]["state"])
}

#[test]
fn a_round_goes_on_where_the_program_was_killed() {
    let house = House::own_broker();
    let service = house.run(BENCH);
    let scale = Scale::start(service.broker(), "bench/scale", &[0.0, 0.1]);
    let say = |at, command: &Value| post(at, "/api/stands/bench/command", &command.to_string());
    let (status, begun) = say(service.web(), &json!("round"));
    assert_eq!((status, &begun["round"]["flat"]), (200, &json!("leek-1")), "{begun}");
    let ear = Ear::open(service.broker(), &["tarewell/#"]);
    scale.set(&[2000.0, 2000.4]);
    ear.state(0, "tarewell/flats/leek-1", |state| state["basis"] == "scale");
    scale.set(&[0.0, 0.1]);
    ear.state(0, "tarewell/stands/bench", |state| whose_turn(state) == (&json!("leek-2"), &json!("awaited")));
    // Another's tap on the same button, a moment later.
    let (status, skipped) = say(service.web(), &json!({"command": "skip", "flat": "leek-1"}));
    assert_eq!(status, 409, "{skipped}");
    assert!(skipped["error"].as_str().unwrap().contains("at 2 of 3: Leek 2 is next"), "{skipped}");
    drop(scale);
    service.kill();

    let service = house.again();
    let ear = Ear::open(service.broker(), &["tarewell/#"]);
    let state = ear.state(0, "tarewell/stands/bench", |state| state["round"].is_object());
    assert_eq!((whose_turn(&state), &state["round"]["weighed"]), ((&json!("leek-2"), &json!("awaited")), &json!(1)));
    let scale = Scale::start(service.broker(), "bench/scale", &[0.0, 0.1]);
    scale.set(&[2100.0, 2100.4]);
    ear.state(0, "tarewell/flats/leek-2", |state| state["basis"] == "scale");
    let (status, ended) = say(service.web(), &json!({"command": "end", "flat": "leek-2"}));
    assert_eq!((status, &ended["weighed"], &ended["not_weighed"]), (200, &json!(2), &json!(["leek-3"])), "{ended}");
    ear.event(0, "round-ended");
}
