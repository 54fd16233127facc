//! `tarewell export`: what the store has kept, as tables. The service may be running or not; nothing is changed.

use super::file;
use crate::moment::{Wall, Zone};
use crate::service::{Standing, TakenBack, called_now, read_as};
use crate::store::{KeptEvent, Of, Reader};
use crate::units::Grams;
use chrono::NaiveDate;
use serde_json::Value;
use std::collections::BTreeSet;
use std::fs::OpenOptions;
use std::path::{Path, PathBuf};

/// The options of `export`.
#[derive(Debug, clap::Args)]
pub struct ExportArgs {
    /// The configuration; without it tarewell.yaml here, then /etc/tarewell/tarewell.yaml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// The folder to write weights.csv, waterings.csv, bands.csv and events.csv to
    #[arg(long, value_name = "FOLDER", default_value = ".")]
    out: PathBuf,
    /// Only this flat, also one that is no longer in the file; may be given again
    #[arg(long, value_name = "ID")]
    flat: Vec<String>,
    /// Only flats of this fill, by the file
    #[arg(long, value_name = "ID")]
    fill: Option<String>,
    /// Only flats sown on this day, by the file
    #[arg(long, value_name = "DATE")]
    sown: Option<NaiveDate>,
    /// Not before this day or time
    #[arg(long, value_name = "DATE")]
    from: Option<String>,
    /// To the end of this day, or to this time
    #[arg(long, value_name = "DATE")]
    to: Option<String>,
    /// Replace files that are there
    #[arg(long)]
    force: bool,
}

/// Writes the tables and says how many rows each has; the exit code.
#[must_use]
pub fn run(args: &ExportArgs) -> i32 {
    match export(args) {
        Ok(told) => {
            print!("{told}");
            0
        }
        Err((code, why)) => {
            eprintln!("{why}");
            code
        }
    }
}

type Failed = (i32, String);

/// What is asked for.
struct Wanted {
    /// `None`: every flat.
    flats: Option<BTreeSet<String>>,
    from: Option<Wall>,
    to: Option<Wall>,
    zone: Zone,
}

fn export(args: &ExportArgs) -> Result<String, Failed> {
    let (path, checked) = file::load(args.config.as_deref()).map_err(|why| (2, why))?;
    let plan = checked.plan;
    let day = |text: &Option<String>, name: &str, end: bool| {
        let read = |text: &String| match (text.parse::<NaiveDate>(), end) {
            (Ok(day), false) => Ok(plan.zone.instant(day, chrono::NaiveTime::MIN)),
            _ => crate::web::through(text, plan.zone),
        };
        text.as_ref().map(read).transpose().map_err(|why| (2, format!("--{name}: {why}")))
    };
    let (from, to) = (day(&args.from, "from", false)?, day(&args.to, "to", true)?);
    if let (Some(first), Some(last)) = (from, to)
        && first > last
    {
        let (first, last) = (plan.zone.stamp(first), plan.zone.stamp(last));
        return Err((2, format!("--from ({first}) is after --to ({last}): nothing lies between. Nothing was written")));
    }
    let mut wanted = Wanted { flats: chosen(args, &plan)?, from, to, zone: plan.zone };
    let store = crate::service::store_beside(&path, &checked.store);
    if !store.exists() {
        return Err((1, format!("{}: there is no store yet; `tarewell run` begins one", store.display())));
    }
    let failed = |why: String| (1, why);
    let reader = Reader::open(&store).map_err(|error| failed(error.to_string()))?;
    let events = reader.events(None, usize::MAX).map_err(|error| failed(error.to_string()))?;
    let is_kept = |id: &String| events.iter().any(|event| event.of == Of::Flat && event.id == *id);
    let is_of_the_file =
        |id: &String| plan.flats.iter().any(|(flat, settings)| flat == id || settings.formerly.as_ref() == Some(id));
    let is_known = |id: &String| is_of_the_file(id) || is_kept(id) || called_now(&events, id).is_some();
    if let Some(id) = args.flat.iter().find(|id| !is_known(id)) {
        return Err((2, format!("--flat: neither the file nor the store has a flat {id:?}. Nothing was written")));
    }
    if let Some(flats) = &mut wanted.flats {
        flats.extend(
            args.flat
                .iter()
                .filter(|id| !is_of_the_file(id))
                .filter_map(|id| called_now(&events, id))
                .map(str::to_owned),
        );
        with_former_ids(flats, &plan);
    }
    let standing = Standing::of(&events);
    let not_so = standing.weights_taken_back(&events);
    let weights = weights(&reader, &wanted, &not_so).map_err(failed)?;
    let tables = [
        ("weights.csv", &["flat", "time", "weight_g", "fraction"][..], weights),
        (
            "waterings.csv",
            &["seq", "flat", "time", "added_ml", "kept_ml", "by", "where", "read_as"],
            rows(&events, &wanted, &standing, poured_at, watering),
        ),
        (
            "bands.csv",
            &["seq", "flat", "time", "event", "what", "from", "to"],
            rows(&events, &wanted, &standing, told_at, band),
        ),
        ("events.csv", &["seq", "of", "id", "time", "event", "more"], rows(&events, &wanted, &standing, told_at, any)),
    ];
    std::fs::create_dir_all(&args.out).map_err(|error| failed(format!("{}: {error}", args.out.display())))?;
    let there: Vec<_> = tables.iter().map(|(name, ..)| args.out.join(name)).filter(|path| path.exists()).collect();
    if let (Some(first), false) = (there.first(), args.force) {
        let told = format!("{} is there already; --force replaces it. Nothing was written", first.display());
        return Err(failed(told));
    }
    let mut told = String::new();
    for (name, header, rows) in &tables {
        write(&args.out.join(name), header, rows).map_err(failed)?;
        told.push_str(&format!("{name}: {} rows\n", rows.len()));
    }
    Ok(told)
}

/// The flats that are asked for by id, fill or day of sowing.
fn chosen(args: &ExportArgs, plan: &crate::site::Plan) -> Result<Option<BTreeSet<String>>, Failed> {
    if args.flat.is_empty() && args.fill.is_none() && args.sown.is_none() {
        return Ok(None);
    }
    let fill = match &args.fill {
        Some(id) => {
            let place = plan.fills.iter().position(|fill| fill.id == *id);
            Some(place.ok_or_else(|| (2, format!("--fill: the file has no fill {id:?}")))?)
        }
        None => None,
    };
    let by_batch = plan.flats.iter().filter(|(_, flat)| {
        let asked = fill.is_some() || args.sown.is_some();
        asked && (fill.is_none() || flat.fill == fill) && (args.sown.is_none() || flat.sown == args.sown)
    });
    let mut flats: BTreeSet<String> = by_batch.map(|(id, _)| id.clone()).chain(args.flat.iter().cloned()).collect();
    with_former_ids(&mut flats, plan);
    if flats.is_empty() {
        return Err((2, "the file has no flat of this fill and day of sowing. Nothing was written".to_owned()));
    }
    Ok(Some(flats))
}

/// What was kept under a former id is under the new one from the next start on, and under the old one until then.
fn with_former_ids(flats: &mut BTreeSet<String>, plan: &crate::site::Plan) {
    for (id, settings) in &plan.flats {
        if let Some(former) = settings.formerly.as_ref().filter(|former| flats.contains(id) || flats.contains(*former))
        {
            flats.extend([id.clone(), former.clone()]);
        }
    }
}

impl Wanted {
    fn has(&self, event: &KeptEvent, at: Wall) -> bool {
        let of_flat = self.flats.as_ref().is_none_or(|flats| event.of == Of::Flat && flats.contains(&event.id));
        of_flat && self.from.is_none_or(|from| at >= from) && self.to.is_none_or(|to| at <= to)
    }
}

fn weights(reader: &Reader, wanted: &Wanted, not_so: &TakenBack) -> Result<Vec<Vec<String>>, String> {
    let kept = reader.weighed_flats().map_err(|error| error.to_string())?;
    let mut rows = Vec::new();
    for flat in kept.iter().filter(|flat| wanted.flats.as_ref().is_none_or(|flats| flats.contains(*flat))) {
        let points = reader.all_weights(flat, wanted.from, wanted.to).map_err(|error| error.to_string())?;
        rows.extend(points.iter().filter_map(|point| {
            let fraction = point.fraction.map(|fraction| fraction.get().to_string()).unwrap_or_default();
            let (time, weight) = (wanted.zone.stamp(point.at), format!("{:.1}", point.weight.get()));
            (!not_so.has(flat, point)).then(|| vec![flat.clone(), time, weight, fraction])
        }));
    }
    Ok(rows)
}

type Cells = fn(&KeptEvent, &Value, String, &Standing) -> Option<Vec<String>>;
type When = fn(&KeptEvent, &Value) -> Wall;

fn told_at(event: &KeptEvent, _: &Value) -> Wall {
    event.wall
}

/// A pour may have been told long after it.
fn poured_at(event: &KeptEvent, json: &Value) -> Wall {
    let at = json["at"].as_str().and_then(|at| chrono::DateTime::parse_from_rfc3339(at).ok());
    at.filter(|_| event.name == "watered").map_or(event.wall, |at| Wall::from_millis(at.timestamp_millis()))
}

/// The rows of those wanted events that `cells` takes, with what was published of them.
fn rows(events: &[KeptEvent], wanted: &Wanted, standing: &Standing, when: When, cells: Cells) -> Vec<Vec<String>> {
    let row = |event: &KeptEvent| {
        let json: Value = serde_json::from_str(&event.json).unwrap_or_default();
        let at = when(event, &json);
        wanted.has(event, at).then(|| cells(event, &json, wanted.zone.stamp(at), standing)).flatten()
    };
    events.iter().filter_map(row).collect()
}

fn text(json: &Value, key: &str) -> String {
    match json.get(key) {
        None | Some(Value::Null) => String::new(),
        Some(Value::String(text)) => text.clone(),
        Some(other) => other.to_string(),
    }
}

/// Each watering that still counts as one, also where it was read as something else at first.
fn watering(event: &KeptEvent, json: &Value, time: String, standing: &Standing) -> Option<Vec<String>> {
    let of = |key| text(json, key);
    let read = read_as(event)?;
    if standing.was(event) != Some("watered") || standing.is_told_again(event) {
        return None;
    }
    let row = |added: String, kept: String, by: String, place: String, read: &str| {
        vec![event.seq.to_string(), event.id.clone(), time, added, kept, by, place, read.to_owned()]
    };
    Some(if read == "watered" {
        row(of("added_ml"), of("kept_ml"), of("by"), of("where"), "")
    } else {
        // No more is known of it than its weight.
        let added = Grams::new(json["change_g"].as_f64().unwrap_or_default()).of_water();
        let added = format!("{:.1}", added.get());
        row(added.clone(), added, "unknown".to_owned(), String::new(), &event.name)
    })
}

/// What recorded the band or changed it and still stands: the file for what was recorded, cells taken, a tray swapped, mix lost.
fn band(event: &KeptEvent, json: &Value, time: String, standing: &Standing) -> Option<Vec<String>> {
    let of = |key| text(json, key);
    let is_band = !standing.is_undone(event)
        && match event.name.as_str() {
            "dry-recorded" | "capacity-recorded" | "band-forgotten" => true,
            "setting-replaced" => matches!(of("what").as_str(), "dry_weight" | "capacity_weight"),
            "corrected" => {
                standing.is_last_word(event) && matches!(of("to").as_str(), "thinned" | "tray-swapped" | "mix-lost")
            }
            _ => false,
        };
    is_band.then(|| {
        vec![event.seq.to_string(), event.id.clone(), time, event.name.clone(), of("what"), of("from"), of("to")]
    })
}

fn any(event: &KeptEvent, json: &Value, time: String, _: &Standing) -> Option<Vec<String>> {
    let mut more = json.as_object()?.clone();
    for key in ["seq", "time", "event", "of", "id"] {
        more.remove(key);
    }
    let more = if more.is_empty() { String::new() } else { Value::Object(more).to_string() };
    Some(vec![event.seq.to_string(), event.of.name().to_owned(), event.id.clone(), time, event.name.clone(), more])
}

fn write(path: &Path, header: &[&str], rows: &[Vec<String>]) -> Result<(), String> {
    let told = |error: &dyn std::fmt::Display| format!("{}: {error}", path.display());
    let file = OpenOptions::new().write(true).create(true).truncate(true).open(path).map_err(|error| told(&error))?;
    let mut table = csv::Writer::from_writer(file);
    table.write_record(header).map_err(|error| told(&error))?;
    for row in rows {
        table.write_record(row).map_err(|error| told(&error))?;
    }
    table.flush().map_err(|error| told(&error))
}
