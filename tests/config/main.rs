//! The configuration as its users meet it.

mod bad;
mod changed;
mod good;
mod load;
mod schema;
mod valves;

use std::path::Path;
use tarewell::config::{Checked, Problems, Surroundings, read};

fn read_bytes(bytes: &[u8]) -> Result<Checked, Problems> {
    let environment = |name: &str| (name == "SET").then(|| "hush".to_owned());
    let read_file = |path: &Path| match path.to_str() {
        Some("good.secret") => Ok("opensesame\n".to_owned()),
        _ => Err("no such file".to_owned()),
    };
    let around = Surroundings {
        environment: &environment,
        read_file: &read_file,
        machine_zone: Some("America/Lima".to_owned()),
    };
    read(bytes, "t.yaml", &around)
}

fn good(text: &str) -> Checked {
    read_bytes(text.as_bytes()).unwrap_or_else(|problems| panic!("{problems}"))
}

fn bad(text: &str) -> Problems {
    read_bytes(text.as_bytes()).expect_err("nothing was found to be wrong")
}

/// Every part of the file at once, in a scenario of a roof terrace.
const EVERYTHING: &str = r#"
site: {name: Roof, time_zone: Asia/Tokyo, units: us, base_topic: roof/tarewell}
broker: {embedded: {listen: "0.0.0.0:0", users: {stand: "${SET}", phone: {password_file: good.secret, commands: true}}}}
store: roof.db
web: {listen: "localhost:8000"}
defaults: {low: 25%, wet_for: 2 d, absent_for: 45 min, fastest_drying: 0.25 kg/h}
fills:
  pepper: {tare: 9 oz, cells: 32, mix_when_filled: moistened, dry_weight: 4 lb 8 oz, capacity_weight: 7 lb}
stands:
  rail: {topic: roof/rail, value: /a~1b/0, unit: lb, division: 0.1 oz, max_load: 20 lb, stale_after: 1 s,
    temperature: {topic: roof/air, value: /t, grams_per_degree: -0.5}, available: {topic: roof/rail/on}}
  deck: {unit: counts, corners: [{topic: d, value: /1, zero: 10, counts_per_gram: -2}, {topic: d, value: /2}, {topic: d, value: /3}, {topic: d, value: /4}]}
  turn: {topic: turn, shared: true}
flats:
  red: {label: Red, stand: rail, fill: pepper, sown: 2026-02-28, stages: standard, high: 0.8, dome_weight: 6 oz}
  green: {label: Green, stand: deck, band: 1500 g, capacity_weight: 4 kg, wet_for: 1 h, formerly: lime,
    stages: [germinating, {name: growing-on, from_day: 14, target: 55%}, hardening-off]}
  blue: {label: Blue, like: red, check_every: 2 d}
  grey: {label: off, stand: turn}
  pink: {label: 07:00, stand: turn, place: north}
valves:
  main: {topic: roof/main, open: "on {seconds*10}", close: "off"}
  drip:
    topic: roof/drip
    open: ON
    close: OFF
    before_open: {topic: roof/drip/timer, payload: "{seconds+100}"}
    report: {topic: roof/drip/state, value: /relay, open: on, closed: off}
    mode: auto
    method: bottom
    feeds: {green: 0.5 gal/h, red: 30 mL/min}
    pulse: {volume: 5 fl oz, rest: 20 min}
    max_run: 10 min
    max_per_day: 1 gal
    hours: 22:30-5:00
    supply: barrel
    unweighed: accepted
    never_while: [{topic: roof/frost, value: /is, is: yes}]
supplies: {barrel: {master: main, holds: 20 gal, level: {topic: roof/barrel, value: /cm, unit: gal}}}
notify:
  gardener: {url: "http://10.0.0.2/x", body: '{"t":{title},"m":{text}}', least: critical, quiet: 21:00-06:00,
    digest: 7:15, repeat: 4 h, heartbeat: {url: "https://h.example.net/ok"}}
"#;

/// [`EVERYTHING`], read.
fn everything() -> Checked {
    good(EVERYTHING)
}
