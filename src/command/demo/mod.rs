//! `tarewell demo`: a made-up house, weeks of it in minutes, through the real service and real MQTT.
//!
//! The house of [`crate::sim`] publishes as devices do, on the embedded broker; the service hears it as it would hear any
//! stand, by a clock that runs faster; and what is shown is what any MQTT client sees. A grower in the house does what
//! tarewell advises.

mod grower;
mod play;
mod scene;
mod view;

use crate::config::{self, Checked, Surroundings};
use crate::moment::Span;
use crate::service::{self, Clock, Stage};
use crate::sim::{House, Message, SimTime};
use clap::Args;
use play::Player;
use scene::{Scene, Seat};
use std::fmt::Write as _;
use std::net::{SocketAddr, TcpListener};
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// A day passes in three minutes.
const SPEED: f64 = 480.0;
/// Beyond this a reading each 30 s becomes hundreds a second from every stand.
const FASTEST: f64 = 5000.0;
/// Where a user would look first.
const BROKER: SocketAddr = SocketAddr::V4(std::net::SocketAddrV4::new(std::net::Ipv4Addr::LOCALHOST, 1883));
const WEB: SocketAddr = SocketAddr::V4(std::net::SocketAddrV4::new(std::net::Ipv4Addr::LOCALHOST, 8470));

/// What `tarewell demo` is given.
#[derive(Debug, Clone, Args)]
pub struct DemoArgs {
    /// How many times as fast as the world; 480 is a day in three minutes
    #[arg(long, value_name = "N", default_value_t = SPEED, value_parser = speed)]
    pub speed: f64,
    /// The same number gives the same house
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// End after so long, such as 90s or 2min; without it Ctrl-C does
    #[arg(long = "for", value_name = "TIME", value_parser = length)]
    pub lasts: Option<Duration>,
}

fn speed(text: &str) -> Result<f64, String> {
    let speed: f64 = text.parse().map_err(|_| "a number, such as 480".to_owned())?;
    if (1.0..=FASTEST).contains(&speed) { Ok(speed) } else { Err(format!("from 1 to {FASTEST}")) }
}

fn length(text: &str) -> Result<Duration, String> {
    let span: Span = crate::units::parse_span(text).map_err(|error| error.to_string())?;
    if span > Span::ZERO { Ok(Duration::from_secs_f64(span.as_seconds())) } else { Err("above 0".to_owned()) }
}

/// Plays the house; the exit code.
#[must_use]
pub fn run(args: &DemoArgs) -> i32 {
    match play(args) {
        Ok(()) => 0,
        Err(why) => {
            eprintln!("tarewell demo: {why}");
            1
        }
    }
}

fn play(args: &DemoArgs) -> Result<(), String> {
    if std::env::var_os("RUST_LOG").is_some() {
        super::run::log_to_standard_error();
    }
    // Another demo may take the port between the asking and the taking.
    let first = play_at(args, free(BROKER), free(WEB));
    let any = |address: SocketAddr| free(SocketAddr::new(address.ip(), 0));
    match first {
        Err(Trouble::Taken(_)) => play_at(args, any(BROKER), any(WEB)),
        played => played,
    }
    .map_err(|trouble| match trouble {
        Trouble::Taken(why) | Trouble::Other(why) => why,
    })
}

/// Why a demo ended before its time.
enum Trouble {
    /// Something else listens where it wanted to.
    Taken(String),
    Other(String),
}

impl From<String> for Trouble {
    fn from(why: String) -> Self {
        Self::Other(why)
    }
}

fn play_at(args: &DemoArgs, broker: SocketAddr, web: SocketAddr) -> Result<(), Trouble> {
    // Gone with everything in it when this function ends.
    let folder = tempfile::Builder::new().prefix("tarewell-demo-").tempdir().map_err(|error| error.to_string())?;
    let store = folder.path().join("demo.db");
    let scene = Scene::new();
    let checked = check(&scene.configuration(broker, web, &store))?;

    let mut house = House::new(scene.house(), args.seed, scene::WEIGHED_FROM);
    let plan = Arc::new(checked.plan.clone());
    super::recorded::into_store(&plan, &checked.wiring, recording(&mut house, &scene, &plan).as_bytes(), &store)?;

    let clock = Clock::faster(scene::wall(scene::BEGINS), args.speed);
    // Until the house and its valves are heard, which takes a second of the world's, hardly any time passes in it.
    clock.set_pace(args.speed.min(1.0));
    let stop = CancellationToken::new();
    let (started, starting) = mpsc::channel();
    let player = Player {
        scene,
        house,
        clock: clock.clone(),
        zone: plan.zone,
        lasts: args.lasts,
        speed: args.speed,
        stop: stop.clone(),
    };
    let over = stop.clone();
    let playing = std::thread::spawn(move || {
        // However the house ends, the service must not go on alone.
        let _over = over.drop_guard();
        starting.recv().map(|addresses| player.play(addresses))
    });
    let served = service::run_on(Stage { clock, stop: stop.clone(), started }, checked, folder.path());
    stop.cancel();
    let played = playing.join().map_err(|_| "the house fell in".to_owned())?;
    served.map_err(|failure| match failure.is_taken() {
        true => Trouble::Taken(failure.to_string()),
        false => Trouble::Other(failure.to_string()),
    })?;
    Ok(played.map_err(|_| "the service did not start".to_owned())??)
}

fn check(yaml: &str) -> Result<Checked, String> {
    let none = |_: &str| None;
    let no_file = |path: &Path| Err(format!("{} is not read in a demo", path.display()));
    let around = Surroundings { environment: &none, read_file: &no_file, machine_zone: None };
    config::read(yaml.as_bytes(), "the demo's configuration", &around).map_err(|problems| problems.to_string())
}

/// This address, or one with a port that is free, if that one is taken.
fn free(wished: SocketAddr) -> SocketAddr {
    let bound = TcpListener::bind(wished).or_else(|_| TcpListener::bind((wished.ip(), 0)));
    bound.and_then(|listener| listener.local_addr()).unwrap_or(wished)
}

/// What the devices have published before anybody watches, as MQTT clients print it.
fn recording(house: &mut House, scene: &Scene, plan: &crate::site::Plan) -> String {
    let mut lines = String::new();
    house.advance(scene::BEGINS);
    while let Some(sent) = house.poll() {
        let Message::Reading { stand, value, .. } = sent.message else { continue };
        let Some((topic, payload)) = scene.published(stand, value) else { continue };
        let payload = serde_json::Value::String(payload);
        let stamp = plan.zone.stamp(scene::wall(sent.at));
        let _ = writeln!(lines, r#"{{"tst":"{stamp}","topic":"{topic}","payload":{payload},"retain":0}}"#);
    }
    // What has no stand of its own was weighed on the kitchen scale this morning.
    let stamp = plan.zone.stamp(scene::wall(scene::BEGINS));
    for (place, berth) in scene.berths.iter().enumerate() {
        let by_hand = berth.seat != Seat::Stand;
        let Some(truth) = house.truth(place).filter(|_| by_hand) else { continue };
        let payload = serde_json::json!({"command": "weigh", "weight_g": truth.weight.round()});
        let topic = format!("tarewell/flats/{}/command", berth.id);
        let _ = writeln!(lines, r#"{{"tst":"{stamp}","topic":"{topic}","payload":{payload},"retain":0}}"#);
    }
    lines
}

/// How far it is from one moment of the house to another, for people: `4 h`, `2 d`.
fn apart(from: SimTime, to: SimTime) -> String {
    let minutes = to.since(from).millis() / 60_000;
    match minutes {
        ..=99 => format!("{minutes} min"),
        100..=2879 => format!("{} h", (minutes + 30) / 60),
        _ => format!("{} d", (minutes + 720) / 1440),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::Router;

    #[test]
    fn the_configuration_of_the_house_is_good_and_its_words_are_understood() {
        let scene = Scene::new();
        let checked = check(&scene.configuration(BROKER, WEB, Path::new("demo.db"))).unwrap();
        assert!(checked.plan.flats.len() >= 8 && checked.plan.valves.len() >= 2);
        let router = Router::new(&checked.plan, &checked.wiring);
        for berth in scene.stands() {
            let mut heard = Vec::new();
            let payload = berth.payload(if berth.says == scene::Says::Counts { 900_000.0 } else { 3412.3 });
            router.message(&berth.topic(), payload.as_bytes(), false, None, |input| heard.push(input));
            assert_eq!(heard.len(), 1, "{}: {payload}", berth.id);
        }
    }

    #[test]
    fn the_same_seed_gives_the_same_house() {
        let scene = Scene::new();
        let plan = check(&scene.configuration(BROKER, WEB, Path::new("demo.db"))).unwrap().plan;
        let first_day = |seed| {
            let mut house = House::new(scene.house(), seed, SimTime::at(2, 8, 0));
            recording(&mut house, &scene, &plan)
        };
        assert_eq!(first_day(3), first_day(3));
        assert_ne!(first_day(3), first_day(4));
    }
}
