//! Starting and stopping: the store first, the connection last; and in the other order at the end.

use super::desk::{Desk, Tools};
use super::valves::Links;
use super::{Addresses, Clock, Failure, Stage, keeping, tidy};
use crate::broker::{self, Embedded, Login};
use crate::config::{Broker, Checked, Existing, Web};
use crate::mqtt::{self, Client, Delivery, Outgoing, Subscription, Will};
use crate::notify::{News, Notifier, Sender, Teller};
use crate::site::{Plan, Site};
use crate::store::{Of, Reader, Report, Store, Write, Writer};
use crate::web::{self, Ask, Running};
use crate::wire::{Router, ValveWiring, topic};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::runtime::Runtime;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

/// The store is waited for at the end for so long.
const STORE_WITHIN: Duration = Duration::from_millis(1500);
/// The pages are waited for at the end for so long.
const WEB_WITHIN: Duration = Duration::from_millis(500);
/// Under this id what was told is kept.
const TOLD: &str = "notify";

/// Serves until it is told to stop; by the world's time, unless a stage is given.
pub(super) async fn serve(checked: Checked, file: &Path, stage: Option<Stage>) -> Result<(), Failure> {
    let store_path = beside(file, &checked.store);
    let mut store = Store::open(&store_path)?;
    if store.is_new() {
        tracing::info!("Began a new store, {}", store_path.display());
    }
    let keeping::CarriedOver { renamed, notes } = keeping::carry_over(&mut store, &checked.plan)?;
    for note in notes {
        tracing::warn!("{note}");
    }
    let kept = store.load()?;
    for note in &kept.notes {
        tracing::warn!("Left out of the store: {note}");
    }
    let clock = stage.as_ref().map_or_else(|| Clock::start(kept.newest_wall), |stage| stage.clock.clone());
    let told = told(&kept, &renamed);
    let writer = Arc::new(Writer::start(store, tell_of_store)?);

    let (plan, wiring) = (Arc::new(checked.plan), checked.wiring);
    let history = Reader::open(&store_path).ok();
    let renamed = history.as_ref().and_then(|history| history.events_named("renamed").ok()).unwrap_or_default();
    let mut router = Router::new(&plan, &wiring);
    router.remember(keeping::past(&plan, &kept, &renamed));
    retire_what_is_gone(&plan, &kept, &writer, &clock);
    let mut site = Site::new(plan.clone(), &keeping::saved(kept), clock.now());
    if let Some(built) = clock.not_before() {
        site.built_at(built);
    }
    for note in site.notes() {
        tracing::warn!("{note}");
    }

    // From here on the router knows it all.
    drop(wiring);
    let (address, login, embedded) = start_broker(&checked.broker, &router)?;
    let settings = connection(&checked.broker, address, login, &router, file);
    let (client, inbox) = Client::start(settings.clone())?;
    let links = Links::start(&settings, &plan, &router)?;
    let stop = stage.as_ref().map_or_else(CancellationToken::new, |stage| stage.stop.clone());
    let (ask, asks) = mpsc::channel::<Ask>(64);
    let pages = start_pages(&checked.web, &plan, ask, stop.clone()).await?;
    let notifier = start_notifier(&checked.phones, &plan, &writer, clock.clone(), told, &site);
    let leftovers = tidy::listen(settings, &router)?;

    stop_on_signals(stop.clone(), stage.is_some())?;
    if let Some(Stage { started, .. }) = stage {
        // Whoever waits for it may have given up; then it stops soon.
        let _ = started.send(Addresses { broker: address, web: pages.as_ref().map(|pages| pages.address) });
    }
    let _ = sd_notify::notify(&[sd_notify::NotifyState::Ready]);
    tracing::info!(
        flats = plan.flats.len(),
        stands = plan.stands.len(),
        valves = plan.valves.len(),
        zone = plan.zone.name(),
        "Started {}",
        plan.name
    );

    let tools = Tools { clock, router, client, links, writer: writer.clone(), notifier, history };
    let desk = Desk::new(site, tools);
    let Tools { client, links, notifier, router, .. } = desk.work(inbox, asks, leftovers, stop.clone()).await;

    let _ = sd_notify::notify(&[sd_notify::NotifyState::Stopping]);
    stop.cancel();
    let offline = Outgoing::new(topic::status(router.names()), "offline", Delivery::State { qos1: true });
    links.stop(&router, &client).await;
    client.publish(offline);
    client.stop().await;
    if let Some(pages) = pages {
        pages.stopped(WEB_WITHIN).await;
    }
    notifier.stop().await;
    close(writer).await;
    if let Some((embedded, _host)) = embedded {
        embedded.stop().await;
    }
    tracing::info!("Stopped");
    Ok(())
}

/// Who was told of what.
fn told(kept: &crate::store::Saved, renamed: &[(String, String)]) -> Option<crate::notify::Facts> {
    let fact = kept.facts.iter().find(|fact| fact.of == Of::Site && fact.id == TOLD)?;
    let mut told: crate::notify::Facts = serde_json::from_str(&fact.json).ok()?;
    for (from, to) in renamed {
        told.rename(Of::Flat.name(), from, to);
    }
    Some(told)
}

/// Relative paths start at the configuration's folder, or at the folder that the service manager made for state.
pub(super) fn beside(file: &Path, store: &Path) -> PathBuf {
    let state = std::env::var_os("STATE_DIRECTORY").map(PathBuf::from);
    let folder = state.or_else(|| file.parent().map(Path::to_owned)).unwrap_or_default();
    folder.join(store)
}

fn tell_of_store(report: Report) {
    match report {
        Report::Failing(why) => tracing::error!(%why, "Cannot write the store; what it should keep waits in memory"),
        Report::Recovered => tracing::info!("Wrote the store again; nothing that waited is lost"),
        Report::Refused(why) => tracing::error!(%why, "Dropped what can never be written to the store"),
        Report::Lost { weights, events } => {
            tracing::error!(weights, events, "Dropped the oldest of what waits for the store: too much waits");
        }
    }
}

/// What the configuration no longer has is retired: its history is kept, its alerts are forgotten.
fn retire_what_is_gone(plan: &Plan, kept: &crate::store::Saved, writer: &Writer, clock: &Clock) {
    let known = |of: Of, id: &str| match of {
        Of::Flat => plan.flats.iter().any(|(flat, _)| flat == id),
        Of::Stand => plan.stands.iter().any(|(stand, _)| stand == id),
        Of::Valve => plan.valves.iter().any(|valve| valve.id == id),
        Of::Supply => plan.supplies.iter().any(|supply| supply.id == id),
        Of::Site => true,
    };
    let wall = clock.now().wall;
    let of_facts = kept.facts.iter().filter(|fact| fact.retired.is_none()).map(|fact| (fact.of, fact.id.clone()));
    let of_alerts = kept.alerts.iter().map(|alert| (alert.of, alert.id.clone()));
    let gone: Vec<Write> = of_facts
        .chain(of_alerts)
        .filter(|(of, id)| !known(*of, id))
        .map(|(of, id)| Write::Retire { of, id, wall })
        .collect();
    writer.send(gone);
}

/// The runtime of the embedded broker. It is dropped on the service's own, where waiting for its end is not allowed.
struct Host(Option<Runtime>);

impl Drop for Host {
    fn drop(&mut self) {
        if let Some(runtime) = self.0.take() {
            runtime.shutdown_background();
        }
    }
}

/// Starts the embedded broker, if that is the one to use; where to connect, as whom.
#[expect(clippy::type_complexity, reason = "taken apart at once")]
fn start_broker(
    broker: &Broker,
    router: &Router,
) -> Result<(Option<SocketAddr>, Option<Login>, Option<(Embedded, Host)>), Failure> {
    let Broker::Embedded(embedded) = broker else { return Ok((None, None, None)) };
    let settings = broker::Settings {
        listen: embedded.listen,
        users: embedded
            .users
            .iter()
            .map(|user| broker::User {
                name: user.name.clone(),
                password: user.password.reveal().to_owned(),
                commands: user.commands,
            })
            .collect(),
        base: router.names().base().to_owned(),
        valve_topics: router.valves().iter().flat_map(ValveWiring::order_topics).map(str::to_owned).collect(),
    };
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .thread_name("broker")
        .enable_all()
        .build()
        .map_err(|error| Failure::Runtime(error.to_string()))?;
    let (sent, started) = std::sync::mpsc::channel();
    runtime.spawn(async move {
        // The receiver waits; it is gone only with the program.
        let _ = sent.send(Embedded::start(settings).await);
    });
    let host = Host(Some(runtime));
    let started = started.recv().map_err(|error| Failure::Runtime(error.to_string()))??;
    let address = started.addr();
    tracing::info!(%address, "Started the embedded broker");
    if address.ip().is_loopback() {
        tracing::info!(
            "No stand on the network can reach it. To change that, write in the configuration, with a password of your own:\n  \
             broker: {{embedded: {{listen: 0.0.0.0:1883, users: {{stand: \"${{STAND_PASSWORD}}\"}}}}}}\n\
             or name a broker that is there already:\n  broker: {{url: mqtt://ADDRESS:1883}}"
        );
    }
    Ok((Some(address), started.own_login().cloned(), Some((started, host))))
}

fn connection(
    broker: &Broker,
    embedded: Option<SocketAddr>,
    login: Option<Login>,
    router: &Router,
    file: &Path,
) -> mqtt::Settings {
    let base = router.names().base().to_owned();
    let (host, port) = match (broker, embedded) {
        (Broker::Existing(existing), _) => (existing.host.clone(), existing.port),
        (Broker::Embedded(_), Some(address)) => (reachable(address).ip().to_string(), address.port()),
        (Broker::Embedded(embedded), None) => (embedded.listen.ip().to_string(), embedded.listen.port()),
    };
    let mut settings = mqtt::Settings::new(host, port, base);
    if let Some(Login { name, password }) = login {
        settings.username = Some(name);
        settings.password = Some(password);
    }
    if let Broker::Existing(existing) = broker {
        log_in(&mut settings, existing, file.parent().unwrap_or(Path::new("")));
    }
    settings.will =
        Some(Will { topic: topic::status(router.names()), payload: b"offline".to_vec(), retain: true, qos1: true });
    settings.subscriptions = router
        .subscriptions()
        .into_iter()
        .map(|subscription| Subscription {
            filter: subscription.filter,
            // Readings too: at QoS 0 a broker may drop them silently in a burst.
            qos1: true,
            retain_as_published: subscription.retain_as_published,
            no_local: false,
        })
        .collect();
    settings
}

/// An address to connect to, for one to listen at.
fn reachable(address: SocketAddr) -> SocketAddr {
    match address {
        SocketAddr::V4(v4) if v4.ip().is_unspecified() => SocketAddr::from(([127, 0, 0, 1], v4.port())),
        SocketAddr::V6(v6) if v6.ip().is_unspecified() => SocketAddr::from((std::net::Ipv6Addr::LOCALHOST, v6.port())),
        address => address,
    }
}

fn log_in(settings: &mut mqtt::Settings, existing: &Existing, folder: &Path) {
    settings.username.clone_from(&existing.username);
    settings.password = existing.password.as_ref().map(|password| password.reveal().to_owned());
    let path = |path: &Option<PathBuf>| path.as_ref().map(|path| folder.join(path));
    settings.tls = existing.tls.then(|| mqtt::Tls {
        ca_file: path(&existing.ca_file),
        client_cert_file: path(&existing.client_cert_file),
        client_key_file: path(&existing.client_key_file),
    });
}

async fn start_pages(
    web: &Web,
    plan: &Plan,
    ask: mpsc::Sender<Ask>,
    stop: CancellationToken,
) -> Result<Option<Running>, Failure> {
    let Web::On { listen, password } = web else { return Ok(None) };
    let settings = web::Settings { listen: *listen, password: password.clone(), zone: plan.zone };
    let running = web::serve(settings, ask, stop).await?;
    tracing::info!(address = %running.address, "Serving HTTP");
    Ok(Some(running))
}

fn start_notifier(
    phones: &[crate::config::Phone],
    plan: &Plan,
    writer: &Arc<Writer>,
    clock: Clock,
    told: Option<crate::notify::Facts>,
    site: &Site,
) -> Notifier {
    let now = clock.now();
    let mut teller = Teller::new(phones.to_vec(), plan.zone);
    if let Some(facts) = told {
        teller.restore(facts, now);
    }
    let raised: Vec<_> = site.raised_messages().collect();
    for message in &raised {
        teller.heard(message, site.id(message.subject), now);
    }
    teller.keep_only(|kind, of, id| {
        raised
            .iter()
            .any(|message| message.kind == kind && message.subject.of() == of && site.id(message.subject) == id)
    });
    let (writer, kept_by) = (writer.clone(), clock.clone());
    let keep = move |facts| {
        if let Ok(json) = serde_json::to_string(&facts) {
            writer.send(vec![Write::Fact { of: Of::Site, id: TOLD.to_owned(), json, wall: kept_by.now().wall }]);
        }
    };
    let notifier = Notifier::start(teller, Sender::default(), move || clock.now(), keep);
    notifier.say(News::Turned);
    notifier
}

/// A demo ends with its terminal too; a service that was started with `nohup` must not.
fn stop_on_signals(stop: CancellationToken, with_terminal: bool) -> Result<(), Failure> {
    let hear = |kind| signal(kind).map_err(|error| Failure::Runtime(error.to_string()));
    let (mut terminate, mut interrupt) = (hear(SignalKind::terminate())?, hear(SignalKind::interrupt())?);
    let mut hangup = with_terminal.then(|| hear(SignalKind::hangup())).transpose()?;
    let hung_up = async move {
        match &mut hangup {
            Some(hangup) => hangup.recv().await,
            None => std::future::pending().await,
        }
    };
    tokio::spawn(async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
            _ = hung_up => {}
        }
        tracing::info!("Stopping");
        stop.cancel();
    });
    Ok(())
}

/// By now nobody else holds the writer but the notifier's end, which is over.
async fn close(writer: Arc<Writer>) {
    let closed = tokio::task::spawn_blocking(move || match Arc::try_unwrap(writer) {
        Ok(writer) => writer.close(STORE_WITHIN),
        Err(shared) => {
            let last = shared.send(Vec::new());
            shared.wait(last, STORE_WITHIN)
        }
    });
    if !closed.await.unwrap_or(false) {
        tracing::error!("Could not write all that the store should keep before the end");
    }
}
