//! Measures the forecast of drying on a recording of weighed pots: `cargo run --release --example forecast_skill -- pots.csv`;
//! or, with `--house`, on pots of the simulated house under lamps that change, heat, clouds and growth.
//!
//! What was fitted was fitted on the 2nd, 4th … pot of the recording in name order; the others are the report. It prints only.

#[path = "../tests/engine/pots/mod.rs"]
mod pots;

use pots::house::{Weather, pots as pots_of};
use pots::{Case, Fed, Skill, coverage, measure, read, skill};

const HORIZONS: [f64; 4] = [6.0, 12.0, 24.0, 48.0];

fn main() -> Result<(), String> {
    let path = std::env::args().nth(1).ok_or("which recording? Give the path of a CSV file, or --house")?;
    if path == "--house" {
        house();
        return Ok(());
    }
    let text = std::fs::read_to_string(&path).map_err(|error| format!("{path}: {error}"))?;
    let pots = read(&text).map_err(|why| format!("{path}: {why}"))?;
    let (reported, fitted): (Vec<_>, Vec<_>) = pots.values().enumerate().partition(|(place, _)| place % 2 == 0);
    println!("errors as a share of what was used; bias above 0: more use promised than came");
    for (fed, words) in [(Fed::Believed, "believed weights"), (Fed::RawFiltered, "raw weights, filtered")] {
        for (group, name) in [(&reported, "reported"), (&fitted, "fitted")] {
            println!("\n{name}: {} pots, {words}", group.len());
            header();
            for hours in HORIZONS {
                let cases: Vec<Case> = group.iter().flat_map(|(_, pot)| measure(pot, hours, fed)).collect();
                rows(&cases, &format!("{hours:.0} h"));
                let well: Vec<Case> = cases.iter().filter(|case| case.well_weighed).copied().collect();
                ours(&well, &format!("{hours:.0} h, ends weighed"));
            }
        }
    }
    Ok(())
}

/// Three houses for each weather.
fn house() {
    let mut all: Vec<(f64, Vec<Case>)> = HORIZONS.iter().map(|&hours| (hours, Vec::new())).collect();
    for weather in Weather::ALL {
        println!("\n{}", weather.words());
        header();
        let pots: Vec<_> = (1..=3).flat_map(|seed| pots_of(weather, seed)).collect();
        for (hours, all) in &mut all {
            let cases: Vec<Case> = pots.iter().flat_map(|pot| measure(pot, *hours, Fed::Believed)).collect();
            rows(&cases, &format!("{hours:.0} h"));
            all.extend(cases);
        }
    }
    println!("\nall of them");
    header();
    for (hours, cases) in &all {
        rows(cases, &format!("{hours:.0} h"));
    }
}

fn header() {
    println!(
        "{:<20} {:<18} {:>7} {:>7} {:>7} {:>10} {:>12} {:>8}",
        "horizon", "rule", "origins", "median", "p90", "bias mean", "bias median", "in 80 %"
    );
}

fn rows(cases: &[Case], horizon: &str) {
    ours(cases, horizon);
    row(cases, horizon, "yesterday's hours", skill(cases, |case| case.yesterday), String::new());
    row(cases, horizon, "mean of last 24 h", skill(cases, |case| case.mean), String::new());
}

fn ours(cases: &[Case], horizon: &str) {
    row(cases, horizon, "ours", skill(cases, |case| case.ours), percent(coverage(cases)));
}

fn row(cases: &[Case], horizon: &str, rule: &str, skill: Skill, inside: String) {
    let [median, p90, mean, middle] =
        [skill.median, skill.ninth_tenth, skill.bias_mean, skill.bias_median].map(percent);
    let origins = cases.len();
    println!("{horizon:<20} {rule:<18} {origins:>7} {median:>7} {p90:>7} {mean:>10} {middle:>12} {inside:>8}");
}

fn percent(share: f64) -> String {
    format!("{:.1} %", 100.0 * share)
}
