//! Payloads of valves and supplies, and commands to them.
#![no_main]

mod bodies;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|payload: &[u8]| bodies::payloads::any(payload));
