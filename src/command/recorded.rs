//! `tarewell replay`, joined to the engine and, where one is named, to a store.

use super::replay::{Engine, ReplayArgs, replay_file};
use crate::alert::Kind;
use crate::moment::{Moment, Mono};
use crate::service::keeping;
use crate::site::{Input, Output, Plan, Saved, Site, Subject};
use crate::store::{Store, StoreError, Write};
use crate::wire::Router;
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

fn open(path: &Path, plan: &Plan) -> Result<(Store, Saved), StoreError> {
    let mut store = Store::open(path)?;
    keeping::carry_over(&mut store, plan)?;
    let saved = keeping::saved(store.load()?);
    Ok((store, saved))
}

fn play(
    args: &ReplayArgs,
    plan: &Arc<Plan>,
    router: &Router,
    saved: &Saved,
    keeper: Option<Keeper>,
) -> std::io::Result<i32> {
    let start = |at: Moment| Recorded { site: Site::new(plan.clone(), saved, at), router, keeper, now: at };
    let (summary, engine) = replay_file(args, plan, router, start)?;
    if let Some(mut keeper) = engine.and_then(|engine| engine.keeper) {
        keeper.flush();
        if let Some(error) = keeper.failed {
            eprintln!("{error}");
            return Ok(1);
        }
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
