//! `tarewell away --until DATE`: which flats last until then. The running service is asked, where it serves HTTP; else what it has
//! left in the store tells, which is as old as its last word.

use super::file;
use crate::config::{Checked, Web};
use crate::moment::{Span, Wall, Zone};
use crate::service::{Clock, keeping};
use crate::site::{Glance, Plan, Site};
use crate::store::Reader;
use serde_json::Value;
use std::collections::HashMap;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// A service that has not answered by then is not asked any more.
const PATIENCE: Duration = Duration::from_secs(3);
/// So far ahead anything is forecast.
const FURTHEST: Span = Span::days(14);
/// Times of the service are told to the second, and it takes a moment to answer.
const SLACK: Span = Span::minutes(1);

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
        Ok(table) => {
            print!("{table}");
            0
        }
        Err((code, why)) => {
            eprintln!("{why}");
            code
        }
    }
}

fn read(args: &AwayArgs) -> Result<String, (i32, String)> {
    let (path, checked) = file::load(args.config.as_deref()).map_err(|why| (2, why))?;
    let zone = checked.plan.zone;
    let until = crate::web::until(&args.until, zone).map_err(|why| (2, format!("--until: {why}")))?;
    let now = Clock::start(None).now().wall;
    if until <= now {
        return Err((2, format!("--until: {} is over; give the last day nobody comes", args.until)));
    }
    let known = match asked(&checked, until, now) {
        Ok(known) => known,
        Err(not_asked) => {
            let store = crate::service::store_beside(&path, &checked.store);
            left(&store, Arc::new(checked.plan), &not_asked)
                .map_err(|why| (1, format!("{}: {why}", store.display())))?
        }
    };
    Ok(table(&known, Trip { zone, until, now, furthest: known.furthest }))
}

/// What is known of the flats, and by whom.
struct Known {
    flats: Vec<Flat>,
    /// How far ahead anything is known.
    furthest: Wall,
    from: String,
}

/// One flat: what is left in it, and when it falls to low at the earliest, from now and from a soak.
struct Flat {
    label: String,
    fraction: Option<f64>,
    has_band: bool,
    now: Option<Wall>,
    soaked: Option<Wall>,
}

// ---- the running service

/// What the running service says; or why it was not asked, in words.
fn asked(checked: &Checked, until: Wall, now: Wall) -> Result<Known, String> {
    let Web::On { listen, password } = &checked.web else { return Err("`web` is off".to_owned()) };
    let at = reachable(*listen);
    let get = |path: &str| get(&format!("http://{at}{path}"), password.as_ref().map(crate::config::Secret::reveal));
    let until = crate::moment::stamp(until, 0).replace('+', "%2B");
    let both = get(&format!("/api/away?until={until}")).and_then(|away| Some((away, get("/api/site")?)));
    let (away, site) = both.ok_or_else(|| format!("no service answers at http://{at}"))?;
    let flats = flats(&checked.plan, &away, &site);
    if flats.is_empty() && !checked.plan.flats.is_empty() {
        return Err(format!("what answers at http://{at} has none of these flats"));
    }
    let from = format!("asked of the running service at http://{at}");
    Ok(Known { flats, furthest: now + FURTHEST - SLACK, from })
}

fn get(url: &str, password: Option<&str>) -> Option<Value> {
    let agent: ureq::Agent = ureq::Agent::config_builder().timeout_global(Some(PATIENCE)).build().into();
    let mut get = agent.get(url);
    if let Some(password) = password {
        get = get.header("Authorization", crate::web::credentials(password));
    }
    let text = get.call().ok()?.into_body().read_to_string().ok()?;
    serde_json::from_str(&text).ok()
}

/// An address to connect to, for one to listen at.
fn reachable(listen: SocketAddr) -> SocketAddr {
    let ip = match listen.ip() {
        IpAddr::V4(ip) if ip.is_unspecified() => Ipv4Addr::LOCALHOST.into(),
        IpAddr::V6(ip) if ip.is_unspecified() => Ipv6Addr::LOCALHOST.into(),
        ip => ip,
    };
    SocketAddr::new(ip, listen.port())
}

/// The flats of the file that the service told of, in its order.
fn flats(plan: &Plan, away: &Value, site: &Value) -> Vec<Flat> {
    let labels: HashMap<&str, &str> =
        plan.flats.iter().map(|(id, settings)| (id.as_str(), settings.label.as_str())).collect();
    let states = site["flats"].as_array().map(Vec::as_slice).unwrap_or_default();
    let state = |id: &str| states.iter().find(|state| state["flat"] == id);
    let has_band = |state: &Value| state["dry_weight_g"].is_number() && state["capacity_weight_g"].is_number();
    let instant = |value: &Value| value.as_str().and_then(|text| crate::web::until(text, plan.zone).ok());
    let one = |told: &Value| {
        let id = told["flat"].as_str()?;
        Some(Flat {
            label: (*labels.get(id)?).to_owned(),
            fraction: state(id).and_then(|state| state["fraction"].as_f64()),
            has_band: state(id).is_some_and(has_band),
            now: instant(&told["lasts_until"]),
            soaked: instant(&told["lasts_until_from_soak"]),
        })
    };
    away.as_array().map(Vec::as_slice).unwrap_or_default().iter().filter_map(one).collect()
}

// ---- the store

/// What the service has left in the store, carried on to now.
fn left(store: &Path, plan: Arc<Plan>, not_asked: &str) -> Result<Known, String> {
    if !store.exists() {
        return Err(
            "there is no store yet; `tarewell run` begins one, and needs a day to learn how the flats dry".to_owned()
        );
    }
    let kept = Reader::open(store).and_then(|reader| reader.load()).map_err(|error| error.to_string())?;
    let (zone, newest) = (plan.zone, kept.newest_wall);
    let now = Clock::start(newest).now();
    let site = Site::new(plan, &keeping::saved(kept), now);
    let one = |index: usize| {
        let Glance { label, fraction, has_band } = site.glance(index)?;
        let (now, soaked) = site.lasts(index);
        let wall = |moment: Option<crate::moment::Moment>| moment.map(|moment| moment.wall);
        Some(Flat { label: label.to_owned(), fraction, has_band, now: wall(now), soaked: wall(soaked) })
    };
    let as_of = newest.map_or_else(String::new, |newest| format!(", as of {}", dated(zone, newest, now.wall)));
    Ok(Known {
        flats: (0..site.plan().flats.len()).filter_map(one).collect(),
        furthest: site.furthest().wall,
        from: format!("by the store{as_of}; {not_asked}"),
    })
}

// ---- words

fn table(known: &Known, trip: Trip) -> String {
    let Trip { zone, until, now, furthest } = trip;
    let mut lines =
        vec![format!("Until {}, at the early end of what is likely ({}):", dated(zone, until, now), known.from)];
    for flat in &known.flats {
        let left = flat.fraction.map_or_else(|| "   – ".to_owned(), |fraction| format!("{:3.0} %", 100.0 * fraction));
        lines.push(format!("  {left}  {}: {}", flat.label, trip.verdict(flat)));
    }
    if until > furthest {
        lines.push(format!(
            "Forecasts reach 14 days, to {}: beyond that nobody knows, and somebody has to look before.",
            dated(zone, furthest, now)
        ));
    }
    lines.push(String::new());
    lines.join("\n")
}

/// `Sun 8 Mar 00:00`; with its year, where that is another one.
fn dated(zone: Zone, at: Wall, now: Wall) -> String {
    use chrono::Datelike as _;
    let year = zone.date(at).year();
    let year = if year == zone.date(now).year() { String::new() } else { format!(" {year}") };
    let short = zone.short(at);
    let clock = short.split_once(' ').map_or("", |(_, clock)| clock);
    format!("{}{year} {clock}", zone.day(at))
}

/// How long nobody comes, and how far ahead anything is known.
#[derive(Clone, Copy)]
struct Trip {
    zone: Zone,
    until: Wall,
    now: Wall,
    furthest: Wall,
}

impl Trip {
    /// What becomes of a flat.
    fn verdict(&self, flat: &Flat) -> String {
        let (now, soaked) = (flat.now, flat.soaked);
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
            (None, None) if !flat.has_band => {
                "not known: it has no band yet (record-dry, then record-capacity)".to_owned()
            }
            (None, None) if flat.fraction.is_none() => {
                "not known how much is left (weigh it), nor how it dries".to_owned()
            }
            (None, None) => "not known how it dries".to_owned(),
        }
    }

    fn low(&self, at: Wall) -> String {
        let day = dated(self.zone, at, self.now);
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

    const NOW: Wall = Wall::from_millis(1_772_612_098_000);

    #[test]
    fn a_flat_that_outlasts_the_forecast_is_not_said_to_be_low_then() {
        let day = |days: i64| NOW + Span::days(days);
        let trip = |until: i64| Trip { zone: Zone::UTC, until: day(until), now: NOW, furthest: day(14) };
        let flat = |dry: Option<i64>, soaked: Option<i64>| Flat {
            label: "Leek".to_owned(),
            fraction: Some(0.6),
            has_band: true,
            now: dry.map(day),
            soaked: soaked.map(day),
        };
        let told = |until: i64, dry: Option<i64>, soaked: Option<i64>| trip(until).verdict(&flat(dry, soaked));
        assert_eq!(told(10, Some(14), Some(14)), "lasts");
        assert!(
            told(20, Some(14), Some(14)).contains("beyond that nothing is known"),
            "{}",
            told(20, Some(14), Some(14))
        );
        assert!(!told(20, Some(14), Some(14)).contains("low from"));
        let soak = told(20, Some(3), Some(14));
        assert!(soak.starts_with("low from Sat 7 Mar") && soak.contains("beyond that nothing is known"), "{soak}");
        assert!(told(10, Some(3), Some(14)).ends_with("soaked before you go it lasts"));
        assert!(told(10, Some(3), Some(8)).ends_with("somebody has to water it"));
        assert_eq!(told(10, None, None), "not known how it dries");
        let unweighed = Flat { fraction: None, ..flat(None, None) };
        assert!(trip(10).verdict(&unweighed).contains("how much is left (weigh it)"));
        assert!(trip(10).verdict(&Flat { has_band: false, ..unweighed }).contains("no band yet"));
    }

    #[test]
    fn far_days_are_told_with_their_date_and_the_reach_of_forecasts() {
        let known = |furthest| Known { flats: Vec::new(), furthest, from: "by the store".to_owned() };
        let told = |days: i64| {
            let furthest = NOW + FURTHEST;
            table(&known(furthest), Trip { zone: Zone::UTC, until: NOW + Span::days(days), now: NOW, furthest })
        };
        assert!(told(4).starts_with("Until Sun 8 Mar 08:14, at the early end"), "{}", told(4));
        assert!(!told(14).contains("14 days"), "{}", told(14));
        assert!(told(400).starts_with("Until Thu 8 Apr 2027 08:14"), "{}", told(400));
        assert!(told(400).contains("Forecasts reach 14 days, to Wed 18 Mar 08:14"), "{}", told(400));
    }
}
