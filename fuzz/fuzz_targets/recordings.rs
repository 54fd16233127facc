//! Recordings: no panic, time never runs backwards, and what comes out is one JSON object a line.
#![no_main]

mod site;

use libfuzzer_sys::fuzz_target;
use serde_json::Value;
use tarewell::alert::Kind;
use tarewell::command::replay::{Engine, replay};
use tarewell::moment::{Moment, Mono, Span};
use tarewell::site::{Input, Output, Subject};

/// Publishes the flat after each input, and wakes once in a while.
struct Echo {
    last: Moment,
    due: bool,
    wakes: u32,
}

impl Engine for Echo {
    fn handle(&mut self, input: Input, now: Moment) {
        assert!(now.mono >= self.last.mono, "time ran backwards");
        if let Input::Reading { value: Ok(value), .. } = input {
            assert!(value.is_finite());
        }
        self.last = now;
        self.due = true;
        self.wakes = if matches!(input, Input::Tick) { self.wakes + 1 } else { 0 };
    }

    fn poll(&mut self) -> Option<Output> {
        std::mem::take(&mut self.due).then_some(Output::State(Subject::Flat(0)))
    }

    fn next_wake(&self) -> Option<Mono> {
        (self.wakes < 3).then(|| self.last.mono + Span::minutes(10))
    }

    fn write_state(&self, _: Subject, into: &mut Vec<u8>) {
        into.extend_from_slice(b"null");
    }

    fn write_alert(&self, _: Kind, _: Subject, into: &mut Vec<u8>) {
        into.extend_from_slice(b"null");
    }
}

fuzz_target!(|recording: &[u8]| {
    let (plan, router) = &*site::SITE;
    let mut out = Vec::new();
    let mut told = 0;
    let start = |now| Echo { last: now, due: false, wakes: 0 };
    let done = replay(plan, router, recording, &mut out, start, |_| told += 1, |_| ());
    let (summary, _) = done.expect("memory can be read and written");
    assert!(told >= summary.bad);
    for line in out.split(|byte| *byte == b'\n').filter(|line| !line.is_empty()) {
        serde_json::from_slice::<Value>(line).expect("JSON");
    }
});
