//! What keeps the service from starting.

use crate::broker::StartError;
use crate::mqtt::SettingsError;
use crate::store::StoreError;
use crate::web::WebError;
use std::fmt;

/// Why the service did not start.
#[derive(Debug)]
pub enum Failure {
    /// The store cannot be used.
    Store(StoreError),
    /// The embedded broker did not start.
    Broker(StartError),
    /// The connection can never work.
    Client(SettingsError),
    /// The pages cannot be served.
    Web(WebError),
    /// The system gives no runtime or no signals.
    Runtime(String),
}

impl Failure {
    /// Whether something else listens where this wanted to.
    #[must_use]
    pub fn is_taken(&self) -> bool {
        match self {
            Self::Broker(StartError::Taken(_)) => true,
            Self::Web(WebError::Listen(_, error)) => error.kind() == std::io::ErrorKind::AddrInUse,
            _ => false,
        }
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Store(error) => error.fmt(out),
            Self::Broker(error) => error.fmt(out),
            Self::Client(error) => write!(out, "broker: {error}"),
            Self::Web(error) => error.fmt(out),
            Self::Runtime(error) => write!(out, "cannot start: {error}"),
        }
    }
}

impl std::error::Error for Failure {}

macro_rules! from {
    ($($error:ident => $variant:ident),*) => {
        $(impl From<$error> for Failure {
            fn from(error: $error) -> Self { Self::$variant(error) }
        })*
    };
}

from!(StoreError => Store, StartError => Broker, SettingsError => Client, WebError => Web);
