//! `stages:` of a flat.

use super::limits;
use super::problem::{Place, nearest};
use super::section::{Section, Value};
use super::table;
use super::tree::{Content, Node};
use crate::flat::{Begins, Limits, SomeLimits, StageSettings};
use crate::units::Fraction;

/// The longest a crop stays a seedling, in days; more is a mistyped number.
const LAST_DAY: u32 = 1000;

fn some(low: f64, water_at: f64, target: f64, high: Option<f64>) -> SomeLimits {
    SomeLimits {
        low: Some(Fraction::new(low)),
        water_at: Some(Fraction::new(water_at)),
        target: Some(Fraction::new(target)),
        high: high.map(Fraction::new),
    }
}

/// The stages of `stages: standard`.
pub(super) fn standard() -> Vec<StageSettings> {
    let stage = |name: &str, begins, limits, wet_is_meant| StageSettings {
        name: name.to_owned(),
        begins,
        limits,
        wet_is_meant,
    };
    vec![
        stage("germinating", Begins::OnDay(0), some(0.65, 0.70, 0.85, Some(1.05)), true),
        stage("growing-on", Begins::OnDay(21), SomeLimits::default(), false),
        stage("hardening-off", Begins::Commanded, some(0.25, 0.35, 0.45, None), false),
    ]
}

/// `stages:` of a flat whose own limits are `flat`; empty without the key.
pub(super) fn read(section: &Section<'_>, flat: &Limits) -> Vec<StageSettings> {
    let Some(value) = section.value("stages") else { return Vec::new() };
    if let Content::Text(_) = &value.node.content {
        let stages = value.word(&[("standard", ())]).map(|()| standard()).unwrap_or_default();
        for stage in &stages {
            fits(section, &value, stage, flat);
        }
        return stages;
    }
    let mut stages: Vec<StageSettings> = Vec::new();
    for item in section.items("stages") {
        let Some((place, stage)) = one(section, item, stages.is_empty(), flat) else { continue };
        follows(section, &stages, &stage, place);
        stages.push(stage);
    }
    if stages.is_empty() && matches!(&value.node.content, Content::List(items) if items.is_empty()) {
        value.problem(format!("{} is an empty list", value.name), "Write `standard`, or remove the key.".to_owned());
    }
    let by_day = stages.iter().any(|stage| matches!(stage.begins, Begins::OnDay(day) if day > 0));
    if by_day && !section.has("sown") {
        section.reader.note(format!("{} has stages that begin by days after `sown`, and no `sown`", section.what));
    }
    stages
}

fn one(section: &Section<'_>, item: &Node, first: bool, flat: &Limits) -> Option<(Place, StageSettings)> {
    let begins = if first { Begins::OnDay(0) } else { Begins::Commanded };
    if let Content::Text(scalar) = &item.content {
        let (name, would) = (format!("a stage of {}", section.what), "the stage could not be known".to_owned());
        let value = Value { reader: section.reader, node: item, key_place: item.place, name, would };
        let known = standard();
        let Some(mut stage) = known.iter().find(|stage| stage.name == scalar.text).cloned() else {
            let near = nearest(&scalar.text, known.iter().map(|stage| stage.name.as_str()));
            let hint = near.map_or_else(
                || format!("Write `{{name: {}, low: …}}` for a stage of your own.", scalar.raw),
                |near| format!("Did you mean `{near}`?"),
            );
            value.problem(format!("there is no standard stage {}", Value::printed(scalar)), hint);
            return None;
        };
        stage.begins = begins;
        fits(section, &value, &stage, flat);
        return Some((item.place, stage));
    }
    let part = Section::open(section.reader, item, &table::STAGE, &format!("a stage of {}", section.what), item.place)?;
    let name = part.value("name").and_then(|value| value.id());
    let day = part.value("from_day").and_then(|value| value.whole(0, LAST_DAY));
    let limits = limits::some(&part);
    let good = limits::in_order(&part, &flat.with(&limits), &limits, "what a stage does not give comes from its flat");
    let name = name?;
    if !good && part_is_silent(&part) && flat.out_of_order().is_none() {
        part.reader.tell(
            item.place,
            "",
            format!("limits of stage `{name}` are out of order"),
            "no watering could fit".to_owned(),
            None,
        );
    }
    let wet_is_meant = name == "germinating";
    Some((item.place, StageSettings { name, begins: day.map_or(begins, Begins::OnDay), limits, wet_is_meant }))
}

fn part_is_silent(part: &Section<'_>) -> bool {
    !["low", "water_at", "target", "high"].iter().any(|name| part.has(name))
}

fn follows(section: &Section<'_>, before: &[StageSettings], stage: &StageSettings, place: Place) {
    let tell = |wrong: String, would: &str| {
        section.reader.tell(place, &stage.name, wrong, would.to_owned(), None);
    };
    if before.iter().any(|other| other.name == stage.name) {
        tell(format!("stage `{}` of {} comes twice", stage.name, section.what), "a command could mean either");
    }
    let day = |stage: &StageSettings| match stage.begins {
        Begins::OnDay(day) => Some(day),
        Begins::Commanded => None,
    };
    let last = before.iter().rev().find_map(day);
    if let (Some(last), Some(now)) = (last, day(stage))
        && now <= last
    {
        let wrong = format!("stage `{}` begins on day {now}, not after the one before it (day {last})", stage.name);
        tell(wrong, "the one before would never hold");
    }
}

/// A stage that gives no keys of its own to point at must still fit the flat's limits.
fn fits(section: &Section<'_>, value: &Value<'_>, stage: &StageSettings, flat: &Limits) {
    let limits = flat.with(&stage.limits);
    // A flat whose own limits are out of order is told of there.
    let Some((below, above)) = limits.out_of_order().filter(|_| flat.out_of_order().is_none()) else { return };
    let percent = |name| limits::value_of(&limits, name).round();
    let wrong = format!(
        "in stage `{}` limits of {} are out of order: `{below}` ({} %) and `{above}` ({} %)",
        stage.name,
        section.what,
        percent(below),
        percent(above)
    );
    let hint = format!("Give the stages as a list with limits of your own, or change `{above}` of the flat.");
    section.reader.tell(
        value.node.place,
        super::section::shown(value.node),
        wrong,
        "no watering could fit between them".to_owned(),
        Some(hint),
    );
}
