//! Plays storms: see `tests/support/storm`.

#[path = "../tests/support/storm/mod.rs"]
mod storm;

fn main() {
    let seed: u64 = std::env::args().nth(1).and_then(|a| a.parse().ok()).unwrap_or(1);
    let n: u64 = std::env::args().nth(2).and_then(|a| a.parse().ok()).unwrap_or(1);
    let w = if std::env::args().nth(3).is_some() { storm::Weather::Nominal } else { storm::Weather::Storm };
    let begun = std::time::Instant::now();
    let mut t = storm::Tally::default();
    for s in seed..seed + n {
        t.merge(storm::play(s, w, 14));
    }
    println!("{t}");
    for v in t.violations.iter().take(40) {
        println!("VIOLATION {v}");
    }
    for v in t.notes.iter().take(60) {
        println!("{v}");
    }
    println!("{:.1} ms per flat-day", begun.elapsed().as_secs_f64() * 1000.0 / t.flat_days);
}
