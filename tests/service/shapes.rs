//! Every topic as a stock client sees it: keys, units, rounding, retain flags, qualities of service.

use crate::bench::{Broker, House};
use crate::ear::{Ear, Scale};
use serde_json::{Value, json};

const BODY: &str = "
fills: {module: {dry_weight: 2900 g, capacity_weight: 4500 g}}
stands:
  south-1: {topic: house/s1}
  south-2: {topic: house/s2}
flats:
  celeriac-1: {label: First celeriac, stand: south-1, fill: module, sown: 2026-01-14, stages: [{name: growing}]}
  celeriac-2: {label: Second celeriac, stand: south-2, fill: module}
  celeriac-3: {label: Third celeriac}
valves:
  drip:
    topic: house/valve/set
    open: 'on {seconds}'
    close: 'off'
    feeds: {celeriac-1: 2 L/h, celeriac-2: 2 L/h}
    pulse: {volume: 180 mL, rest: 60 s}
    max_run: 15 min
    max_per_day: 3 L
";

/// Keys and kinds as in the contract's example, whatever their order.
#[track_caller]
fn assert_shape(found: &Value, example: &str) {
    let example: Value = serde_json::from_str(example).unwrap();
    compare(found, &example, "");
}

#[track_caller]
fn compare(found: &Value, example: &Value, at: &str) {
    match (found, example) {
        (Value::Object(found), Value::Object(example)) => {
            let (mut has, mut wants): (Vec<_>, Vec<_>) = (found.keys().collect(), example.keys().collect());
            has.sort();
            wants.sort();
            assert_eq!(has, wants, "keys at {at:?}");
            for (key, value) in example {
                compare(&found[key], value, &format!("{at}/{key}"));
            }
        }
        (Value::Array(found), Value::Array(example)) => {
            for value in found {
                compare(value, &example[0], &format!("{at}/…"));
            }
        }
        (Value::Null, _) | (_, Value::Null) => {}
        _ => assert_eq!(std::mem::discriminant(found), std::mem::discriminant(example), "{at}: {found} as {example}"),
    }
}

const FLAT: &str = r#"{"flat":"celeriac-1","label":"Celeriac","time":"2026-03-04T08:15:00+00:00",
 "basis":"stand","weighed_at":"2026-03-04T08:14:58+00:00","stand":"south-1","weight_g":3300.0,"stable":true,
 "dry_weight_g":2900.0,"capacity_weight_g":4500.0,"plant_mass_g":0.0,"band_from":"recorded",
 "water_g":400.0,"fraction":0.25,"fraction_error":0.004,
 "condition":"dry","stage":"growing-on","low":0.3,"water_at":0.4,"target":0.5,"high":0.75,"dome":null,
 "to_target_ml":400.7,"target_weight_g":3700.0,"drying_g_per_h":21.5,
 "due_at":null,"due_between":["",""],"low_at":null,"low_between":null,
 "since_watered_h":61.2,"since_soak_d":9.0,"locked":null,"advice":"…"}"#;
const STAND: &str = r#"{"stand":"","time":"","reading_at":"","weight_g":1.0,"stable":true,"state":"ok","fault":null,
 "period_s":1.0,"noise_g":1.0,"flat":"celeriac-1","corners_g":null,"round":null}"#;
const VALVE: &str = r#"{"valve":"south-drip","time":"…","mode":"advise","state":"closed",
 "flow_ml_per_min":66.7,"last_24h_ml":0.0,"max_per_day_ml":3000.0,
 "plan":{"id":"p-1041","due":true,"volume_ml":801.4,"run_time_s":722,"limited_by":"target",
   "pulses":[{"run_s":324,"rest_s":60}],
   "flats":[{"flat":"celeriac-1","to_target_ml":400.7,"gets_ml":400.7,"fraction_after":0.5}]},
 "watering":null,"locked":null}"#;
const ALERT: &str =
    r#"{"kind":"dry","of":"flat","id":"","severity":"warning","since":"","title":"","text":"","value":0.25}"#;

#[test]
fn every_topic_has_the_shape_of_the_contract() {
    for broker in Broker::each() {
        let house = House::at(broker.addr);
        let ear = Ear::open(broker.addr, &["tarewell/#", "house/#"]);
        let service = house.run(BODY);
        // Before any weight.
        let unknown = ear.state(0, "tarewell/flats/celeriac-1", |state| state["condition"] == "unknown");
        assert_shape(&unknown, FLAT);
        for key in [
            "basis",
            "weighed_at",
            "weight_g",
            "water_g",
            "fraction",
            "to_target_ml",
            "target_weight_g",
            "drying_g_per_h",
            "due_at",
            "due_between",
            "low_at",
            "low_between",
            "since_watered_h",
            "since_soak_d",
            "dome",
        ] {
            assert!(unknown[key].is_null(), "{key}");
        }
        assert_eq!((&unknown["stable"], &unknown["band_from"]), (&json!(false), &json!("fill")));
        let unweighed = ear.state(0, "tarewell/flats/celeriac-3", Value::is_object);
        assert_shape(&unweighed, FLAT);
        assert!(unweighed["stand"].is_null() && unweighed["band_from"].is_null() && unweighed["stage"].is_null());
        let valve = ear.state(0, "tarewell/valves/drip", Value::is_object);
        assert_shape(&valve, VALVE);
        assert_eq!((&valve["locked"]["needs_unlock"], &valve["plan"]), (&json!(false), &json!(null)));
        let unheard = ear.state(0, "tarewell/stands/south-1", Value::is_object);
        assert_shape(&unheard, STAND);

        // The example of the contract: a quarter is left in the one, 0.219 in the other.
        let scales =
            [Scale::start(broker.addr, "house/s1", &[3300.0]), Scale::start(broker.addr, "house/s2", &[3250.0])];
        let flat =
            ear.state(0, "tarewell/flats/celeriac-1", |state| state["condition"] == "dry" && state["locked"].is_null());
        assert_shape(&flat, FLAT);
        for (key, value) in [
            ("basis", json!("stand")),
            ("stand", json!("south-1")),
            ("weight_g", json!(3300.0)),
            ("stable", json!(true)),
            ("dry_weight_g", json!(2900.0)),
            ("capacity_weight_g", json!(4500.0)),
            ("plant_mass_g", json!(0.0)),
            ("band_from", json!("fill")),
            ("water_g", json!(400.0)),
            ("fraction", json!(0.25)),
            ("stage", json!("growing")),
            ("low", json!(0.3)),
            ("water_at", json!(0.4)),
            ("target", json!(0.5)),
            ("high", json!(0.75)),
            // 400 g of water at 20 °C, 0.998 203 4 g/mL (Tanaka 2001).
            ("to_target_ml", json!(400.7)),
            ("target_weight_g", json!(3700.0)),
            ("locked", json!(null)),
        ] {
            assert_eq!(flat[key], value, "{key}");
        }
        assert!(flat["time"].as_str().unwrap().parse::<chrono::DateTime<chrono::FixedOffset>>().is_ok());
        let stand = ear.state(0, "tarewell/stands/south-1", |state| state["stable"] == true);
        assert_shape(&stand, STAND);
        assert_eq!(
            (&stand["weight_g"], &stand["state"], &stand["flat"]),
            (&json!(3300.0), &json!("ok"), &json!("celeriac-1"))
        );

        let planned = ear.state(0, "tarewell/valves/drip", |state| state["plan"].is_object());
        assert_shape(&planned, VALVE);
        assert_eq!(
            (&planned["mode"], &planned["state"], &planned["flow_ml_per_min"]),
            (&json!("advise"), &json!("closed"), &json!(66.7))
        );
        assert_eq!(
            (&planned["max_per_day_ml"], &planned["last_24h_ml"], &planned["locked"]),
            (&json!(3000.0), &json!(0.0), &json!(null))
        );
        let plan = &planned["plan"];
        // 801.4 mL at 66.67 mL/min: 721.3 s, in pulses of 180 mL a flat (324 s).
        assert_eq!(
            (&plan["due"], &plan["volume_ml"], &plan["run_time_s"], &plan["limited_by"]),
            (&json!(true), &json!(801.4), &json!(722), &json!("target"))
        );
        assert_eq!(
            plan["pulses"],
            json!([{"run_s":324,"rest_s":60},{"run_s":324,"rest_s":60},{"run_s":74,"rest_s":0}])
        );
        assert_eq!(plan["flats"][0]["to_target_ml"], 400.7);
        assert_eq!(plan["flats"][0]["fraction_after"], 0.5);
        assert_eq!(
            plan["flats"][1],
            json!({"flat":"celeriac-2","to_target_ml":450.8,"gets_ml":400.7,"fraction_after":0.469})
        );

        let alert = ear.state(0, "tarewell/alerts/dry/celeriac-1", Value::is_object);
        assert_shape(&alert, ALERT);
        assert_eq!(
            (&alert["kind"], &alert["of"], &alert["id"], &alert["severity"], &alert["value"]),
            (&json!("dry"), &json!("flat"), &json!("celeriac-1"), &json!("warning"), &json!(0.25))
        );
        let event = ear.event(0, "alert-raised");
        assert_shape(
            &event,
            r#"{"seq":1,"time":"","event":"","of":"flat","id":"","kind":"dry","severity":"warning","title":""}"#,
        );

        ear.say("tarewell/flats/celeriac-1/command", "no-such-word");
        let refused = ear.event(0, "command-refused");
        assert_shape(&refused, r#"{"seq":1,"time":"","event":"","of":"flat","id":"","command":"","error":""}"#);
        assert_eq!(
            (&refused["command"], &refused["of"], &refused["id"]),
            (&json!("no-such-word"), &json!("flat"), &json!("celeriac-1"))
        );

        // The table of the contract. What is published at QoS 1 is heard at QoS 1 here.
        for message in ear.on("tarewell/") {
            let kind = message.topic.split('/').nth(1).unwrap();
            let (retained, qos) = match kind {
                _ if message.topic.ends_with("/command") => continue,
                "status" | "alerts" | "valves" => (true, 1),
                "flats" | "stands" => (true, 0),
                "events" => (false, 1),
                other => panic!("{other}"),
            };
            assert_eq!((message.retained, message.qos), (retained, qos), "{} on {}", message.topic, broker.name);
        }
        // In `advise` nothing is ever sent to a valve.
        assert!(ear.on("house/valve").is_empty());
        drop(scales);
        assert_eq!(service.stop().0, 0);
    }
}
