//! What the targets for valves do with their bytes; `tests/valves/random.rs` does the same with bytes by chance.

use tarewell::config::{Checked, Surroundings, read};

pub mod payloads;
pub mod waterings;

/// Two taps of one tank behind a master, one by itself and one on command, and a third that reports nothing.
pub const YAML: &str = r#"
version: 1
site: {name: Shed, time_zone: Europe/London}
stands: {s1: {topic: shed/s1}, s2: {topic: shed/s2}, s3: {topic: shed/s3}}
flats:
  leek-1: {label: First leeks, stand: s1, dry_weight: 2000 g, capacity_weight: 3000 g}
  leek-2: {label: Second leeks, stand: s2, dry_weight: 2000 g, capacity_weight: 3000 g}
  leek-3: {label: Third leeks, stand: s3, dry_weight: 2000 g, capacity_weight: 3000 g}
valves:
  auto: {topic: shed/auto/set, open: 'ON {seconds}', close: 'OFF', report: {topic: shed/auto, value: /state, open: "ON", closed: "OFF"}, mode: auto,
    max_run: 4 min, max_per_day: 700 mL, supply: tank, feeds: {leek-1: 10 L/h}, pulse: {volume: 120 mL, rest: 20 s},
    never_while: [{topic: shed/floor, value: /leak, is: true}]}
  asked: {topic: shed/asked/set, open: 'ON {seconds}', close: 'OFF', report: {topic: shed/asked, open: open, closed: closed}, mode: ask,
    method: bottom, max_run: 4 min, max_per_day: 700 mL, supply: tank, feeds: {leek-2: 10 L/h}}
  mute: {topic: shed/mute/set, open: '1', close: '0', before_open: {topic: shed/mute/timer, payload: '{seconds*10}'}, mode: auto,
    max_run: 4 min, max_per_day: 700 mL, feeds: {leek-3: 10 L/h}, never_while: [{topic: shed/floor, value: /leak, is: true}]}
  main: {topic: shed/main/set, open: 'on {seconds}', close: 'off', report: {topic: shed/main, open: on, closed: off}}
supplies: {tank: {master: main, holds: 15 L, level: {topic: shed/level, value: /l, unit: L}}}
"#;

/// The site that they all have.
pub fn checked() -> Checked {
    let around = Surroundings {
        environment: &|_: &str| None,
        read_file: &|_| Err("no files here".to_owned()),
        machine_zone: None,
    };
    read(YAML.as_bytes(), "fuzz.yaml", &around).unwrap_or_else(|problems| panic!("{problems}"))
}
