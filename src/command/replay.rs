//! `tarewell replay`: a recording through the engine, with no broker and no clock.

use super::lines::Lines;
use crate::alert::Kind;
use crate::moment::{Moment, Mono, Wall, Zone};
use crate::site::{Input, Output, Part, Plan, Subject};
use crate::wire::{Body, Names, OrderMessage, Parser, Record, Router, topic, write_event};
use clap::Args;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::{self, IsTerminal, Read, Write};
use std::path::PathBuf;

/// What `tarewell replay` is given.
#[derive(Debug, Clone, Args)]
pub struct ReplayArgs {
    /// The configuration; without it tarewell.yaml here, then /etc/tarewell/tarewell.yaml
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// Read and write this store; without it nothing is known at the start, and nothing is kept
    #[arg(long, value_name = "FILE")]
    pub store: Option<PathBuf>,
    /// A table with the header time,stand,value, or messages as JSON lines; - for standard input
    #[arg(value_name = "RECORDING")]
    pub recording: PathBuf,
}

/// The engine, as far as a replay needs it.
pub trait Engine {
    /// Takes what happened.
    fn handle(&mut self, input: Input, now: Moment);
    /// The next thing to be done, until there is none.
    fn poll(&mut self) -> Option<Output>;
    /// When it wants to be called again.
    fn next_wake(&self) -> Option<Mono>;
    /// Appends the present state of a flat, stand or valve.
    fn write_state(&self, subject: Subject, into: &mut Vec<u8>);
    /// Appends a raised alert.
    fn write_alert(&self, kind: Kind, subject: Subject, into: &mut Vec<u8>);
    /// What is neither published nor told in a replay: what a store would keep.
    fn keep(&mut self, _output: Output) {}
}

/// How a replay went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Summary {
    /// Records that reached the engine.
    pub records: u64,
    /// Lines that do not parse.
    pub bad: u64,
    /// Records older than the one before.
    pub older: u64,
    /// Messages on topics that nobody asked for.
    pub strangers: u64,
}

impl Summary {
    /// The exit code: 1 when a line did not parse.
    #[must_use]
    pub const fn exit_code(self) -> i32 {
        if self.bad > 0 { 1 } else { 0 }
    }
}

/// Feeds a recording to an engine that `start` makes at the moment of the first record.
///
/// What is due between two records happens in between, in order. Messages that `run` would have published go to `out`,
/// a JSON line each; lines that cannot be read are told through `tell`, and at the end what was skipped.
/// `read` is called now and then with the number of bytes read so far.
///
/// # Errors
/// Reading or writing failed.
pub fn replay<E: Engine>(
    plan: &Plan,
    router: &Router,
    recording: impl Read,
    out: impl Write,
    start: impl FnOnce(Moment) -> E,
    mut tell: impl FnMut(&str),
    mut read: impl FnMut(u64),
) -> io::Result<(Summary, Option<E>)> {
    let mut lines = Lines::new(recording);
    let mut parser = Parser::new(plan);
    let mut start = Some(start);
    let mut player = None;
    let mut printer = Some(Printer::new(plan, router.names(), out));
    let mut summary = Summary::default();
    while let Some((number, line)) = lines.next_line(&mut read)? {
        let record = match line.and_then(|line| parser.line(line)) {
            Ok(Some(record)) => record,
            Ok(None) => continue,
            Err(why) => {
                tell(&format!("line {number}: {why}"));
                summary.bad += 1;
                if parser.is_recording() {
                    continue;
                }
                break;
            }
        };
        if player.is_none()
            && let (Some(start), Some(printer)) = (start.take(), printer.take())
        {
            player = Some(Player::begin(router, start(Moment::recorded(record.at)), printer, record.at)?);
        }
        if let Some(player) = &mut player {
            player.play(record, &mut summary)?;
        }
    }
    if summary.older > 0 {
        tell(&format!("{} records are older than the one before them and were skipped", summary.older));
    }
    if summary == Summary::default() {
        tell("the recording holds no records");
    }
    let engine = player.map(Player::end).transpose()?;
    Ok((summary, engine))
}

/// [`replay`] of a file (or standard input) to standard output, with a progress bar where somebody watches.
///
/// # Errors
/// The file cannot be read, or the output not written. An output that nobody reads any more just ends the replay.
pub fn replay_file<E: Engine>(
    args: &ReplayArgs,
    plan: &Plan,
    router: &Router,
    start: impl FnOnce(Moment) -> E,
) -> io::Result<(Summary, Option<E>)> {
    let (recording, size): (Box<dyn Read>, _) = if args.recording.as_os_str() == "-" {
        (Box::new(io::stdin().lock()), None)
    } else {
        let file = std::fs::File::open(&args.recording)?;
        let size = file.metadata()?.len();
        (Box::new(file), Some(size))
    };
    let bar = progress(size);
    let tell = |text: &str| bar.suspend(|| eprintln!("{}: {text}", args.recording.display()));
    let done = replay(plan, router, recording, io::stdout().lock(), start, tell, |bytes| bar.set_position(bytes));
    bar.finish_and_clear();
    match done {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok((Summary::default(), None)),
        done => done,
    }
}

fn progress(size: Option<u64>) -> ProgressBar {
    if !io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::with_draw_target(size, ProgressDrawTarget::stderr_with_hz(5));
    match ProgressStyle::with_template("{wide_bar} {percent}%  {bytes} of {total_bytes}, {eta} left") {
        Ok(style) => bar.with_style(style),
        Err(_) => bar,
    }
}

/// The engine and the time it has come to.
struct Player<'r, E, W: Write> {
    router: &'r Router,
    engine: E,
    printer: Printer<W>,
    now: Moment,
    said: Vec<Input>,
}

impl<'r, E: Engine, W: Write> Player<'r, E, W> {
    /// Connects, as `run` does before anything else.
    fn begin(router: &'r Router, engine: E, printer: Printer<W>, at: Wall) -> io::Result<Self> {
        let now = Moment::recorded(at);
        let mut player = Self { router, engine, printer, now, said: Vec::new() };
        player.handle(Input::Connected)?;
        Ok(player)
    }

    fn play(&mut self, record: Record<'_>, summary: &mut Summary) -> io::Result<()> {
        if record.at < self.now.wall {
            summary.older += 1;
            return Ok(());
        }
        self.run_until(record.at)?;
        summary.records += 1;
        match record.body {
            Body::Reading { stand, value } => {
                self.handle(Input::Reading { stand, part: Part::Whole, value, retained: false })
            }
            Body::Message { topic, payload, retained } => {
                let mut said = std::mem::take(&mut self.said);
                let heard = self.router.message(&topic, &payload, retained, None, |input| said.push(input));
                summary.strangers += u64::from(heard == crate::wire::Heard::Stranger);
                let done = said.drain(..).try_for_each(|input| self.handle(input));
                self.said = said;
                done
            }
        }
    }

    /// Everything that is due until `at`, in order; then it is `at`.
    fn run_until(&mut self, at: Wall) -> io::Result<()> {
        let until = Moment::recorded(at);
        while let Some(wake) = self.engine.next_wake().filter(|wake| *wake <= until.mono) {
            self.now = Moment::recorded(Wall::from_millis(wake.max(self.now.mono).millis()));
            self.handle(Input::Tick)?;
        }
        self.now = until;
        Ok(())
    }

    #[inline]
    fn handle(&mut self, input: Input) -> io::Result<()> {
        self.engine.handle(input, self.now);
        while let Some(output) = self.engine.poll() {
            if let Output::Flush(mark) = output {
                // There is no disk to wait for.
                self.engine.handle(Input::Flushed { mark, ok: true }, self.now);
            } else {
                self.carry(output)?;
            }
        }
        Ok(())
    }

    fn carry(&mut self, output: Output) -> io::Result<()> {
        let (printer, now, names) = (&mut self.printer, self.now.wall, self.router.names());
        match output {
            Output::State(subject) => printer.state(now, subject, |payload| self.engine.write_state(subject, payload)),
            Output::AlertRaised(kind, subject) => {
                let topic = topic::alert(names, kind, subject);
                printer.line(now, &topic, |payload| self.engine.write_alert(kind, subject, payload))
            }
            Output::AlertCleared(kind, subject) => printer.cleared(now, &topic::alert(names, kind, subject)),
            Output::ClearCommand(subject) => printer.cleared(now, &topic::command(names, subject)),
            Output::Event(ref event) => {
                let (topic, zone) = (topic::events(names), printer.zone);
                printer.line(now, &topic, |payload| write_event(event, names, zone, payload))?;
                self.engine.keep(output);
                Ok(())
            }
            Output::Valve(valve, order) => {
                let messages = self.router.valves().get(valve).map(|wiring| wiring.messages(order));
                let mut messages = messages.into_iter().flatten();
                messages.try_for_each(|OrderMessage { topic, payload }| {
                    printer.line(now, &topic, |into| write_payload(&payload, into))
                })
            }
            Output::ClearValve(valve) => match self.router.valves().get(valve) {
                Some(wiring) => printer.cleared(now, &wiring.topic),
                None => Ok(()),
            },
            Output::Answer(..) | Output::Tell(_) | Output::Shelved(..) | Output::Flush(_) => Ok(()),
            Output::Keep(_) | Output::KeepAlert(..) | Output::Weight(_) => {
                self.engine.keep(output);
                Ok(())
            }
        }
    }

    fn end(mut self) -> io::Result<E> {
        self.printer.out.flush()?;
        Ok(self.engine)
    }
}

/// A payload as JSON: as it is if it is JSON, else as a text.
fn write_payload(payload: &str, into: &mut Vec<u8>) {
    if serde_json::from_str::<serde::de::IgnoredAny>(payload).is_ok() {
        // Line ends lie between its parts, never in them, and would end ours.
        into.extend(payload.bytes().map(|byte| if matches!(byte, b'\n' | b'\r') { b' ' } else { byte }));
    } else {
        into.extend_from_slice(serde_json::Value::from(payload).to_string().as_bytes());
    }
}

/// Prints messages, a JSON line each.
struct Printer<W: Write> {
    zone: Zone,
    out: io::BufWriter<W>,
    payload: Vec<u8>,
    /// The second last printed, and how it is written.
    stamp: (i64, String),
    flats: Vec<String>,
    stands: Vec<String>,
    valves: Vec<String>,
}

impl<W: Write> Printer<W> {
    fn new(plan: &Plan, names: &Names, out: W) -> Self {
        let topics = |count: usize, subject: fn(usize) -> Subject| {
            (0..count).map(|place| topic::state(names, subject(place)).unwrap_or_default()).collect()
        };
        Self {
            zone: plan.zone,
            out: io::BufWriter::with_capacity(1 << 16, out),
            payload: Vec::new(),
            stamp: (i64::MIN, String::new()),
            flats: topics(plan.flats.len(), Subject::Flat),
            stands: topics(plan.stands.len(), Subject::Stand),
            valves: topics(plan.valves.len(), Subject::Valve),
        }
    }

    fn state(&mut self, at: Wall, subject: Subject, write: impl FnOnce(&mut Vec<u8>)) -> io::Result<()> {
        let topic = match subject {
            Subject::Flat(place) => self.flats.get(place),
            Subject::Stand(place) => self.stands.get(place),
            Subject::Valve(place) => self.valves.get(place),
            Subject::Supply(_) | Subject::Site => None,
        };
        let Some(topic) = topic.cloned() else { return Ok(()) };
        self.line(at, &topic, write)
    }

    fn cleared(&mut self, at: Wall, topic: &str) -> io::Result<()> {
        self.line(at, topic, |payload| payload.extend_from_slice(b"\"\""))
    }

    fn line(&mut self, at: Wall, topic: &str, write: impl FnOnce(&mut Vec<u8>)) -> io::Result<()> {
        let second = at.millis().div_euclid(1000);
        if self.stamp.0 != second {
            self.stamp = (second, self.zone.stamp(at));
        }
        self.payload.clear();
        write(&mut self.payload);
        write!(self.out, "{{\"time\":\"{}\",\"topic\":", self.stamp.1)?;
        serde_json::to_writer(&mut self.out, topic)?;
        self.out.write_all(b",\"payload\":")?;
        self.out.write_all(&self.payload)?;
        self.out.write_all(b"}\n")
    }
}
