//! Why a connection ended, in words a person can act on.

use rumqttc::v5::mqttbytes::Error as MqttError;
use rumqttc::v5::mqttbytes::v5::{ConnectReturnCode, DisconnectReasonCode};
use rumqttc::v5::{ConnectionError, StateError};
use std::fmt;
use std::io;
use std::time::Duration;

/// Why a connection ended.
#[derive(Debug)]
pub(super) enum Trouble {
    /// The broker does not want us.
    Refused(ConnectReturnCode),
    /// Another client with our id, as the broker says.
    TakenOver,
    /// Another client with our id, as it looks.
    PushedOff,
    /// The library was silent for so long.
    Silent(Duration),
    /// The broker did not answer the subscriptions.
    Unanswered,
    /// Anything else.
    Lost(ConnectionError),
}

impl From<ConnectionError> for Trouble {
    fn from(error: ConnectionError) -> Self {
        match error {
            ConnectionError::ConnectionRefused(code) => Self::Refused(code),
            ConnectionError::MqttState(StateError::ServerDisconnect {
                reason_code: DisconnectReasonCode::SessionTakenOver,
                ..
            }) => Self::TakenOver,
            other => Self::Lost(other),
        }
    }
}

impl Trouble {
    /// Whether the other side just closed.
    pub(super) fn is_bare_close(&self) -> bool {
        match self {
            Self::Lost(ConnectionError::MqttState(StateError::ConnectionAborted)) => true,
            Self::Lost(ConnectionError::MqttState(StateError::Io(e)) | ConnectionError::Io(e)) => reset(e),
            Self::Lost(ConnectionError::MqttState(StateError::Deserialization(MqttError::Io(e)))) => reset(e),
            _ => false,
        }
    }
}

fn reset(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::ConnectionReset | io::ErrorKind::BrokenPipe)
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Refused(ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized) => {
                f.write_str("the broker refused the login; check broker.username and broker.password")
            }
            Self::Refused(code) => write!(f, "the broker refused the connection: {code:?}"),
            Self::TakenOver => f.write_str(
                "another client connected with the same client id; is tarewell running twice with this base_topic?",
            ),
            Self::PushedOff => f.write_str(
                "the broker closed the connection without a word soon after it was made, again and again; most likely \
                 another client uses the same client id: is tarewell running twice with this base_topic?",
            ),
            Self::Silent(long) => write!(f, "the broker took nothing and said nothing for {} s", long.as_secs_f32()),
            Self::Unanswered => f.write_str("the broker does not answer the subscriptions"),
            Self::Lost(error) => lost(error, f),
        }
    }
}

fn lost(error: &ConnectionError, f: &mut fmt::Formatter<'_>) -> fmt::Result {
    match error {
        ConnectionError::Io(e) if e.kind() == io::ErrorKind::ConnectionRefused => f.write_str("nothing listens there"),
        ConnectionError::Timeout(_) => f.write_str("no answer to the connection"),
        ConnectionError::MqttState(StateError::AwaitPingResp) => f.write_str("the broker answers no pings"),
        ConnectionError::MqttState(StateError::ConnectionAborted) => f.write_str("the broker closed the connection"),
        ConnectionError::MqttState(StateError::ServerDisconnect { reason_code, reason_string }) => {
            write!(f, "the broker ended the connection: {reason_code:?}")?;
            reason_string.as_ref().map_or(Ok(()), |text| write!(f, " ({text})"))
        }
        other => write!(f, "{other}"),
    }
}
