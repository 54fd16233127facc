//! `fills:` and `flats:`

use super::limits::{self, Defaults};
use super::section::Section;
use super::site::{Ids, Whole};
use super::tree::Entry;
use super::{stages, table};
use crate::flat::{FillSettings, FlatSettings, HEAVIEST, Limits, MixWhenFilled};
use crate::moment::Span;
use crate::stand::StandSettings;
use crate::units::Grams;
use std::collections::HashMap;

const MIXES: &[(&str, MixWhenFilled)] =
    &[("dry", MixWhenFilled::Dry), ("bagged", MixWhenFilled::Bagged), ("moistened", MixWhenFilled::Moistened)];
/// The finest plug insert of the trade has some eight hundred cells; more is a mistyped number.
const MOST_CELLS: u32 = 2000;

/// `fills:`
pub(super) fn fills(whole: &Whole<'_>, entries: &[Entry], defaults: &Defaults) -> Vec<FillSettings> {
    let one = |entry: &Entry| {
        let what = format!("fill `{}`", entry.key);
        let section = Section::open(whole.reader, &entry.value, &table::FILL, &what, entry.key_place);
        section.map(|section| fill(&section, entry, defaults))
    };
    entries
        .iter()
        .map(|entry| one(entry).unwrap_or(FillSettings { id: entry.key.clone(), ..FillSettings::default() }))
        .collect()
}

fn fill(section: &Section<'_>, entry: &Entry, defaults: &Defaults) -> FillSettings {
    let mass = |name| section.value(name).and_then(|value| value.mass());
    let fill = FillSettings {
        id: entry.key.clone(),
        tare: mass("tare"),
        cells: section.value("cells").and_then(|value| value.whole(1, MOST_CELLS)),
        mix_when_filled: section.value("mix_when_filled").and_then(|value| value.word(MIXES)),
        dry_weight: mass("dry_weight"),
        capacity_weight: mass("capacity_weight"),
    };
    capacity_above_dry(section, fill.dry_weight, fill.capacity_weight);
    if let (Some(tare), Some(dry)) = (fill.tare, fill.dry_weight)
        && dry <= tare
    {
        let wrong = format!("`dry_weight` of {} is not above its tare", section.what);
        section.problem("dry_weight", wrong, "there would be no mix in the tray", None);
    }
    let moved = defaults.limits.with(&mix_limits(&fill));
    if let Some((below, above)) = moved.out_of_order().filter(|_| defaults.good) {
        let wrong = format!("with the limits of this mix, `{below}` and `{above}` of `defaults` are out of order");
        let hint = format!("Change `{above}` in `defaults`, or give its flats limits of their own.");
        section.problem("mix_when_filled", wrong, "no watering could fit between them", hint);
    }
    fill
}

fn mix_limits(fill: &FillSettings) -> crate::flat::SomeLimits {
    fill.mix_when_filled.unwrap_or_default().limits()
}

/// Peat as dry as it gets, in a tray of nothing, takes up no more (a judgement) …
const MOST_TIMES_DRY: f64 = 20.0;
/// … and gravel no less than this share of what it weighs then (a judgement).
const NARROWEST: f64 = 0.02;

fn capacity_above_dry(section: &Section<'_>, dry: Option<Grams>, capacity: Option<Grams>) {
    let (Some(dry), Some(capacity)) = (dry, capacity) else { return };
    if capacity <= dry {
        let name = if section.has("capacity_weight") { "capacity_weight" } else { "dry_weight" };
        let wrong = format!(
            "{} has a capacity weight ({} g) that is not above its dry weight ({} g)",
            section.what,
            capacity.get(),
            dry.get()
        );
        let hint = "Capacity weight is soaked and drained, dry weight as filled; are they swapped?".to_owned();
        section.problem(name, wrong, "there would be no band to hold water", hint);
    } else if let Some(doubt) = unlike_any_flat(dry, capacity) {
        let (what, dry, capacity) = (&section.what, dry.get(), capacity.get());
        section.reader.note(format!(
            "{what} weighs {dry} g dry and {capacity} g at capacity: {doubt}. Is one of the weights wrong?"
        ));
    }
}

/// Why a band is hardly one of a tray with mix in it.
fn unlike_any_flat(dry: Grams, capacity: Grams) -> Option<&'static str> {
    if capacity > HEAVIEST {
        Some("no flat weighs so much, and `weigh` refuses it")
    } else if capacity > dry * MOST_TIMES_DRY {
        Some("no tray with mix in it takes up so many times its own weight")
    } else if capacity - dry < capacity * NARROWEST {
        Some(
            "that is hardly any water, and a hand on the scale would empty or fill it; most flats hold a third of their weight",
        )
    } else {
        None
    }
}

/// `flats:`
pub(super) fn read(
    whole: &Whole<'_>,
    entries: &[Entry],
    fills: &[FillSettings],
    stands: &[(String, StandSettings)],
    defaults: &Defaults,
) -> Vec<(String, FlatSettings)> {
    let (mut sections, mut flats) = (Vec::new(), Vec::new());
    for entry in entries {
        let what = format!("flat `{}`", entry.key);
        let section = Section::open(whole.reader, &entry.value, &table::FLAT, &what, entry.key_place);
        let settings = section.as_ref().map(|section| Flat { whole, section, fills, stands, defaults }.read(entry));
        flats.push((entry.key.clone(), settings.unwrap_or_default()));
        sections.push(section);
    }
    alone_on_their_stands(&sections, &flats, stands);
    spoken_for(&sections, &flats);
    formerly(&sections, &flats, &whole.ids);
    told_apart(whole, &flats);
    left_out_of_rounds(whole, &flats, stands);
    flats
}

/// Two flats of one label: nothing is wrong with that, but nobody could tell which one an alert or a round means.
fn told_apart(whole: &Whole<'_>, flats: &[(String, FlatSettings)]) {
    let mut named: HashMap<&str, &str> = HashMap::new();
    for (id, flat) in flats {
        let first = *named.entry(flat.label.as_str()).or_insert(id);
        if first != id {
            whole.reader.note(format!(
                "flats `{first}` and `{id}` have the same label, {:?}: alerts and rounds would not tell them apart",
                flat.label
            ));
        }
    }
}

/// As soon as one flat names a shared stand, a round on it is of those that name it.
fn left_out_of_rounds(whole: &Whole<'_>, flats: &[(String, FlatSettings)], stands: &[(String, StandSettings)]) {
    for (index, (name, _)) in stands.iter().enumerate().filter(|(_, (_, settings))| settings.shared) {
        let names_it = flats.iter().filter(|(_, flat)| flat.stand == Some(index)).count();
        let without: Vec<&str> =
            flats.iter().filter(|(_, flat)| flat.stand.is_none()).map(|(id, _)| id.as_str()).collect();
        if let ([first, ..], true) = (without.as_slice(), names_it > 0) {
            whole.reader.note(format!(
                "`round` on the shared stand `{name}` takes only flats that name it ({names_it}); those without a stand are left out, \
                 such as `{first}` ({} in all)",
                without.len()
            ));
        }
    }
}

struct Flat<'a> {
    whole: &'a Whole<'a>,
    section: &'a Section<'a>,
    fills: &'a [FillSettings],
    stands: &'a [(String, StandSettings)],
    defaults: &'a Defaults,
}

impl Flat<'_> {
    fn read(&self, entry: &Entry) -> FlatSettings {
        let section = self.section;
        let Ids { fills, stands, flats, .. } = &self.whole.ids;
        let text = |name| section.value(name).and_then(|value| value.text().map(|text| text.trim().to_owned()));
        let fill = section.value("fill").and_then(|value| value.place_in(fills, "fill"));
        let stand = section.value("stand").and_then(|value| value.place_in(stands, "stand"));
        let (dry_weight, capacity_weight) = self.own_band();
        self.band_fits(fill, stand, dry_weight, capacity_weight);
        let dome_weight = section.value("dome_weight").and_then(|value| value.mass());
        self.dome_fits(fill, dome_weight, dry_weight, capacity_weight);
        let own_limits = limits::some(section);
        let limits = self.limits(fill, &own_limits);
        let (wet_for, absent_for) = limits::spans(section);
        let drying = section.value("fastest_drying").and_then(|value| value.drying());
        FlatSettings {
            label: text("label").unwrap_or_else(|| entry.key.clone()),
            fill,
            stand,
            dry_weight,
            capacity_weight,
            sown: section.value("sown").and_then(|value| value.date()),
            place: text("place"),
            stages: stages::read(section, &limits),
            limits,
            own_limits,
            wet_for: wet_for.unwrap_or(self.defaults.wet_for),
            absent_for: absent_for.unwrap_or(self.defaults.absent_for),
            fastest_drying: drying.unwrap_or(self.defaults.fastest_drying),
            dome_weight,
            like: section.value("like").and_then(|value| value.other_in(flats, "flat", &entry.key)),
            check_every: section.value("check_every").and_then(|value| value.span(Span::minutes(1))),
            formerly: section.value("formerly").and_then(|value| value.id()),
        }
    }

    /// The flat's own key, else its fill's mix, else the defaults.
    fn limits(&self, fill: Option<usize>, own: &crate::flat::SomeLimits) -> Limits {
        let mix = fill.and_then(|fill| self.fills.get(fill)).map(mix_limits).unwrap_or_default();
        let limits = self.defaults.limits.with(&mix).with(own);
        limits::in_order(self.section, &limits, own, "none is moved to fit the others");
        limits
    }

    /// The weights in the file itself; `band:` with a capacity weight alone is a dry weight too.
    fn own_band(&self) -> (Option<Grams>, Option<Grams>) {
        let section = self.section;
        let mass = |name| section.value(name).and_then(|value| value.mass());
        let (dry, capacity, band) = (mass("dry_weight"), mass("capacity_weight"), mass("band"));
        if !section.has("band") {
            return (dry, capacity);
        }
        if section.has("dry_weight") {
            let meant = dry.zip(band).filter(|_| !section.has("capacity_weight"));
            let hint = meant.map_or_else(
                || "Two of the three settle the third: remove `band`.".to_owned(),
                |(dry, band)| format!("Did you mean `capacity_weight: {} g`?", (dry + band).get()),
            );
            let wrong = format!("`band` of {} goes with `capacity_weight` alone", section.what);
            section.problem("band", wrong, "it could not be told which of them counts", hint);
            return (dry, capacity);
        }
        if !section.has("capacity_weight") {
            let wrong = format!("`band` of {} is there without `capacity_weight`", section.what);
            section.problem(
                "band",
                wrong,
                "no weight would say where the band lies",
                "Add `capacity_weight:`.".to_owned(),
            );
        }
        let (Some(capacity), Some(band)) = (capacity, band) else { return (None, capacity) };
        if band >= capacity {
            let wrong = format!("`band` of {} is not below its capacity weight", section.what);
            section.problem("band", wrong, "the dry flat would weigh nothing", None);
            return (None, Some(capacity));
        }
        (Some(capacity - band), Some(capacity))
    }

    /// A dome that weighs more than all the water: a slip in one of the weights, most likely.
    fn dome_fits(&self, fill: Option<usize>, dome: Option<Grams>, dry: Option<Grams>, capacity: Option<Grams>) {
        let fill = fill.and_then(|fill| self.fills.get(fill));
        let dry = dry.or_else(|| fill.and_then(|fill| fill.dry_weight));
        let capacity = capacity.or_else(|| fill.and_then(|fill| fill.capacity_weight));
        let (Some(dome), Some(dry), Some(capacity)) = (dome, dry, capacity) else { return };
        let width = capacity - dry;
        if width > Grams::ZERO && dome > width {
            self.section.reader.note(format!(
                "`dome_weight` of {} is {} g, more than all the water between dry and soaked, {} g: is one of the weights wrong?",
                self.section.what,
                dome.get(),
                width.get()
            ));
        }
    }

    fn band_fits(&self, fill: Option<usize>, stand: Option<usize>, dry: Option<Grams>, capacity: Option<Grams>) {
        let section = self.section;
        let fill = fill.and_then(|fill| self.fills.get(fill));
        let own = dry.is_some() || capacity.is_some();
        let dry = dry.or_else(|| fill.and_then(|fill| fill.dry_weight));
        let capacity = capacity.or_else(|| fill.and_then(|fill| fill.capacity_weight));
        if own {
            // A fill's own pair is held against itself there.
            capacity_above_dry(section, dry, capacity);
        }
        let what = &section.what;
        match (dry, capacity) {
            (Some(_), None) => section.reader.note(format!(
                "{what} has a dry weight and no capacity weight: its fraction is unknown until `record-capacity`, if nothing was recorded yet"
            )),
            (None, Some(_)) => section.reader.note(format!(
                "{what} has a capacity weight and no dry weight: its fraction is unknown until `record-dry`, if nothing was recorded yet"
            )),
            _ => {}
        }
        let load = stand.and_then(|stand| self.stands.get(stand)).and_then(|(_, stand)| stand.max_load);
        if let (Some(capacity), Some(load)) = (capacity, load)
            && capacity > load
        {
            section.reader.note(format!("{what} weighs more at capacity than `max_load` of its stand: an overload"));
        }
    }
}

fn alone_on_their_stands(
    sections: &[Option<Section<'_>>],
    flats: &[(String, FlatSettings)],
    stands: &[(String, StandSettings)],
) {
    let mut taken: HashMap<usize, &str> = HashMap::new();
    for (section, (id, flat)) in sections.iter().zip(flats) {
        let Some(stand) = flat.stand else { continue };
        let Some((name, settings)) = stands.get(stand) else { continue };
        let first = *taken.entry(stand).or_insert(id);
        if let Some(section) = section.as_ref().filter(|_| first != id && !settings.shared) {
            let wrong = format!("stand `{name}` has flat `{first}` on it already");
            let hint = format!("Give `{id}` another stand; if they take turns, add `shared: true` to `{name}`.");
            section.problem("stand", wrong, "one weight would stand for both", hint);
        }
    }
}

fn spoken_for(sections: &[Option<Section<'_>>], flats: &[(String, FlatSettings)]) {
    for (index, section) in sections.iter().enumerate() {
        let Some(section) = section else { continue };
        let like = |at: usize| flats.get(at).and_then(|(_, flat)| flat.like);
        let Some(speaker) = like(index) else { continue };
        let name = |at: usize| flats.get(at).map_or("", |(id, _)| id.as_str());
        if section.has("stand") {
            let wrong = format!("{} has `like` and a stand of its own", section.what);
            let hint = "Remove `like`: what is weighed needs nobody to speak for it.".to_owned();
            section.problem("like", wrong, "its own weight and another's would disagree", hint);
        }
        if speaker == index {
            let wrong = format!("{} is `like` itself", section.what);
            section.problem("like", wrong, "nothing would ever be weighed", "Name another flat.".to_owned());
        } else if let Some(next) = like(speaker) {
            let circle = next == index
                || std::iter::successors(Some(next), |&at| like(at)).take(flats.len()).any(|at| at == index);
            let wrong = if circle {
                format!("{} is `like` one that is, in turn, like it", section.what)
            } else {
                format!("{} is `like` `{}`, which is not weighed itself", section.what, name(speaker))
            };
            let hint = if circle {
                "One of them must be weighed.".to_owned()
            } else {
                format!("Did you mean `{}`?", name(next))
            };
            section.problem("like", wrong, "nothing would ever be weighed", hint);
        }
    }
}

fn formerly(sections: &[Option<Section<'_>>], flats: &[(String, FlatSettings)], ids: &Ids<'_>) {
    let mut taken: HashMap<&str, &str> = HashMap::new();
    for (section, (id, flat)) in sections.iter().zip(flats) {
        let (Some(section), Some(former)) = (section, flat.formerly.as_deref()) else { continue };
        if ids.flats.contains(&former) {
            let wrong = format!("`formerly: {former}` names a flat that is still in the file");
            section.problem("formerly", wrong, "both would claim one history", "Remove one of the two.".to_owned());
        }
        let first = *taken.entry(former).or_insert(id);
        if first != id {
            let wrong = format!("flat `{first}` was `{former}` formerly, too");
            section.problem("formerly", wrong, "both would claim one history", None);
        }
    }
}
