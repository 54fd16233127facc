//! `tarewell away --until DATE`: which flats last until then, by what the store knows. The service may be running or not.

use super::file;
use crate::moment::{Wall, Zone};
use crate::service::{Clock, keeping};
use crate::site::{Plan, Site};
use crate::store::Reader;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// The options of `away`.
#[derive(Debug, clap::Args)]
pub struct AwayArgs {
    /// The last day nobody comes, as 2026-03-08, or a time with offset
    #[arg(long, value_name = "DATE")]
    until: String,
    /// The configuration; without it tarewell.yaml here, then /etc/tarewell/tarewell.yaml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

/// Prints one line for each flat; the exit code.
#[must_use]
pub fn run(args: &AwayArgs) -> i32 {
    match read(args) {
        Ok((site, until)) => {
            print!("{}", table(&site, until));
            0
        }
        Err((code, why)) => {
            eprintln!("{why}");
            code
        }
    }
}

fn read(args: &AwayArgs) -> Result<(Site, Wall), (i32, String)> {
    let (path, checked) = file::load(args.config.as_deref()).map_err(|why| (2, why))?;
    let plan = Arc::new(checked.plan);
    let until = crate::web::until(&args.until, plan.zone).map_err(|why| (2, format!("--until: {why}")))?;
    let store = crate::service::store_beside(&path, &checked.store);
    let site = known(&store, &plan).map_err(|why| (1, format!("{}: {why}", store.display())))?;
    Ok((site, until))
}

/// The site as the store knows it, now.
fn known(store: &Path, plan: &Arc<Plan>) -> Result<Site, String> {
    if !store.exists() {
        return Err(
            "there is no store yet; `tarewell run` begins one, and needs a day to learn how the flats dry".to_owned()
        );
    }
    let kept = Reader::open(store).and_then(|reader| reader.load()).map_err(|error| error.to_string())?;
    let clock = Clock::start(kept.newest_wall);
    Ok(Site::new(plan.clone(), &keeping::saved(kept), clock.now()))
}

fn table(site: &Site, until: Wall) -> String {
    let zone = site.plan().zone;
    let mut lines = vec![format!("Until {}, at the early end of what is likely:", zone.short(until))];
    for index in 0..site.plan().flats.len() {
        let Some((label, fraction)) = site.glance(index) else { continue };
        let (now, soaked) = site.lasts(index);
        let now = now.map(|now| now.wall);
        let soaked = soaked.map(|soaked| soaked.wall);
        let left = fraction.map(|fraction| format!("{:3.0} %", 100.0 * fraction)).unwrap_or_else(|| "   – ".to_owned());
        lines.push(format!("  {left}  {label}: {}", verdict(zone, until, now, soaked)));
    }
    lines.push(String::new());
    lines.join("\n")
}

fn verdict(zone: Zone, until: Wall, now: Option<Wall>, soaked: Option<Wall>) -> String {
    let lasts = |wall: Option<Wall>| wall.filter(|wall| *wall >= until);
    match (now, soaked) {
        (Some(now), _) if now >= until => "lasts".to_owned(),
        (Some(now), _) if lasts(soaked).is_some() => {
            format!("low from {}; soaked before you go it lasts", zone.short(now))
        }
        (Some(now), Some(soaked)) => format!(
            "low from {}; soaked before you go from {}: somebody has to water it",
            zone.short(now),
            zone.short(soaked)
        ),
        (None, _) if lasts(soaked).is_some() => "not known how much is left; soaked before you go it lasts".to_owned(),
        (None, Some(soaked)) => {
            format!("not known how much is left; soaked before you go low from {}", zone.short(soaked))
        }
        (Some(now), None) => format!("low from {}", zone.short(now)),
        (None, None) => "not known how it dries".to_owned(),
    }
}
