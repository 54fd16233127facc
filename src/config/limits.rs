//! Limits: where each comes from, and that they are in order.

use super::section::Section;
use super::table;
use crate::flat::{Limits, SomeLimits};
use crate::moment::Span;
use crate::units::GramsPerHour;

/// What holds for every flat that does not say otherwise.
pub(super) struct Defaults {
    pub limits: Limits,
    /// Whether they are in order; if not, that is told already.
    pub good: bool,
    pub wet_for: Span,
    pub absent_for: Span,
    pub fastest_drying: GramsPerHour,
}

/// The four limits that a section gives.
pub(super) fn some(section: &Section<'_>) -> SomeLimits {
    let fraction = |name| section.value(name).and_then(|value| value.fraction());
    SomeLimits {
        low: fraction("low"),
        water_at: fraction("water_at"),
        target: fraction("target"),
        high: fraction("high"),
    }
}

/// `defaults:`
pub(super) fn defaults(file: &Section<'_>) -> Defaults {
    let usual = Defaults {
        limits: Limits::default(),
        good: true,
        wet_for: Span::hours(72),
        absent_for: Span::minutes(90),
        fastest_drying: GramsPerHour::new(180.0),
    };
    let Some(section) = file.section("defaults", &table::DEFAULTS) else { return usual };
    let own = some(&section);
    let limits = usual.limits.with(&own);
    let good = in_order(&section, &limits, &own, "the rest stand at 30, 40, 50 and 75 %");
    let (wet_for, absent_for) = spans(&section);
    Defaults {
        limits,
        good,
        wet_for: wet_for.unwrap_or(usual.wet_for),
        absent_for: absent_for.unwrap_or(usual.absent_for),
        fastest_drying: section
            .value("fastest_drying")
            .and_then(|value| value.drying())
            .unwrap_or(usual.fastest_drying),
    }
}

/// `wet_for` and `absent_for` of a section.
pub(super) fn spans(section: &Section<'_>) -> (Option<Span>, Option<Span>) {
    let span = |name| section.value(name).and_then(|value| value.span(Span::ZERO));
    (span("wet_for"), span("absent_for"))
}

/// Tells of a pair that is out of order where `section` has a key of it; true when all is well. `written` is what could be read of its keys:
/// what could not stands at a value that nobody wrote, and nothing is held against that.
pub(super) fn in_order(section: &Section<'_>, limits: &Limits, written: &SomeLimits, rest: &str) -> bool {
    let Some((below, above)) = limits.out_of_order() else { return true };
    let own = |name: &str| section.has(name);
    if [below, above].into_iter().any(|name| own(name) && is_unread(written, name)) {
        return false;
    }
    // One of the two is written here, and the other one comes from elsewhere: that is the key to add.
    let (written, missing) = match (own_name(below, own), own_name(above, own)) {
        (Some(written), None) => (written, Some(above)),
        (None, Some(written)) => (written, Some(below)),
        (Some(_), Some(written)) => (written, None),
        (None, None) => return false,
    };
    let percent = |name: &str| format!("{} %", rounded(value_of(limits, name)));
    let (low, high) = (percent(below), percent(above));
    let must = if above == "high" { "must not be above" } else { "must be below" };
    let wrong = format!("limits of {} are out of order: `{below}` ({low}) {must} `{above}` ({high})", section.what);
    let advised = missing.and_then(|name| Some((name, suggested(limits, below, above, name)?)));
    let hint = match advised {
        Some((name, value)) => format!("Add `{name}: {value} %` there: {rest}."),
        None => "In order: 0 ≤ low < water_at < target ≤ high.".to_owned(),
    };
    section.problem(written, wrong, "no watering could fit between them", hint);
    false
}

fn is_unread(written: &SomeLimits, name: &str) -> bool {
    let read = match name {
        "low" => written.low,
        "water_at" => written.water_at,
        "target" => written.target,
        "high" => written.high,
        _ => return false,
    };
    read.is_none()
}

fn own_name(name: &'static str, own: impl Fn(&str) -> bool) -> Option<&'static str> {
    own(name).then_some(name)
}

/// The value of a limit by its key; 0 for `0`.
pub(super) fn value_of(limits: &Limits, name: &str) -> f64 {
    match name {
        "low" => limits.low.percent(),
        "water_at" => limits.water_at.percent(),
        "target" => limits.target.percent(),
        "high" => limits.high.percent(),
        _ => 0.0,
    }
}

fn rounded(percent: f64) -> f64 {
    (percent * 10.0).round() / 10.0
}

/// A value for the missing key that would put the pair in order, if there is room for one.
fn suggested(limits: &Limits, below: &str, above: &str, missing: &str) -> Option<f64> {
    let moved = if missing == above { value_of(limits, below) + 10.0 } else { value_of(limits, above) - 10.0 };
    Some(rounded(moved)).filter(|moved| *moved > 0.0)
}
