//! Reads a recording of weighed pots and measures the forecast on it, against two simple rules.
//!
//! Columns needed, by name: `pot`, `time` (local, `2018-04-12 09:09:56`), `weight_corr_g` (waterings taken out),
//! `weight_raw_g`, `outlier` (True: its authors do not believe it). The sources stand in `tests/data/README.md`.

pub mod house;

use chrono::{NaiveDateTime, Timelike};
use std::collections::BTreeMap;
use tarewell::flat::Drying;
use tarewell::moment::{Moment, Span, Wall};
use tarewell::units::Grams;

/// One weighing.
#[derive(Debug, Clone, Copy)]
pub struct Weighing {
    /// Hours since midnight before the first weighing of the recording.
    pub hour: f64,
    pub raw: f64,
    pub corrected: f64,
    pub doubted: bool,
}

/// Pots by name, in order of the name as text.
pub type Pots = BTreeMap<String, Vec<Weighing>>;

/// Reads a recording; says which line cannot be read.
pub fn read(text: &str) -> Result<Pots, String> {
    let mut lines = text.lines();
    let header: Vec<&str> = lines.next().ok_or("the file is empty")?.split(',').collect();
    let column = |name: &str| {
        let found = header.iter().position(|&title| title == name);
        found.ok_or_else(|| format!("there is no column '{name}' in the first line"))
    };
    let (pot, time, corrected) = (column("pot")?, column("time")?, column("weight_corr_g")?);
    let (raw, doubted) = (column("weight_raw_g")?, column("outlier")?);
    let mut first = None;
    let mut pots = Pots::new();
    for (number, line) in lines.enumerate().filter(|(_, line)| !line.is_empty()) {
        let fields: Vec<&str> = line.split(',').collect();
        let unreadable = |what: &str| format!("line {}: cannot read its {what}", number + 2);
        let field = |at: usize, what: &str| fields.get(at).copied().ok_or_else(|| unreadable(what));
        let number_at = |at: usize, what: &str| field(at, what)?.parse::<f64>().map_err(|_| unreadable(what));
        let at =
            NaiveDateTime::parse_from_str(field(time, "time")?, "%Y-%m-%d %H:%M:%S").map_err(|_| unreadable("time"))?;
        let midnight = *first.get_or_insert(at.date());
        let days = (at.date() - midnight).num_days() as f64;
        let weighing = Weighing {
            hour: days * 24.0 + f64::from(at.num_seconds_from_midnight()) / 3600.0,
            raw: number_at(raw, "weight")?,
            corrected: number_at(corrected, "weight")?,
            doubted: field(doubted, "outlier mark")? == "True",
        };
        pots.entry(field(pot, "pot")?.to_owned()).or_default().push(weighing);
    }
    Ok(pots)
}

/// What is fed to the flat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fed {
    /// Corrected weights that the authors believe.
    Believed,
    /// Raw weights with all outliers, through a causal Hampel filter (seven weights, three deviations).
    RawFiltered,
}

/// One forecast and what came.
#[derive(Debug, Clone, Copy)]
pub struct Case {
    pub actual: f64,
    pub ours: f64,
    /// Half of our 80 % range.
    pub error: f64,
    pub yesterday: f64,
    pub mean: f64,
    /// Whether origin, its yesterday and the end were all weighed within an hour.
    pub well_weighed: bool,
}

/// Least use in the day after the origin, g, for it to count.
const LEAST_USE: f64 = 0.5;
/// Origins lie so many hours apart.
const EVERY: f64 = 3.0;

fn moment(hour: f64) -> Moment {
    Moment::recorded(Wall::from_millis((hour * 3_600_000.0).round() as i64))
}

/// Measures one pot: `hours` ahead from each origin in its dry-downs.
pub fn measure(pot: &[Weighing], hours: f64, fed: Fed) -> Vec<Case> {
    let believed: Vec<Weighing> = pot.iter().filter(|weighing| !weighing.doubted).copied().collect();
    let Some(first) = believed.first() else { return Vec::new() };
    let waterings = waterings(pot);
    let mut cases = Vec::new();
    let mut start = first.hour;
    for end in waterings.iter().copied().chain(pot.last().map(|last| last.hour)) {
        let mut origin = ((start + 24.0) / EVERY - 1e-9).ceil() * EVERY;
        while origin + hours.max(24.0) <= end {
            cases.extend(case(pot, &believed, origin, hours, fed));
            origin += EVERY;
        }
        start = end;
    }
    cases
}

/// When the pot was watered: where the raw weight jumps against the corrected one; the last weighing before that.
fn waterings(pot: &[Weighing]) -> Vec<f64> {
    let added = |weighing: &Weighing| weighing.raw - weighing.corrected;
    pot.windows(2).filter(|two| added(&two[1]) - added(&two[0]) > 1.0).map(|two| two[0].hour).collect()
}

fn case(pot: &[Weighing], believed: &[Weighing], origin: f64, hours: f64, fed: Fed) -> Option<Case> {
    let weight = |hour: f64| interpolated(believed, hour);
    let used = |from: f64, to: f64| weight(from) - weight(to);
    let actual = used(origin, origin + hours);
    if used(origin, origin + 24.0) < LEAST_USE || actual <= 0.0 {
        return None;
    }
    let drying = fed_until(pot, origin, fed);
    let loss = drying.loss(moment(origin), origin.rem_euclid(24.0), Span::from_seconds(hours * 3600.0), None)?;
    let nearest = |hour: f64| believed.iter().map(|seen| (seen.hour - hour).abs()).fold(f64::MAX, f64::min);
    let ends = [origin - 24.0, origin, origin + hours];
    let days = (hours / 24.0).floor();
    let yesterday = used(origin - 24.0, origin) * days + used(origin - 24.0, origin - 24.0 + hours - days * 24.0);
    Some(Case {
        actual,
        ours: loss.expected.get(),
        error: loss.error.get(),
        yesterday,
        mean: used(origin - 24.0, origin) * hours / 24.0,
        well_weighed: ends.iter().all(|&end| nearest(end) <= 1.0),
    })
}

/// A flat that has seen everything up to the origin and nothing after it.
fn fed_until(pot: &[Weighing], origin: f64, fed: Fed) -> Drying {
    let mut drying = Drying::new();
    let mut window: Vec<f64> = Vec::new();
    let mut added = 0.0;
    for weighing in pot.iter().take_while(|weighing| weighing.hour <= origin) {
        let now = moment(weighing.hour);
        if weighing.raw - weighing.corrected - added > 1.0 {
            drying.interrupted(now, Span::hours(1));
            window.clear();
        }
        added = weighing.raw - weighing.corrected;
        let weight = match fed {
            Fed::Believed if weighing.doubted => continue,
            Fed::Believed => weighing.corrected,
            Fed::RawFiltered => match hampel(&mut window, weighing.raw) {
                Some(weight) => weight,
                None => continue,
            },
        };
        drying.weighed(Grams::new(weight), now, weighing.hour.rem_euclid(24.0));
    }
    drying
}

/// The weight if it lies within three robust deviations of the median of the last seven.
fn hampel(window: &mut Vec<f64>, weight: f64) -> Option<f64> {
    window.push(weight);
    if window.len() > 7 {
        window.remove(0);
    }
    let middle = median(window);
    let deviations: Vec<f64> = window.iter().map(|seen| (seen - middle).abs()).collect();
    let limit = 3.0 * (1.4826 * median(&deviations)).max(0.1);
    (window.len() < 3 || (weight - middle).abs() <= limit).then_some(weight)
}

fn interpolated(weighings: &[Weighing], hour: f64) -> f64 {
    let after = weighings.partition_point(|weighing| weighing.hour <= hour);
    match (after.checked_sub(1).map(|before| weighings[before]), weighings.get(after)) {
        (Some(one), Some(two)) => {
            one.corrected + (two.corrected - one.corrected) * (hour - one.hour) / (two.hour - one.hour)
        }
        (Some(one), None) => one.corrected,
        (None, Some(two)) => two.corrected,
        (None, None) => 0.0,
    }
}

/// The median; 0 of nothing.
pub fn median(values: &[f64]) -> f64 {
    quantile(values, 0.5)
}

/// A quantile, interpolated linearly between order statistics; 0 of nothing.
pub fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let Some(last) = sorted.len().checked_sub(1) else { return 0.0 };
    let at = share * last as f64;
    let below = at.floor() as usize;
    let above = (below + 1).min(last);
    sorted[below] + (sorted[above] - sorted[below]) * (at - below as f64)
}

/// How a rule did: errors as a share of what was used.
#[derive(Debug, Clone, Copy)]
pub struct Skill {
    pub median: f64,
    pub ninth_tenth: f64,
    /// Predicted less actual, as a share: above 0, it promises more use than came.
    pub bias_mean: f64,
    pub bias_median: f64,
}

pub fn skill(cases: &[Case], predicted: impl Fn(&Case) -> f64) -> Skill {
    let errors: Vec<f64> = cases.iter().map(|case| predicted(case) / case.actual - 1.0).collect();
    let sizes: Vec<f64> = errors.iter().map(|error| error.abs()).collect();
    Skill {
        median: median(&sizes),
        ninth_tenth: quantile(&sizes, 0.9),
        bias_mean: errors.iter().sum::<f64>() / errors.len().max(1) as f64,
        bias_median: median(&errors),
    }
}

/// The share of cases within our 80 % range.
pub fn coverage(cases: &[Case]) -> f64 {
    let inside = cases.iter().filter(|case| (case.actual - case.ours).abs() <= case.error).count();
    inside as f64 / cases.len().max(1) as f64
}
