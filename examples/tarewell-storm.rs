//! Plays storms: the engine in front of simulated houses in which everything goes wrong, with every invariant checked after every
//! step. Prints what was done, what was checked, what broke, and how the crop fared; exits with 1 on a violation.
//!
//! ```text
//! cargo run --release --example tarewell-storm -- --flat-days 100000 --threads 2
//! cargo run --release --example tarewell-storm -- --flat-days 20000 --nominal
//! cargo run --release --example tarewell-storm -- --seed 4711 --flat-days 1      that seed alone
//! cargo run --release --example tarewell-storm -- --advise                      valves that only advise
//! cargo run --release --example tarewell-storm -- --day                         what a day costs
//! ```

#[path = "../tests/support/storm/mod.rs"]
mod storm;

use clap::Parser;
use std::process::ExitCode;
use std::sync::Mutex;
use std::time::{Instant, SystemTime, UNIX_EPOCH};
use storm::{Scenario, Tally, Waters, Weather};

#[derive(Parser)]
struct Wanted {
    /// How many days, counted for each flat; whole runs are played until there are as many
    #[arg(long, default_value_t = 2000)]
    flat_days: u64,
    /// The first seed; without it a fresh one. A seed is one house, and the same every time
    #[arg(long)]
    seed: Option<u64>,
    #[arg(long, default_value_t = 2, value_parser = clap::value_parser!(u64).range(1..=256))]
    threads: u64,
    /// An ordinary month: dropouts, glitches, drift, and somebody who waters twice a week
    #[arg(long)]
    nominal: bool,
    /// Valves only say what they would pour; else every flat has one, most of them in auto
    #[arg(long)]
    advise: bool,
    /// How many days each house is lived in; a violation comes again only with the same number
    #[arg(long, value_parser = clap::value_parser!(i64).range(1..=400))]
    days: Option<i64>,
    /// Tell of each false and each missed alert
    #[arg(long)]
    notes: bool,
    /// Tell all that happens to this flat and its stand; best with one seed
    #[arg(long, value_name = "NUMBER")]
    watch: Option<usize>,
    /// Only measure what a day of 50 flats at a reading in 10 s costs, engine and house, without checks
    #[arg(long)]
    day: bool,
}

fn main() -> ExitCode {
    let wanted = Wanted::parse();
    if wanted.day {
        storm::day::print();
        return ExitCode::SUCCESS;
    }
    let weather = if wanted.nominal { Weather::Nominal } else { Weather::Storm };
    let waters = if wanted.advise { Waters::Advise } else { Waters::Auto };
    let days = wanted.days.unwrap_or(if wanted.nominal { 30 } else { 14 });
    let seed = wanted.seed.unwrap_or_else(fresh);
    let seeds = seeds(seed, weather, waters, days, wanted.flat_days);
    println!("{} houses from seed {seed}, {days} days each", seeds.len());
    let begun = Instant::now();
    let tally = play(seeds, weather, waters, days, &wanted);
    println!("{tally}");
    let took = begun.elapsed().as_secs_f64();
    println!("took {took:.1} s on {} threads", wanted.threads);
    if wanted.notes {
        tally.notes.iter().for_each(|note| println!("{note}"));
    }
    println!("violations: {}", tally.violations.len());
    for violation in tally.violations.iter().take(50) {
        println!("VIOLATION {violation}");
        let nominal = if wanted.nominal { " --nominal" } else { "" };
        let advise = if wanted.advise { " --advise" } else { "" };
        println!("  again: --seed {} --flat-days 1 --days {days}{nominal}{advise}", violation.seed);
    }
    if tally.violations.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn fresh() -> u64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    since.as_secs() % 1_000_000 * 10_000
}

/// As many seeds as make that many flat-days, at least one.
fn seeds(first: u64, weather: Weather, waters: Waters, days: i64, flat_days: u64) -> Vec<u64> {
    let mut made = 0;
    let each = |seed| Scenario::new(seed, weather, waters, days).plan.flats.len() as u64 * days.unsigned_abs();
    let enough = |seed: &u64| {
        let is_short = made < flat_days;
        made += if is_short { each(*seed) } else { 0 };
        is_short
    };
    (first..).take_while(enough).collect()
}

fn play(seeds: Vec<u64>, weather: Weather, waters: Waters, days: i64, wanted: &Wanted) -> Tally {
    let (left, tally) = (Mutex::new(seeds.into_iter()), Mutex::new(Tally::default()));
    let next = || left.lock().ok().and_then(|mut left| left.next());
    std::thread::scope(|scope| {
        for _ in 0..wanted.threads {
            scope.spawn(|| {
                while let Some(seed) = next() {
                    let one = storm::play(seed, weather, waters, days, wanted.watch);
                    if let Ok(mut tally) = tally.lock() {
                        tally.merge(one);
                    }
                }
            });
        }
    });
    tally.into_inner().unwrap_or_default()
}
