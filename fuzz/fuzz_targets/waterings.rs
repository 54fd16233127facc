//! Everything that can happen to valves, in any order.
#![no_main]

mod bodies;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| bodies::waterings::play(bytes));
