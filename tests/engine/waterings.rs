//! Waterings on recordings made up from a seed: found with their volumes, none invented, and nothing else told.

use crate::bench::Bench;
use crate::recording::{Recipe, Recording, Way, record};
use tarewell::stand::{FlatScene, Handling, Said, StandSettings};
use tarewell::units::Grams;

fn played(recording: &Recording) -> Bench {
    let flat = FlatScene {
        dry: Some(Grams::new(recording.dry)),
        capacity: Some(Grams::new(recording.capacity)),
        ..FlatScene::default()
    };
    let mut bench = Bench::new(StandSettings::default(), Some(flat));
    for row in &recording.rows {
        bench.read(row.seconds, row.value);
    }
    bench
}

#[derive(Default)]
struct Score {
    waterings: usize,
    missed: usize,
    invented: usize,
    alerts: usize,
    removed: usize,
    bumps: usize,
    errors: Vec<(Way, f64)>,
    lifts: usize,
    lifts_seen: usize,
    away: usize,
    away_seen: usize,
}

fn score(recipe: &Recipe, into: &mut Score) {
    let recording = record(recipe);
    let bench = played(&recording);
    let show = std::env::var("SHOW").is_ok();
    let handled = bench.handled();
    let mut waterings: Vec<(f64, Grams)> = Vec::new();
    for (seconds, handling) in &handled {
        match handling {
            Handling::Watered { gross, .. } => waterings.push((*seconds, *gross)),
            Handling::Misfit { .. } => into.alerts += 1,
            Handling::Removed { .. } | Handling::Dome { .. } => into.removed += 1,
            Handling::Bumped { .. } | Handling::Visited { .. } => into.bumps += 1,
            _ => {}
        }
    }
    into.alerts += bench.said.iter().filter(|(_, said)| !matches!(said, Said::Handled(_) | Said::SeenEmpty)).count();
    into.alerts += usize::from(bench.stand.moved_zero().is_some());
    for watering in &recording.waterings {
        if watering.to + 3600.0 > recipe.days * 86_400.0 {
            waterings.retain(|(seconds, _)| *seconds < watering.from);
            continue;
        }
        let within = |seconds: f64| seconds > watering.from && seconds < watering.to + 3000.0;
        if watering.way == Way::Away {
            into.away += 1;
            let seen = handled.iter().find_map(|(seconds, handling)| match handling {
                Handling::Returned { watered_away: Some(added), .. } if within(*seconds) => Some(*added),
                _ => None,
            });
            into.away_seen += usize::from(seen.is_some());
            if seen.is_none() && show {
                println!("  {:?} not seen: {watering:?}", recipe.seed);
            }
            continue;
        }
        into.waterings += 1;
        let found: Vec<f64> =
            waterings.iter().filter(|(seconds, _)| within(*seconds)).map(|(_, gross)| gross.get()).collect();
        waterings.retain(|(seconds, _)| !within(*seconds));
        let [gross] = found[..] else {
            into.missed += 1;
            if show {
                println!("  {:?} found {found:?}: {watering:?}", recipe.seed);
            }
            continue;
        };
        let error = gross / watering.gross - 1.0;
        if error.abs() > 0.12 && show {
            println!("  seed {} off {error:.2}: {gross:.0} {watering:?}", recipe.seed);
        }
        into.errors.push((watering.way, error));
    }
    into.invented += waterings.len();
    if show && !waterings.is_empty() {
        println!("  seed {} invented {waterings:?} lifts {:?}", recipe.seed, recording.lifts);
    }
    for (off, back) in &recording.lifts {
        into.lifts += 1;
        let seen = handled.iter().any(|(seconds, handling)| {
            matches!(handling, Handling::Lifted { .. }) && (*off..back + 10.0).contains(seconds)
        });
        into.lifts_seen += usize::from(seen);
    }
}

fn report(period: f64, score: &Score) -> f64 {
    let mut worst: f64 = 0.0;
    print!(
        "every {period:>3} s: {} waterings, {} missed, {} invented, {} alerts, {} removed, {} bumps, lifts {}/{}, away {}/{}; error",
        score.waterings,
        score.missed,
        score.invented,
        score.alerts,
        score.removed,
        score.bumps,
        score.lifts_seen,
        score.lifts,
        score.away_seen,
        score.away
    );
    for way in [Way::Jug, Way::RunsThrough, Way::Several, Way::Drip] {
        let mut errors: Vec<f64> = score.errors.iter().filter(|(own, _)| *own == way).map(|(_, e)| e.abs()).collect();
        errors.sort_unstable_by(f64::total_cmp);
        let at = |share: f64| errors.get(((errors.len() as f64 - 1.0) * share) as usize).copied().unwrap_or(0.0);
        print!(" {way:?} n {} median {:.3} p90 {:.3} worst {:.3};", errors.len(), at(0.5), at(0.9), at(1.0));
        worst = worst.max(at(1.0));
    }
    println!();
    worst
}

fn worst(score: &Score, ways: &[Way]) -> f64 {
    score.errors.iter().filter(|(way, _)| ways.contains(way)).map(|(_, error)| error.abs()).fold(0.0, f64::max)
}

fn within(score: &Score, ways: &[Way], limit: f64) -> f64 {
    let own: Vec<f64> = score.errors.iter().filter(|(way, _)| ways.contains(way)).map(|(_, e)| e.abs()).collect();
    own.iter().filter(|error| **error <= limit).count() as f64 / own.len() as f64
}

#[test]
fn waterings_are_found_with_their_volume_and_none_is_invented() {
    for period in [10.0, 20.0, 300.0] {
        let mut total = Score::default();
        for seed in 0..30 {
            score(&Recipe::new(seed, period), &mut total);
        }
        report(period, &total);
        assert_eq!((total.missed, total.invented, total.alerts, total.removed), (0, 0, 0, 0), "every {period} s");
        assert_eq!(total.away_seen, total.away);
        if period < 60.0 {
            assert_eq!(total.lifts_seen, total.lifts);
            assert!(worst(&total, &[Way::Jug, Way::RunsThrough, Way::Several]) <= 0.12);
            // What runs off while it drips is small at any moment, and seen only in part.
            assert!(within(&total, &[Way::Drip], 0.12) >= 0.9);
        } else {
            // Between two readings 5 min apart most of a fast drainage has come and gone; what little drains is found.
            assert!(within(&total, &[Way::Jug, Way::Several], 0.12) >= 0.9);
            assert!(within(&total, &[Way::Drip], 0.12) >= 0.8);
        }
    }
}

/// Found by the storm (seeds 30089, 201022): after many openings of one length the tank ran low, and the next of nearly that length put what was
/// missing into the offset (0.16 mL/s and 137 mL); a longer one then gave three times what it should have.
#[test]
fn openings_that_are_nearly_alike_leave_the_offset_small() {
    use tarewell::units::{Flow, Millilitres};
    let mut state = 7_u64;
    // Evenly from −1 to 1 (constants of MMIX, Knuth 1997, from memory).
    let mut chance = move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as f64 / f64::from(1_u32 << 30) - 1.0
    };
    for (before, then, lower) in [(32.0, 37.06, 0.85), (30.0, 33.0, 0.8), (20.0, 31.0, 0.7)] {
        let mut fit = tarewell::watering::FlowFit::begin(Flow::new(5.15));
        let mut learn = |fit: &mut tarewell::watering::FlowFit, seconds: f64, flow: f64| {
            let lasts = seconds + 0.04 * chance();
            // 3 % more or less from opening to opening.
            fit.learn(lasts, Millilitres::new(flow * lasts * (1.0 + 0.05 * chance())));
        };
        (0..60).for_each(|_| learn(&mut fit, before, 4.5));
        for turn in 0..10 {
            learn(&mut fit, then, 4.5 * lower);
            let three_times = fit.gives(3.0 * then).get() / (3.0 * then * 4.5 * lower);
            assert!((0.75..1.0 / lower + 0.1).contains(&three_times), "{before} {then} {turn}: {three_times} {fit:?}");
        }
    }
}
