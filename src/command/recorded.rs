//! `tarewell replay`, joined to the engine and, where one is named, to a store.

use super::replay::{Engine, ReplayArgs, replay, replay_file};
use crate::alert::Kind;
use crate::moment::{Moment, Mono};
use crate::service::keeping;
use crate::site::{Input, Output, Plan, Saved, Site, Subject};
use crate::store::{Store, StoreError, Write};
use crate::wire::{Router, Wiring};
use std::io::{self, Read};
use std::path::Path;
use std::sync::Arc;

/// So many changes are written to the store in one go.
const BATCH: usize = 4096;

/// Plays the recording; the exit code.
#[must_use]
pub fn run(args: &ReplayArgs) -> i32 {
    let (path, checked) = match super::file::load(args.config.as_deref()) {
        Ok(loaded) => loaded,
        Err(problems) => {
            eprintln!("{problems}");
            return 2;
        }
    };
    if !checked.zone_given {
        eprintln!(
            "{}: site.time_zone is missing. The machine's zone would make the same recording give other hours elsewhere; \
             write for instance `time_zone: Europe/London` under `site`",
            path.display()
        );
        return 2;
    }
    let mut store = match args.store.as_deref().map(|path| open(path, &checked.plan)).transpose() {
        Ok(store) => store,
        Err(error) => {
            eprintln!("{error}");
            return 1;
        }
    };
    let saved = store.as_mut().map(|(_, saved)| std::mem::take(saved)).unwrap_or_default();
    let plan = Arc::new(checked.plan);
    let router = Router::new(&plan, &checked.wiring);
    let store = store.map(|(store, _)| Keeper { store, batch: Vec::new(), failed: None });
    let played = play(args, &plan, &router, &saved, store);
    match played {
        Ok(code) => code,
        Err(error) => {
            eprintln!("{}: {error}", args.recording.display());
            1
        }
    }
}

/// Plays a recording into a store and throws away what would be published; for a run that takes over from there.
///
/// # Errors
/// In words: the store cannot be written, or a line cannot be read.
pub fn into_store(plan: &Arc<Plan>, wiring: &Wiring, recording: impl Read, path: &Path) -> Result<(), String> {
    let (store, saved) = open(path, plan).map_err(|error| error.to_string())?;
    let keeper = Some(Keeper { store, batch: Vec::new(), failed: None });
    let router = Router::new(plan, wiring);
    let start = |at: Moment| Recorded { site: Site::new(plan.clone(), &saved, at), router: &router, keeper, now: at };
    let mut told = Vec::new();
    let tell = |text: &str| told.push(text.to_owned());
    let (_, engine) =
        replay(plan, &router, recording, io::sink(), start, tell, |_| ()).map_err(|error| error.to_string())?;
    let failed = engine.and_then(|engine| engine.keeper).and_then(Keeper::close);
    told.extend(failed.map(|error| error.to_string()));
    if told.is_empty() { Ok(()) } else { Err(told.join("\n")) }
}

fn open(path: &Path, plan: &Plan) -> Result<(Store, Saved), StoreError> {
    let mut store = Store::open(path)?;
    for note in keeping::carry_over(&mut store, plan)?.notes {
        eprintln!("note: {note}");
    }
    let saved = keeping::saved(store.load()?);
    Ok((store, saved))
}

fn play(
    args: &ReplayArgs,
    plan: &Arc<Plan>,
    router: &Router,
    saved: &Saved,
    keeper: Option<Keeper>,
) -> io::Result<i32> {
    let start = |at: Moment| Recorded { site: Site::new(plan.clone(), saved, at), router, keeper, now: at };
    let (summary, engine) = replay_file(args, plan, router, start)?;
    if let Some(error) = engine.and_then(|engine| engine.keeper).and_then(Keeper::close) {
        eprintln!("{error}");
        return Ok(1);
    }
    Ok(summary.exit_code())
}

/// A site at the time of a recording.
struct Recorded<'r> {
    site: Site,
    router: &'r Router,
    keeper: Option<Keeper>,
    now: Moment,
}

struct Keeper {
    store: Store,
    batch: Vec<Write>,
    failed: Option<StoreError>,
}

impl Keeper {
    fn flush(&mut self) {
        if self.failed.is_none()
            && let Err(error) = self.store.write(&self.batch)
        {
            self.failed = Some(error);
        }
        self.batch.clear();
    }

    /// Writes what is left; what went wrong.
    fn close(mut self) -> Option<StoreError> {
        self.flush();
        self.failed
    }
}

impl Engine for Recorded<'_> {
    fn handle(&mut self, input: Input, now: Moment) {
        self.now = now;
        self.site.handle(input, now);
    }

    fn poll(&mut self) -> Option<Output> {
        self.site.poll()
    }

    fn next_wake(&self) -> Option<Mono> {
        self.site.next_wake().map(|wake| wake.at)
    }

    fn write_state(&self, subject: Subject, into: &mut Vec<u8>) {
        self.site.write_state(subject, into);
    }

    fn write_alert(&self, kind: Kind, subject: Subject, into: &mut Vec<u8>) {
        self.site.write_alert(kind, subject, into);
    }

    fn keep(&mut self, output: Output) {
        let Some(keeper) = &mut self.keeper else { return };
        keeper.batch.extend(keeping::write(&self.site, self.router.names(), &output, self.now.wall));
        if keeper.batch.len() >= BATCH {
            keeper.flush();
        }
    }
}
