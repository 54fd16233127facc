//! Starting and stopping it.

use super::access::Access;
use mqtt5::broker::config::{StorageBackend, StorageConfig};
use mqtt5::broker::{BrokerConfig, BrokerShutdownHandle, MqttBroker};
use std::fmt;
use std::hash::{BuildHasher, RandomState};
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::task::JoinHandle;

/// How long the broker may take to close its connections.
const STOP_WITHIN: Duration = Duration::from_secs(2);

/// Somebody who may log in.
#[derive(Clone)]
pub struct User {
    /// The login name.
    pub name: String,
    /// The password, in plain.
    pub password: String,
    /// Whether it may write under the base and to the valves' topics.
    pub commands: bool,
}

impl fmt::Debug for User {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("User").field("name", &self.name).field("commands", &self.commands).finish_non_exhaustive()
    }
}

/// A name and a password.
#[derive(Clone, PartialEq, Eq)]
pub struct Login {
    /// The name.
    pub name: String,
    /// The password, in plain.
    pub password: String,
}

impl fmt::Debug for Login {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Login").field("name", &self.name).finish_non_exhaustive()
    }
}

/// What the embedded broker is to be.
#[derive(Debug, Clone)]
pub struct Settings {
    /// Where it listens; port 0 takes any that is free.
    pub listen: SocketAddr,
    /// Who may log in. Nobody: anybody on this machine may, without a login.
    pub users: Vec<User>,
    /// The base topic; nobody without `commands` writes there. Also the program's own client id.
    pub base: String,
    /// The topics that order a valve; nobody without `commands` writes there.
    pub valve_topics: Vec<String>,
}

/// Why the embedded broker did not start.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum StartError {
    /// Something else has the port.
    Taken(SocketAddr),
    /// It would be open to the network without a password.
    NoUsers(SocketAddr),
    /// A login that cannot be used, and why.
    BadUser(String, &'static str),
    /// The system or the broker refused.
    Failed(SocketAddr, String),
}

impl fmt::Display for StartError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Taken(at) => write!(
                f,
                "cannot start the embedded broker: something already listens on {at}; if that is a broker, set \
                 broker.url: mqtt://{at} to use it, else give the embedded one another port (broker.embedded.listen)"
            ),
            Self::NoUsers(at) => write!(
                f,
                "the embedded broker would let anybody on the network write weights and commands on {at}; \
                 give it logins (broker.embedded.users) or let it listen on 127.0.0.1"
            ),
            Self::BadUser(name, why) => write!(f, "broker.embedded.users: {name:?} {why}"),
            Self::Failed(at, why) => write!(f, "cannot start the embedded broker on {at}: {why}"),
        }
    }
}

impl std::error::Error for StartError {}

/// A running embedded broker; dropped, it stops without waiting.
pub struct Embedded {
    stop: BrokerShutdownHandle,
    task: JoinHandle<mqtt5::Result<()>>,
    addr: SocketAddr,
    own_login: Option<Login>,
}

impl Embedded {
    /// Starts it; when this returns, it takes connections.
    ///
    /// # Errors
    /// When the port is taken or not allowed, or when the logins would leave it open.
    pub async fn start(settings: Settings) -> Result<Self, StartError> {
        let listen = settings.listen;
        check(&settings)?;
        let failed = |why: String| StartError::Failed(listen, why);

        let mut broker = MqttBroker::with_config(config(listen)).await.map_err(|e| bind_error(listen, &e))?;
        let own_login = (!settings.users.is_empty()).then(one_time_login);
        if let Some(own) = &own_login {
            let access = Access::new(own.clone(), settings.users, settings.base, settings.valve_topics);
            broker = broker.with_auth_provider(Arc::new(access));
        }
        let addr = broker.local_addr().ok_or_else(|| failed("it has no address".into()))?;
        let stop = broker.shutdown_handle();
        let mut ready = broker.ready_receiver();
        let task = tokio::spawn(async move { broker.run().await });
        let embedded = Self { stop, task, addr, own_login };
        match ready.wait_for(|ready| *ready).await {
            Ok(_) => Ok(embedded),
            Err(_) => Err(failed("it ended at once".into())),
        }
    }

    /// Where it listens.
    #[must_use]
    pub const fn addr(&self) -> SocketAddr {
        self.addr
    }

    /// The login that the program itself must use, when logins are asked for: made at start, known to nobody else.
    #[must_use]
    pub const fn own_login(&self) -> Option<&Login> {
        self.own_login.as_ref()
    }

    /// Closes all connections and the port. Stop the program's own clients first: this broker closes without a word.
    pub async fn stop(mut self) {
        self.stop.shutdown();
        if tokio::time::timeout(STOP_WITHIN, &mut self.task).await.is_err() {
            self.task.abort();
        }
    }
}

impl fmt::Debug for Embedded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Embedded").field("addr", &self.addr).finish_non_exhaustive()
    }
}

impl Drop for Embedded {
    fn drop(&mut self) {
        self.stop.shutdown();
    }
}

fn check(settings: &Settings) -> Result<(), StartError> {
    if settings.users.is_empty() && !settings.listen.ip().is_loopback() {
        return Err(StartError::NoUsers(settings.listen));
    }
    let mut seen = std::collections::HashSet::new();
    for user in &settings.users {
        let why = match (user.name.is_empty(), user.password.is_empty(), seen.insert(&user.name)) {
            (true, ..) => "is no name to log in with",
            (_, true, _) => "has an empty password",
            (_, _, false) => "is there twice",
            _ => continue,
        };
        return Err(StartError::BadUser(user.name.clone(), why));
    }
    Ok(())
}

fn config(listen: SocketAddr) -> BrokerConfig {
    BrokerConfig {
        bind_addresses: vec![listen],
        max_clients: 2_000,
        max_packet_size: crate::mqtt::LARGEST_PACKET as usize,
        max_retained_message_size: crate::mqtt::LARGEST_PACKET as usize,
        // Beyond it messages of QoS 0 for a slow subscriber are lost without a word.
        client_channel_capacity: 100_000,
        max_retained_messages: 100_000,
        max_subscriptions_per_client: 50_000,
        topic_alias_maximum: 0,
        sys_topics_enabled: false,
        // The default writes one file per retained topic into the working directory.
        storage_config: StorageConfig::new().with_backend(StorageBackend::Memory),
        ..BrokerConfig::default()
    }
}

/// The library tells a taken port in words only; a second try to bind tells it apart.
fn bind_error(listen: SocketAddr, error: &mqtt5::MqttError) -> StartError {
    match std::net::TcpListener::bind(listen) {
        Err(e) if e.kind() == std::io::ErrorKind::AddrInUse => StartError::Taken(listen),
        Err(e) => StartError::Failed(listen, e.to_string()),
        Ok(_) => StartError::Failed(listen, error.to_string()),
    }
}

/// A login nobody can guess: 256 bits out of the standard library's randomly keyed hash, whose keys come from the
/// system. Its name is random too, so that no configured user can have the same.
fn one_time_login() -> Login {
    let word = || RandomState::new().hash_one("tarewell");
    let keys = [word(), word(), RandomState::new().hash_one(word()), RandomState::new().hash_one(word())];
    let password = keys.map(|key| format!("{key:016x}")).concat();
    Login { name: format!("tarewell-{:016x}", word()), password }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings(listen: &str, users: Vec<User>) -> Settings {
        let listen = listen.parse().unwrap();
        Settings { listen, users, base: "tarewell".into(), valve_topics: vec![] }
    }

    fn user(name: &str, password: &str) -> User {
        User { name: name.into(), password: password.into(), commands: false }
    }

    #[test]
    fn the_network_needs_logins() {
        let open = check(&settings("0.0.0.0:1883", vec![])).unwrap_err();
        assert!(open.to_string().contains("broker.embedded.users"), "{open}");
        assert!(check(&settings("[::]:1883", vec![])).is_err());
        assert!(check(&settings("127.0.0.1:1883", vec![])).is_ok());
        assert!(check(&settings("0.0.0.0:1883", vec![user("stand", "s3")])).is_ok());
    }

    #[test]
    fn logins_that_guard_nothing_are_refused() {
        for users in [vec![user("", "s3")], vec![user("stand", "")], vec![user("stand", "a"), user("stand", "b")]] {
            assert!(check(&settings("127.0.0.1:0", users.clone())).is_err(), "{users:?}");
        }
    }

    #[test]
    fn own_logins_differ_and_do_not_show() {
        let (a, b) = (one_time_login(), one_time_login());
        assert_ne!(a.name, b.name);
        assert_ne!(a.password, b.password);
        assert_eq!(a.password.len(), 64);
        assert!(!format!("{a:?}").contains(&a.password));
        assert!(!format!("{:?}", user("stand", "s3cret")).contains("s3cret"));
    }

    #[tokio::test]
    async fn a_taken_port_is_told_and_a_stopped_one_is_free() {
        let first = Embedded::start(settings("127.0.0.1:0", vec![])).await.unwrap();
        let at = first.addr();
        let second = Embedded::start(settings(&at.to_string(), vec![])).await.unwrap_err();
        assert_eq!(second, StartError::Taken(at));
        assert!(second.to_string().contains("something already listens on"), "{second}");
        first.stop().await;
        let third = Embedded::start(settings(&at.to_string(), vec![])).await.unwrap();
        assert!(third.own_login().is_none());
        third.stop().await;
    }
}
