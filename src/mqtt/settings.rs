//! Where to connect, as whom, and what to hear.

use super::topic::{is_filter, is_topic};
use std::fmt;
use std::path::PathBuf;
use std::time::Duration;

/// The largest packet taken in, in bytes; the broker is told, and holds larger ones back.
pub const LARGEST_PACKET: u32 = 256 * 1024;

/// The library panics below five seconds, and the protocol ends at 65,535.
const KEEP_ALIVE: std::ops::RangeInclusive<u64> = 5..=65_535;

/// Everything a connection needs to know.
#[derive(Clone)]
pub struct Settings {
    /// Name or address of the broker.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// The client id; a second client of the same id at the same broker pushes this one off.
    pub client_id: String,
    /// Login name.
    pub username: Option<String>,
    /// Password; shown nowhere.
    pub password: Option<String>,
    /// TLS, if wanted. Needs the feature `tls`.
    pub tls: Option<Tls>,
    /// What the broker publishes when this client vanishes.
    pub will: Option<Will>,
    /// At most so long without a sign of life; from 5 s to 65,535 s, whole seconds.
    pub keep_alive: Duration,
    /// What to hear. Sent again on each connect.
    pub subscriptions: Vec<Subscription>,
    /// Pauses and patience.
    pub timing: Timing,
}

impl fmt::Debug for Settings {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Settings")
            .field("host", &self.host)
            .field("port", &self.port)
            .field("client_id", &self.client_id)
            .field("username", &self.username)
            .field("tls", &self.tls)
            .field("will", &self.will)
            .field("keep_alive", &self.keep_alive)
            .field("subscriptions", &self.subscriptions)
            .field("timing", &self.timing)
            .finish_non_exhaustive()
    }
}

/// One topic filter to hear.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Subscription {
    /// The filter; wildcards allowed.
    pub filter: String,
    /// Delivered at least once; else at most once, and a broker may then drop messages under load.
    pub qos1: bool,
    /// Keep the RETAIN flag as the publisher set it; else it marks only what was retained before the subscription.
    pub retain_as_published: bool,
    /// What this client itself publishes there does not come back (MQTT 5.0, section 3.8.3.1).
    pub no_local: bool,
}

/// The Last Will.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Will {
    /// Where.
    pub topic: String,
    /// What.
    pub payload: Vec<u8>,
    /// Kept by the broker.
    pub retain: bool,
    /// Delivered at least once.
    pub qos1: bool,
}

/// TLS to the broker. The files are PEM, read when the client starts.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Tls {
    /// Authorities to trust; without it those of the system.
    pub ca_file: Option<PathBuf>,
    /// Our own certificate; needs the key and `ca_file`.
    pub client_cert_file: Option<PathBuf>,
    /// The key of our own certificate.
    pub client_key_file: Option<PathBuf>,
}

/// Pauses and patience. The defaults are right for use; tests shorten them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timing {
    /// Pause after the first failure.
    pub first_pause: Duration,
    /// Pauses double up to this.
    pub longest_pause: Duration,
    /// A connection that stood so long starts the pauses anew; one that is thrown out again at once does not.
    pub settled_after: Duration,
    /// How long to stay away after another client took the session.
    pub stay_away: Duration,
    /// Longest silence of the library; default twice the keep-alive plus 5 s.
    pub watchdog: Option<Duration>,
}

impl Default for Timing {
    fn default() -> Self {
        Self {
            first_pause: Duration::from_millis(250),
            longest_pause: Duration::from_secs(30),
            settled_after: Duration::from_secs(10),
            stay_away: Duration::from_secs(60),
            watchdog: None,
        }
    }
}

/// Settings that cannot work.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SettingsError {
    /// No host.
    NoHost,
    /// An empty client id, or one longer than the protocol takes.
    ClientId,
    /// A keep-alive out of range.
    KeepAlive(Duration),
    /// A filter nobody can subscribe to.
    Filter(String),
    /// A will for a topic nobody can publish to.
    WillTopic(String),
    /// `mqtts://` in a program built without TLS.
    TlsNotBuiltIn,
    /// A file for TLS that cannot be used, and why.
    TlsFile(PathBuf, String),
    /// TLS settings that do not go together, and why.
    Tls(&'static str),
    /// The system gives no thread to run on.
    System(String),
}

impl fmt::Display for SettingsError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoHost => write!(f, "broker.url names no host"),
            Self::ClientId => write!(f, "the client id must have 1 to 65,535 bytes"),
            Self::KeepAlive(is) => {
                write!(f, "a keep-alive of {is:?} is out of range; it must be 5 s to 65,535 s")
            }
            Self::Filter(filter) => write!(f, "{filter:?} is no topic filter; `+` and `#` stand alone in their level"),
            Self::WillTopic(topic) => write!(f, "{topic:?} is no topic to publish the Last Will on"),
            Self::TlsNotBuiltIn => write!(
                f,
                "broker.url says mqtts://, but this program was built without TLS; build it with \
                 `--features tls`, or use mqtt:// on a network you trust"
            ),
            Self::TlsFile(path, why) => write!(f, "cannot use {}: {why}", path.display()),
            Self::Tls(why) => f.write_str(why),
            Self::System(why) => write!(f, "cannot start the MQTT client: {why}"),
        }
    }
}

impl std::error::Error for SettingsError {}

impl Settings {
    /// Settings for a broker without login, TLS, will or subscriptions; keep-alive 10 s.
    #[must_use]
    pub fn new(host: impl Into<String>, port: u16, client_id: impl Into<String>) -> Self {
        Self {
            host: host.into(),
            port,
            client_id: client_id.into(),
            username: None,
            password: None,
            tls: None,
            will: None,
            keep_alive: Duration::from_secs(10),
            subscriptions: Vec::new(),
            timing: Timing::default(),
        }
    }

    pub(super) fn check(&self) -> Result<(), SettingsError> {
        if self.host.is_empty() {
            return Err(SettingsError::NoHost);
        }
        if !(1..=65_535).contains(&self.client_id.len()) {
            return Err(SettingsError::ClientId);
        }
        if !KEEP_ALIVE.contains(&self.keep_alive.as_secs()) {
            return Err(SettingsError::KeepAlive(self.keep_alive));
        }
        if let Some(bad) = self.subscriptions.iter().find(|s| !is_filter(&s.filter)) {
            return Err(SettingsError::Filter(bad.filter.clone()));
        }
        match &self.will {
            Some(will) if !is_topic(&will.topic) => Err(SettingsError::WillTopic(will.topic.clone())),
            _ => Ok(()),
        }
    }

    pub(super) fn watchdog(&self) -> Duration {
        self.timing.watchdog.unwrap_or(self.keep_alive * 2 + Duration::from_secs(5))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_that_cannot_work_are_refused() {
        let good = Settings::new("localhost", 1883, "tarewell");
        assert_eq!(good.check(), Ok(()));
        let hear = |filter: &str| Subscription {
            filter: filter.into(),
            qos1: true,
            retain_as_published: false,
            no_local: false,
        };
        let will = |topic: &str| Will { topic: topic.into(), payload: vec![], retain: true, qos1: true };
        for bad in [
            Settings { host: String::new(), ..good.clone() },
            Settings { client_id: String::new(), ..good.clone() },
            Settings { keep_alive: Duration::from_secs(4), ..good.clone() },
            Settings { keep_alive: Duration::from_secs(65_536), ..good.clone() },
            Settings { subscriptions: vec![hear("a/#/b")], ..good.clone() },
            Settings { will: Some(will("a/+")), ..good.clone() },
        ] {
            assert!(bad.check().is_err(), "{bad:?}");
        }
    }

    #[test]
    fn the_password_does_not_show() {
        let settings = Settings { password: Some("hunter".into()), ..Settings::new("localhost", 1883, "tarewell") };
        assert!(!format!("{settings:?}").contains("hunter"));
    }

    #[test]
    fn the_watchdog_waits_for_two_keep_alives_and_five_seconds() {
        assert_eq!(Settings::new("localhost", 1883, "tarewell").watchdog(), Duration::from_secs(25));
    }
}
