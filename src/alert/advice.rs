//! One sentence or two for the state of a flat: how it is, and what to do.

use super::signs::{FlatSigns, Wetness};
use super::words::{error_percent, left_of, percent, pour, spell, tray, when};
use crate::moment::Span;

/// What to do with a flat now: `Dry: a quarter of its water is left. Pour 400 mL; stop at 3.70 kg.`
#[must_use]
pub fn advice(signs: &FlatSigns<'_>) -> String {
    if signs.retired {
        return "Retired: nothing to do.".to_owned();
    }
    if signs.soaking {
        return "Being soaked: water it until it drips, pass by pass, empty its tray and let it drain; its capacity is \
                recorded when the dripping has stopped."
            .to_owned();
    }
    if let Some(misfit) = &signs.misfit {
        let misfit = misfit.trim_end_matches('.');
        return format!("Not sure that this is it: {misfit}. Say what is on the stand (holds).");
    }
    let Some(fraction) = signs.fraction.filter(|_| signs.condition != Wetness::Unknown) else {
        return unknown(signs);
    };
    let left = left_of(signs, fraction);
    let carried = carried(signs);
    match signs.condition {
        Wetness::Dry => format!("Dry: {left}.{}{carried}", pour(signs)),
        Wetness::Due => format!("Due: {left}.{}{}{carried}", pour(signs), dry_by(signs)),
        Wetness::Wet => format!("Wet: {left}. Do not water.{}{}{carried}", tray(signs), next(signs)),
        Wetness::Moist | Wetness::Unknown => format!("Moist: {left}. Wait.{}{}{carried}", tray(signs), next(signs)),
    }
}

fn unknown(signs: &FlatSigns<'_>) -> String {
    if signs.band.is_none() {
        return "No band yet: weigh it dry as filled, then record-dry; soak it through with record-capacity."
            .to_owned();
    }
    match signs.carried_for {
        Some(_) if signs.never_weighed => "Never weighed itself, and the flat it is `like` does not tell: weigh it.".to_owned(),
        // Nothing has had the time to become unsure.
        Some(carried) if signs.weight.is_some() && carried < Span::minutes(1) => {
            "Weighed just now, but by its band that does not tell what is left: is the weight right, and are both ends of the band?"
                .to_owned()
        }
        Some(carried) if signs.weight.is_some() => {
            let back = if signs.has_stand { ", or put it back on its stand" } else { "" };
            format!("Not weighed for {}: weigh it{back}.", spell(carried))
        }
        _ if signs.off_stand_since.is_some() => "Off its stand: put it back, or weigh it.".to_owned(),
        _ if !signs.has_stand => "No weight yet: weigh it.".to_owned(),
        _ => "No weight yet: put it on its stand, or weigh it.".to_owned(),
    }
}

/// How far a fraction is to be believed that was not weighed just now.
fn carried(signs: &FlatSigns<'_>) -> String {
    let unsure = format!("so far as its drying tells (±{:.0} %)", error_percent(signs));
    match (signs.off_stand_since, signs.carried_for) {
        (Some(since), _) => format!(" Off its stand since {}; {unsure}.", when(signs, since)),
        (None, Some(_)) if signs.never_weighed => {
            format!(" Never weighed itself; so far as the flat it is `like` tells (±{:.0} %).", error_percent(signs))
        }
        (None, Some(carried)) if carried > Span::minutes(10) => {
            format!(" Not weighed for {}; {unsure}.", spell(carried))
        }
        _ => String::new(),
    }
}

fn dry_by(signs: &FlatSigns<'_>) -> String {
    let by = signs.low_early.or(signs.low_at);
    by.map(|at| format!(" Before {}.", when(signs, at))).unwrap_or_default()
}

fn next(signs: &FlatSigns<'_>) -> String {
    signs
        .due_at
        .map(|at| format!(" Due about {}, at {}.", when(signs, at), percent(Some(signs.water_at))))
        .unwrap_or_default()
}
