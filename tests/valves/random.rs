//! The bodies of the fuzz targets for valves, with bytes by chance: `TAREWELL_FUZZ_S=300 cargo test --release --test valves random` goes on
//! for so many seconds, each.

#[path = "../../fuzz/fuzz_targets/bodies/mod.rs"]
mod bodies;

use crate::dice::Dice;
use std::time::{Duration, Instant};

/// Tries bytes by chance, a few always, for longer when asked to; the seed of what fails is told.
fn try_with(few: u64, body: impl Fn(&mut Dice)) {
    let lasts = std::env::var("TAREWELL_FUZZ_S").ok().and_then(|text| text.parse().ok()).unwrap_or(0);
    let (begun, lasts) = (Instant::now(), Duration::from_secs(lasts));
    let base: u64 = std::env::var("TAREWELL_SEED").ok().and_then(|text| text.parse().ok()).unwrap_or(1);
    let mut tried = 0;
    while tried < few || begun.elapsed() < lasts {
        let seed = base + tried;
        let failed = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| body(&mut Dice(seed)))).is_err();
        assert!(!failed, "TAREWELL_SEED={seed} fails");
        tried += 1;
    }
    println!("{tried} tried");
}

#[test]
fn whatever_happens_to_valves_in_whatever_order_no_rule_is_broken() {
    try_with(60, |dice| bodies::waterings::play(&dice.bytes(200)));
}

/// Sound payloads with pieces of others in them, and pieces without sense.
const PIECES: [&str; 24] = [
    "{",
    "}",
    "\"command\":",
    "\"run\"",
    "\"measure-flow\"",
    "\"refilled\"",
    "\"volume_ml\":",
    "\"run_s\":",
    "\"caught_ml\":",
    "\"supply\":\"tank\"",
    "\"plan\":\"p-1\"",
    "\"pause\"",
    "\"for_h\":",
    "1e308",
    "-1",
    "0",
    "null",
    ",",
    "{\"state\":\"ON\"}",
    "{\"leak\":true}",
    "{\"l\":1.5}",
    "unlock",
    "OFF",
    "NaN",
];

#[test]
fn whatever_valves_and_supplies_say_is_read_or_refused() {
    try_with(3000, |dice| {
        let mut payload = Vec::new();
        for _ in 0..dice.next() % 12 {
            if dice.next() % 6 == 0 {
                payload.extend(dice.bytes(6));
            } else {
                let piece = usize::try_from(dice.next() % PIECES.len() as u64).unwrap_or(0);
                payload.extend_from_slice(PIECES[piece].as_bytes());
            }
        }
        bodies::payloads::any(&payload);
    });
}
