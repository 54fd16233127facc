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
    let (site, now) = known(&store, &plan).map_err(|why| (1, format!("{}: {why}", store.display())))?;
    if until <= now {
        let told = format!("--until: {} is over; give the last day nobody comes", args.until);
        return Err((2, told));
    }
    Ok((site, until))
}

/// The site as the store knows it, now; and when that is.
fn known(store: &Path, plan: &Arc<Plan>) -> Result<(Site, Wall), String> {
    if !store.exists() {
        return Err(
            "there is no store yet; `tarewell run` begins one, and needs a day to learn how the flats dry".to_owned()
        );
    }
    let kept = Reader::open(store).and_then(|reader| reader.load()).map_err(|error| error.to_string())?;
    let now = Clock::start(kept.newest_wall).now();
    Ok((Site::new(plan.clone(), &keeping::saved(kept), now), now.wall))
}

fn table(site: &Site, until: Wall) -> String {
    let zone = site.plan().zone;
    let trip = Trip { zone, until, furthest: site.furthest().wall };
    let mut lines = vec![format!("Until {}, at the early end of what is likely:", zone.short(until))];
    for index in 0..site.plan().flats.len() {
        let Some((label, fraction)) = site.glance(index) else { continue };
        let (now, soaked) = site.lasts(index);
        let left = fraction.map(|fraction| format!("{:3.0} %", 100.0 * fraction)).unwrap_or_else(|| "   – ".to_owned());
        let verdict = trip.verdict(now.map(|now| now.wall), soaked.map(|soaked| soaked.wall));
        lines.push(format!("  {left}  {label}: {verdict}"));
    }
    lines.push(String::new());
    lines.join("\n")
}

/// How long nobody comes, and how far ahead anything is known.
struct Trip {
    zone: Zone,
    until: Wall,
    furthest: Wall,
}

impl Trip {
    /// What becomes of a flat that falls to low `now` and `soaked` at the earliest.
    fn verdict(&self, now: Option<Wall>, soaked: Option<Wall>) -> String {
        let is_there = |wall: &Wall| *wall >= self.until;
        match (now, soaked) {
            (Some(now), _) if is_there(&now) => "lasts".to_owned(),
            (Some(now), _) if now >= self.furthest => format!("{}; somebody has to look then", self.low(now)),
            (Some(now), Some(soaked)) if is_there(&soaked) => {
                format!("{}; soaked before you go it lasts", self.low(now))
            }
            (Some(now), Some(soaked)) => {
                format!("{}; soaked before you go {}: somebody has to water it", self.low(now), self.low(soaked))
            }
            (None, Some(soaked)) if is_there(&soaked) => {
                "not known how much is left; soaked before you go it lasts".to_owned()
            }
            (None, Some(soaked)) => {
                format!("not known how much is left; soaked before you go {}", self.low(soaked))
            }
            (Some(now), None) => self.low(now),
            (None, None) => "not known how it dries".to_owned(),
        }
    }

    fn low(&self, at: Wall) -> String {
        let day = self.zone.short(at);
        if at < self.furthest {
            format!("low from {day}")
        } else {
            format!("lasts until {day}, beyond that nothing is known")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::Span;

    #[test]
    fn a_flat_that_outlasts_the_forecast_is_not_said_to_be_low_then() {
        let now = Wall::from_millis(1_772_612_098_000);
        let day = |days: i64| now + Span::days(days);
        let trip = |until: i64| Trip { zone: Zone::UTC, until: day(until), furthest: day(14) };
        let told =
            |until: i64, dry: Option<i64>, soaked: Option<i64>| trip(until).verdict(dry.map(day), soaked.map(day));
        assert_eq!(told(10, Some(14), Some(14)), "lasts");
        assert!(
            told(20, Some(14), Some(14)).contains("beyond that nothing is known"),
            "{}",
            told(20, Some(14), Some(14))
        );
        assert!(!told(20, Some(14), Some(14)).contains("low from"));
        let soak = told(20, Some(3), Some(14));
        assert!(soak.starts_with("low from") && soak.contains("beyond that nothing is known"), "{soak}");
        assert!(told(10, Some(3), Some(14)).ends_with("soaked before you go it lasts"));
        assert!(told(10, Some(3), Some(8)).ends_with("somebody has to water it"));
        assert_eq!(told(10, None, None), "not known how it dries");
    }
}
