//! Readings a second through `command::replay::replay` with the real engine, on one thread.
//!
//! The recording is made by another thread while it is played, so that two days of 5,000 flats fit into memory; what is
//! counted is the CPU time of the thread that plays. What is published is serialised and thrown away.

use super::Figure;
use clap::Parser as _;
use make_recording::{Wanted, configuration, recording};
use std::io::{self, BufWriter, Read, Write};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use tarewell::alert::Kind;
use tarewell::command::replay::{Engine, Summary, replay};
use tarewell::config::{self, Checked, Surroundings};
use tarewell::moment::{Moment, Mono};
use tarewell::site::{Input, Output, Saved, Site, Subject};
use tarewell::wire::Router;

#[path = "../../examples/make_recording.rs"]
#[allow(dead_code, reason = "an example of its own")]
mod make_recording;

/// The flats of a house, and those of a nursery.
const FEW: u32 = 50;
const MANY: u32 = 5_000;
/// On the second day drying is known, and forecast.
const DAYS: u32 = 2;
/// The short run is done so often, before and after the long one; the best counts, as a busy machine only adds.
const TIMES: u32 = 3;
const READINGS_A_SECOND: f64 = 2e6;
const SHARE: f64 = 0.8;
/// So much of the recording is handed over at a time.
const PIECE: usize = 1 << 20;

pub fn figures() -> Vec<Figure> {
    let best_of = |best: f64, seeds: std::ops::Range<u32>| seeds.map(|seed| measure(FEW, seed)).fold(best, f64::max);
    let few = best_of(0.0, 1..TIMES);
    let many = measure(MANY, 1).max(measure(MANY, 2));
    let few = best_of(few, TIMES..2 * TIMES);
    let share = many / few;
    let rate = |rate: f64| format!("{:.2} million/s", rate / 1e6);
    vec![
        Figure::new("replay, 50 flats: readings a second", "≥ 2 million/s", rate(few), few >= READINGS_A_SECOND),
        Figure::new("replay, 5,000 flats: readings a second", "", rate(many), true),
        Figure::new("replay, 5,000 flats against 50", "≥ 80 %", format!("{:.0} %", share * 100.0), share >= SHARE),
    ]
}

/// Readings a second of CPU time.
fn measure(flats: u32, seed: u32) -> f64 {
    let days = std::env::var("DAYS").ok();
    let days = days.unwrap_or_else(|| DAYS.to_string());
    let arguments = ["made", "--flats", &flats.to_string(), "--days", &days, "--seed", &seed.to_string()];
    let wanted = Wanted::parse_from(arguments);
    let mut file = Vec::new();
    configuration(&wanted, &mut file).expect("memory");
    let Checked { plan, wiring, .. } = checked(&file);
    let router = Router::new(&plan, &wiring);
    let plan = Arc::new(plan);
    let (pieces, recorded) = sync_channel(4);
    let made = std::thread::spawn(move || {
        let mut out = BufWriter::with_capacity(PIECE, Pieces(pieces));
        recording(&wanted, &mut out).and_then(|()| out.flush())
    });
    let mut published = Counted::default();
    let begun = cpu_seconds();
    let start = |at| Played(Site::new(plan.clone(), &Saved::default(), at));
    let recorded = Recorded { pieces: recorded, piece: Vec::new(), read: 0 };
    let (summary, _) = replay(&plan, &router, recorded, &mut published, start, |why| panic!("{why}"), |_| ())
        .expect("reading and writing memory goes well");
    let seconds = cpu_seconds() - begun;
    made.join().expect("it ends").expect("all is taken");
    assert_eq!(summary, Summary { records: summary.records, ..Summary::default() });
    let rate = summary.records as f64 / seconds;
    println!(
        "replay of {flats} flats: {} readings in {seconds:.2} s of CPU time: {:.0} ns each; {} messages of {} bytes",
        summary.records,
        1e9 / rate,
        published.lines,
        published.bytes / published.lines.max(1)
    );
    rate
}

fn checked(file: &[u8]) -> Checked {
    let around =
        Surroundings { environment: &|_| None, read_file: &|_| Err("there is no file".to_owned()), machine_zone: None };
    config::read(file, "made up", &around).unwrap_or_else(|problems| panic!("{problems}"))
}

/// The engine, joined as in the command itself.
struct Played(Site);

impl Engine for Played {
    fn handle(&mut self, input: Input, now: Moment) {
        self.0.handle(input, now);
    }

    fn poll(&mut self) -> Option<Output> {
        self.0.poll()
    }

    fn next_wake(&self) -> Option<Mono> {
        self.0.next_wake().map(|wake| wake.at)
    }

    fn write_state(&self, subject: Subject, into: &mut Vec<u8>) {
        self.0.write_state(subject, into);
    }

    fn write_alert(&self, kind: Kind, subject: Subject, into: &mut Vec<u8>) {
        self.0.write_alert(kind, subject, into);
    }
}

/// Hands over what is written, piece by piece.
struct Pieces(SyncSender<Vec<u8>>);

impl Write for Pieces {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.send(bytes.to_vec()).map_err(io::Error::other)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Reads the pieces as if they were a file.
struct Recorded {
    pieces: Receiver<Vec<u8>>,
    piece: Vec<u8>,
    read: usize,
}

impl Read for Recorded {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if self.read == self.piece.len() {
            (self.piece, self.read) = (self.pieces.recv().unwrap_or_default(), 0);
        }
        let count = (&self.piece[self.read..]).read(into)?;
        self.read += count;
        Ok(count)
    }
}

/// Throws away what it is given.
#[derive(Default)]
struct Counted {
    bytes: usize,
    lines: usize,
}

impl Write for Counted {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.bytes += bytes.len();
        self.lines += bytes.iter().filter(|byte| **byte == b'\n').count();
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// What this thread has had of a core: the first number of proc(5), `/proc/[pid]/schedstat`, in nanoseconds.
fn cpu_seconds() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").expect("Linux tells");
    text.split_whitespace().next().and_then(|field| field.parse::<f64>().ok()).expect("a number") / 1e9
}
