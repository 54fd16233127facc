//! What the alerts say: which flat, how much is left, how much to pour and the weight to stop at, by when.

use super::board::Wording;
use super::flat::{PLANTS_TOO_HEAVY, PLANTS_UNSURE};
use super::kinds::{Kind, Severity};
use super::signs::{FlatSigns, StandSigns, Wetness, ZeroOff};
use crate::moment::{Moment, Span};
use crate::units::{Fraction, Grams, GramsPerHour, Millilitres};

/// Water from above or below has soaked in or dripped out after so long.
const SOAKS_IN: Span = Span::minutes(60);
/// Less above capacity than this share of the band, or than this, is nothing: capacity itself is known no better.
const LEAST_IN_TRAY: f64 = 0.03;
const LEAST_SEEN: Grams = Grams::new(20.0);

/// A time as one would say it: `40 s`, `14 min`, `31 h`, `5 d`.
pub fn spell(span: Span) -> String {
    let seconds = span.as_seconds().max(0.0);
    match seconds {
        s if s < 90.0 => format!("{s:.0} s"),
        s if s < 7170.0 => format!("{:.0} min", s / 60.0),
        s if s < 345_600.0 => format!("{:.0} h", s / 3600.0),
        s => format!("{:.0} d", s / 86_400.0),
    }
}

/// `a quarter of its water is left`; where it has just fallen below low, that is said, for "30 %" would not be below 30 %.
pub(super) fn left_of(signs: &FlatSigns<'_>, fraction: Fraction) -> String {
    let shown = |fraction: Fraction| fraction.percent().round();
    if signs.condition == Wetness::Dry && fraction < signs.low && shown(fraction) >= shown(signs.low) {
        return format!("just under {:.0} % of its water is left", shown(signs.low));
    }
    left(fraction)
}

/// `a quarter of its water is left`.
pub(super) fn left(fraction: Fraction) -> String {
    let near = |share: f64| (fraction.get() - share).abs() < 0.0051;
    match fraction.get() {
        f if f < 0.0051 => "none of its water is left".to_owned(),
        f if f > 1.0 => format!("it holds {:.0} % of what it can", f * 100.0),
        _ if near(0.25) => "a quarter of its water is left".to_owned(),
        _ if near(1.0 / 3.0) => "a third of its water is left".to_owned(),
        _ if near(0.5) => "half of its water is left".to_owned(),
        _ if near(0.75) => "three quarters of its water are left".to_owned(),
        f => format!("{:.0} % of its water is left", f * 100.0),
    }
}

/// `48 %`.
pub(super) fn percent(fraction: Option<Fraction>) -> String {
    fraction.map_or_else(|| "unknown".to_owned(), |fraction| format!("{:.0} %", fraction.percent()))
}

/// ` Pour 400 mL; stop at 3.70 kg.`, or nothing.
pub(super) fn pour(signs: &FlatSigns<'_>) -> String {
    if signs.misfit.is_some() {
        return " Before anybody pours, say what stands on its stand (holds).".to_owned();
    }
    let Some(volume) = signs.to_target.filter(|volume| *volume > Millilitres::ZERO) else { return String::new() };
    let volume = signs.words.volume(volume);
    match signs.target_weight {
        Some(weight) => {
            let dome = if signs.dome_unknown { " without its dome" } else { "" };
            format!(" Pour {volume}; stop at {}{dome}.", signs.words.weight(weight))
        }
        None => format!(" Pour {volume}."),
    }
}

/// Water that stands in the tray: what is above capacity though it has had time to soak in and to drip. What stands there below that
/// no scale can tell from what the mix holds.
fn in_the_tray(signs: &FlatSigns<'_>) -> Option<Millilitres> {
    let (water, band) = (signs.water?, signs.band.filter(|band| *band > Grams::ZERO)?);
    let doubt = band * (2.0 * signs.fraction_error).max(LEAST_IN_TRAY);
    let has_settled = signs.last_watered.is_none_or(|watered| signs.at.mono.since(watered.mono) >= SOAKS_IN);
    let is_there = signs.carried_for.is_none() && has_settled && !signs.soaking && water - band > doubt.max(LEAST_SEEN);
    is_there.then(|| (water - band).of_water())
}

/// ` About 130 mL of water stand in its tray: pour it off.`, or nothing.
pub(super) fn tray(signs: &FlatSigns<'_>) -> String {
    let round = |volume: Millilitres| Millilitres::new((volume.get() / 10.0).round() * 10.0);
    in_the_tray(signs)
        .map(|volume| format!(" About {} of water stand in its tray: pour it off.", signs.words.volume(round(volume))))
        .unwrap_or_default()
}

/// The standard error of the fraction in percent; one that is no number is as bad as can be.
pub(super) fn error_percent(signs: &FlatSigns<'_>) -> f64 {
    let error = signs.fraction_error;
    // Told in whole percent, and nothing that is worked out is known to less than one.
    if error.is_nan() { 100.0 } else { (error.clamp(0.0, 1.0) * 100.0).max(1.0) }
}

/// `Thu 14:20`.
pub(super) fn when(signs: &FlatSigns<'_>, at: Moment) -> String {
    signs.zone.short(at.wall)
}

pub(super) fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn stop(text: &str) -> String {
    let text = text.trim_end_matches('.');
    format!("{text}.")
}

fn rate(signs: &FlatSigns<'_>, rate: GramsPerHour) -> String {
    format!("{} an hour", signs.words.weight(Grams::new(rate.get())))
}

fn named(signs: &FlatSigns<'_>) -> String {
    match signs.place {
        Some(place) => format!("{} ({place})", signs.label),
        None => signs.label.to_owned(),
    }
}

fn title(kind: Kind, severity: Severity, label: &str) -> String {
    match kind {
        Kind::Dry if severity == Severity::Critical => format!("{label} is very dry"),
        Kind::Dry => format!("{label} is dry"),
        Kind::TooWet => format!("{label} is too wet"),
        Kind::NotDrying => format!("{label} is not drying"),
        Kind::DryOvernight => format!("{label} may be dry before morning"),
        Kind::FlatAbsent => format!("{label} is off its stand"),
        Kind::FlatChanged => format!("Is this still {label}?"),
        Kind::WeighDue => format!("{label} should be weighed"),
        Kind::BandDoubtful => format!("The band of {label} is doubtful"),
        Kind::Outgrown => format!("{label} is outgrowing its flat"),
        Kind::Leak => format!("{label} is losing water fast"),
        other => format!("{label}: {}", other.name()),
    }
}

/// What an alert about a flat says with the label that the flat has now; `None` where it has that already.
pub(super) fn relabelled(kind: Kind, severity: Severity, said: &Wording, label: &str) -> Option<Wording> {
    const LABEL: &str = "\0";
    let pattern = title(kind, severity, LABEL);
    let (head, tail) = pattern.split_once(LABEL)?;
    let before = said.title.strip_prefix(head)?.strip_suffix(tail).filter(|before| *before != label)?;
    let text = said.text.strip_prefix(before).map_or_else(|| said.text.clone(), |rest| format!("{label}{rest}"));
    Some(Wording { title: title(kind, severity, label), text })
}

/// What an alert of this kind says about a flat.
pub(super) fn flat(kind: Kind, severity: Severity, signs: &FlatSigns<'_>) -> Wording {
    let text = match kind {
        Kind::Dry => dry(signs),
        Kind::TooWet => too_wet(signs),
        Kind::NotDrying => not_drying(signs),
        Kind::DryOvernight => overnight(signs),
        Kind::FlatAbsent => absent(signs),
        Kind::FlatChanged => changed(signs),
        Kind::WeighDue => weigh(signs),
        Kind::BandDoubtful => doubtful(signs),
        Kind::Outgrown => outgrown(signs),
        Kind::Leak => leak(signs),
        _ => String::new(),
    };
    let title = title(kind, severity, signs.label);
    Wording { title, text: format!("{}: {text}", named(signs)) }
}

fn dry(signs: &FlatSigns<'_>) -> String {
    let left = signs.fraction.map_or_else(|| "its water is low".to_owned(), |fraction| left_of(signs, fraction));
    format!("{left}.{}", pour(signs))
}

fn too_wet(signs: &FlatSigns<'_>) -> String {
    let left = signs.fraction.map_or_else(|| "it is wet".to_owned(), left);
    let high = percent(Some(signs.high));
    format!(
        "{left}, and it has been above {high} for long. Do not water; give it air and light, and see that it drains.{}",
        tray(signs)
    )
}

fn not_drying(signs: &FlatSigns<'_>) -> String {
    let lost = signs.lost_24h.map_or(Grams::ZERO, |lost| lost.max(Grams::ZERO));
    format!(
        "it lost {} in 24 h, which is no measurable loss. Look for a lid, dead plants, or something that holds the stand.",
        signs.words.weight(lost)
    )
}

fn overnight(signs: &FlatSigns<'_>) -> String {
    let early = signs.low_early.map(|at| format!("dry as early as {}", when(signs, quarter_before(at))));
    let likely = signs.low_at.map(|at| format!("more likely {}", when(signs, quarter_before(at))));
    let by: Vec<String> = [early, likely].into_iter().flatten().collect();
    let left = signs.fraction.map(|fraction| format!("{}. ", sentence(&left(fraction)))).unwrap_or_default();
    format!("{}. {left}Water it this evening.{}", by.join(", "), pour(signs))
}

/// A forecast is no surer than that, and its minutes would make the alert say something else all the time.
fn quarter_before(at: Moment) -> Moment {
    let over = at.wall.millis().rem_euclid(900_000);
    at.after(Span::from_millis(-over))
}

fn absent(signs: &FlatSigns<'_>) -> String {
    let gone = signs.off_stand_since.map(|since| format!(" since {}", when(signs, since))).unwrap_or_default();
    let carried = signs.fraction.map(|fraction| format!(" By its drying {}.", left(fraction))).unwrap_or_default();
    format!("off its stand{gone}.{carried} Put it back, or say where it is now (move).")
}

fn changed(signs: &FlatSigns<'_>) -> String {
    let why = signs.misfit.as_deref().unwrap_or("what stands there cannot be this flat");
    format!("{} Say what is on the stand (holds), or correct what happened.", stop(why))
}

fn weigh(signs: &FlatSigns<'_>) -> String {
    let since = signs.carried_for.map(|carried| match signs.never_weighed {
        true => "it has never been weighed itself".to_owned(),
        false => format!("not weighed for {}", spell(carried)),
    });
    let unsure = format!("what is left is known to ±{:.0} % only", error_percent(signs));
    let text = [since, Some(unsure).filter(|_| signs.fraction_error > 0.15 && signs.fraction.is_some())];
    let back = if signs.has_stand { ", or put it back on its stand" } else { "" };
    format!("{}. Weigh it{back}.", text.into_iter().flatten().collect::<Vec<_>>().join("; "))
}

fn doubtful(signs: &FlatSigns<'_>) -> String {
    if let (None, Some(doubt)) = (&signs.band_doubt, &signs.soak_doubt) {
        return doubt.clone();
    }
    let why = signs.band_doubt.as_deref().unwrap_or("its band cannot be right");
    format!("{} Record it anew (record-dry, record-capacity), or see that the right flat stands there.", stop(why))
}

fn outgrown(signs: &FlatSigns<'_>) -> String {
    let lasts = signs.full_soak_lasts.map(|lasts| format!("a full soak lasts {}", spell(lasts)));
    let plants =
        (signs.plant_mass > Grams::ZERO).then(|| format!("its plants weigh {}", signs.words.weight(signs.plant_mass)));
    let unsure = signs.band.filter(|band| *band > Grams::ZERO).map_or(0.0, |band| signs.plant_error / band);
    if unsure > PLANTS_UNSURE {
        let plants = plants.unwrap_or_else(|| "its plants have grown unseen".to_owned());
        let error = signs.words.weight(signs.plant_error);
        return format!("{plants}, give or take {error}. Soak it through and record its capacity (record-capacity).");
    }
    let share = signs.band.filter(|band| *band > Grams::ZERO).map_or(0.0, |band| signs.plant_mass / band);
    if let Some(plants) = plants.as_ref().filter(|_| share > PLANTS_TOO_HEAVY) {
        return format!("{plants}, {:.0} % of the water that it can hold. Pot it on.", 100.0 * share);
    }
    let facts: Vec<String> = [lasts, plants].into_iter().flatten().collect();
    format!("{}. Pot it on, or soak it through and record its capacity (record-capacity).", facts.join("; "))
}

fn leak(signs: &FlatSigns<'_>) -> String {
    let loss = signs.loss_30min.unwrap_or(GramsPerHour::ZERO);
    format!(
        "it loses {}, more than drying can ({}). Look for a hole in the tray, a drip, or something that pulls at the stand.",
        rate(signs, loss),
        rate(signs, signs.fastest_drying)
    )
}

/// What an alert of this kind says about a stand.
pub(super) fn stand(kind: Kind, signs: &StandSigns<'_>) -> Wording {
    let stand = signs.stand;
    let bears = signs.flat.map(|flat| format!(" {flat} stands on it.")).unwrap_or_default();
    let valve = if signs.on_auto_valve { " Its valve stays closed meanwhile." } else { "" };
    let (title, text) = match kind {
        Kind::StandSilent => {
            let silent = signs.silent_since.map(|since| format!(" for {}", spell(signs.at.mono.since(since.mono))));
            let text = format!(
                "Nothing heard from {stand}{}.{bears} Check its power, its network and the broker.{valve}",
                silent.unwrap_or_default()
            );
            (format!("Stand {stand} is silent"), text)
        }
        Kind::StandFault => {
            let fault = signs.fault.as_deref().unwrap_or("its readings cannot be believed");
            let text = format!("{stand}: {}{bears} Check its wiring and its load.{valve}", stop(fault));
            (format!("Stand {stand} cannot be believed"), text)
        }
        Kind::Uneven if signs.moved_zero.is_some() && signs.uneven.is_none() => {
            (format!("Stand {stand} does not come back to zero"), moved_zero(signs))
        }
        Kind::Uneven => {
            let uneven = signs.uneven.as_deref().unwrap_or("its corners say so");
            (format!("Stand {stand} is not level"), format!("{stand}: {}{bears} Level it.", stop(uneven)))
        }
        other => (format!("{stand}: {}", other.name()), String::new()),
    };
    Wording { title, text }
}

fn moved_zero(signs: &StandSigns<'_>) -> String {
    let stand = signs.stand;
    let Some(ZeroOff { was, reads }) = signs.moved_zero else { return String::new() };
    let (weight, bears) = (|weight: Grams| signs.words.weight(weight), signs.flat.unwrap_or("What it bears"));
    format!(
        "With nothing on it {stand} reads {}; it should read {}. {bears} will seem {} heavier than it is, and wetter. Look whether something \
         lies there, or a hose or a cable leans on it; take that away, or zero the stand while it is empty.",
        weight(reads),
        weight(was),
        weight(reads - was)
    )
}
