//! The library's options for one connection, and its way out.

use super::outbox::{Limits, Outbox, Send};
use super::outgoing::{Outgoing, Published};
use super::settings::{LARGEST_PACKET, Settings, SettingsError};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{ConnectProperties, LastWill, PublishProperties};
use rumqttc::v5::{AsyncClient, MqttOptions};
use rumqttc::{NetworkOptions, Transport};
use std::net::Ipv6Addr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::Notify;

/// The outbox counts what it hands over; the rest is for subscribing and for leaving.
pub(super) const CHANNEL: usize = 32;
/// How many messages of QoS 1 a broker may send before we must have acknowledged one.
const RECEIVE_MAXIMUM: u16 = 1_000;
/// How many of ours may wait for acknowledgement.
const IN_FLIGHT: u16 = 200;
/// How much the system may hold for the network, in bytes; Linux takes twice that. Left alone it grows to megabytes, and
/// on a slow link our acknowledgements, and states long replaced, then lie in it for half a minute.
const SEND_BUFFER: u32 = 32 * 1024;
/// Seconds for connecting, TLS and login together.
const CONNECT_WITHIN_S: u64 = 5;

/// The way out, shared by those who publish and the task that owns the connection.
#[derive(Clone, Default)]
pub(super) struct Outlet(Arc<Shared>);

#[derive(Default)]
struct Shared {
    state: Mutex<State>,
    drained: Notify,
}

#[derive(Default)]
struct State {
    outbox: Outbox,
    wire: Option<AsyncClient>,
    /// The number of the present connection, or of the last.
    connection: u64,
    leaving: bool,
}

impl State {
    /// Gives the connection what it takes now. Never waits.
    fn pump(&mut self) {
        let Some(wire) = &self.wire else { return };
        while let Some(send) = self.outbox.take() {
            if !put(wire, send) {
                // The connection is ending; its task will say so, and empty the outbox.
                return;
            }
        }
    }
}

impl Outlet {
    fn state(&self) -> MutexGuard<'_, State> {
        self.0.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn publish(&self, message: Outgoing) -> Published {
        let mut state = self.state();
        let published = state.outbox.put(message);
        state.pump();
        published
    }

    /// As [`Outlet::publish`], but on the connection of this number or not at all.
    pub(super) fn publish_on(&self, connection: u64, message: Outgoing) -> Published {
        let mut state = self.state();
        if state.wire.is_none() || state.connection != connection {
            return Published::Down;
        }
        let published = state.outbox.put(message);
        state.pump();
        published
    }

    pub(super) fn up(&self, connection: u64, wire: AsyncClient, limits: Limits) {
        let mut state = self.state();
        state.connection = connection;
        state.wire = Some(wire);
        state.outbox.up(limits);
        state.pump();
    }

    pub(super) fn down(&self) {
        let mut state = self.state();
        state.wire = None;
        state.outbox.down();
        self.0.drained.notify_one();
    }

    pub(super) fn is_up(&self) -> bool {
        self.state().outbox.is_up()
    }

    pub(super) fn waiting(&self) -> usize {
        self.state().outbox.waiting()
    }

    pub(super) fn sent(&self, packet_id: u16) {
        let mut state = self.state();
        state.outbox.sent(packet_id);
        state.pump();
        self.tell_if_drained(&state);
    }

    pub(super) fn acknowledged(&self, packet_id: u16, refusal: Option<String>) {
        let mut state = self.state();
        state.outbox.acknowledged(packet_id, refusal);
        self.tell_if_drained(&state);
    }

    /// How many events fell out, and what was refused, since last asked.
    pub(super) fn reports(&self) -> (u64, Vec<(String, String)>) {
        let mut state = self.state();
        (state.outbox.take_dropped(), state.outbox.take_refused())
    }

    fn tell_if_drained(&self, state: &State) {
        if state.outbox.is_drained() {
            self.0.drained.notify_one();
        }
    }

    /// Waits until nothing waits to go out. A lost connection ends the waiting.
    pub(super) async fn drained(&self) {
        while !self.state().outbox.is_drained() {
            self.0.drained.notified().await;
        }
    }

    /// Asks the connection to take leave; false without one.
    pub(super) fn leave(&self) -> bool {
        let mut state = self.state();
        state.leaving = state.wire.as_ref().is_some_and(|wire| wire.try_disconnect().is_ok());
        state.leaving
    }

    pub(super) fn is_leaving(&self) -> bool {
        self.state().leaving
    }
}

/// False when the connection takes nothing more.
fn put(wire: &AsyncClient, send: Send) -> bool {
    let Send { message, qos1, retain } = send;
    let properties = PublishProperties {
        message_expiry_interval: message.expiry_s,
        correlation_data: message.correlation.map(Into::into),
        content_type: message.content_type,
        ..PublishProperties::default()
    };
    if properties == PublishProperties::default() {
        return wire.try_publish(message.topic, qos(qos1), retain, message.payload).is_ok();
    }
    wire.try_publish_with_properties(message.topic, qos(qos1), retain, message.payload, properties).is_ok()
}

pub(super) const fn qos(at_least_once: bool) -> QoS {
    if at_least_once { QoS::AtLeastOnce } else { QoS::AtMostOnce }
}

/// The library's options. A clean start and no session: what a broker kept for us would be old.
pub(super) fn options(settings: &Settings, transport: Transport) -> MqttOptions {
    let mut options = MqttOptions::new(&settings.client_id, host(settings), settings.port);
    let mut network = NetworkOptions::new();
    // Without it small messages wait some 40 ms for the other side's acknowledgement.
    network.set_tcp_nodelay(true);
    network.set_tcp_send_buffer_size(SEND_BUFFER);
    options
        .set_keep_alive(settings.keep_alive)
        .set_clean_start(true)
        .set_connection_timeout(CONNECT_WITHIN_S)
        .set_outgoing_inflight_upper_limit(IN_FLIGHT)
        .set_connect_properties(ConnectProperties {
            session_expiry_interval: Some(0),
            receive_maximum: Some(RECEIVE_MAXIMUM),
            max_packet_size: Some(LARGEST_PACKET),
            ..ConnectProperties::new()
        })
        .set_transport(transport);
    options.set_network_options(network);
    if settings.username.is_some() || settings.password.is_some() {
        let text = |text: &Option<String>| text.clone().unwrap_or_default();
        options.set_credentials(text(&settings.username), text(&settings.password));
    }
    if let Some(will) = &settings.will {
        options.set_last_will(LastWill::new(&will.topic, will.payload.clone(), qos(will.qos1), will.retain, None));
    }
    options
}

/// The library joins host and port with a colon.
fn host(settings: &Settings) -> String {
    match settings.host.parse::<Ipv6Addr>() {
        Ok(address) => format!("[{address}]"),
        Err(_) => settings.host.clone(),
    }
}

#[cfg(not(feature = "tls"))]
pub(super) const fn transport(settings: &Settings) -> Result<Transport, SettingsError> {
    match settings.tls {
        None => Ok(Transport::Tcp),
        Some(_) => Err(SettingsError::TlsNotBuiltIn),
    }
}

#[cfg(feature = "tls")]
pub(super) fn transport(settings: &Settings) -> Result<Transport, SettingsError> {
    use rumqttc::TlsConfiguration;
    use rustls_pki_types::pem::PemObject as _;
    use rustls_pki_types::{CertificateDer, PrivateKeyDer};

    let Some(tls) = &settings.tls else { return Ok(Transport::Tcp) };
    // The first one to be installed stays; it is the only one built in.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let read = |path: &std::path::PathBuf| {
        std::fs::read(path).map_err(|e| SettingsError::TlsFile(path.clone(), e.to_string()))
    };
    let certificates = |path: &std::path::PathBuf| {
        let bytes = read(path)?;
        match CertificateDer::pem_slice_iter(&bytes).collect::<Result<Vec<_>, _>>() {
            Ok(found) if found.is_empty() => Err(SettingsError::TlsFile(path.clone(), "holds no certificate".into())),
            Ok(_) => Ok(bytes),
            Err(e) => Err(SettingsError::TlsFile(path.clone(), format!("is no PEM: {e}"))),
        }
    };
    let ours = match (&tls.client_cert_file, &tls.client_key_file) {
        (None, None) => None,
        (Some(cert), Some(key)) => {
            let bytes = read(key)?;
            PrivateKeyDer::from_pem_slice(&bytes)
                .map_err(|e| SettingsError::TlsFile(key.clone(), format!("holds no private key: {e}")))?;
            Some((certificates(cert)?, bytes))
        }
        _ => return Err(SettingsError::Tls("broker.client_cert_file and broker.client_key_file go together")),
    };
    match (&tls.ca_file, ours) {
        (Some(ca), client_auth) => {
            Ok(Transport::Tls(TlsConfiguration::Simple { ca: certificates(ca)?, alpn: None, client_auth }))
        }
        (None, None) => Ok(Transport::tls_with_default_config()),
        (None, Some(_)) => Err(SettingsError::Tls("broker.client_cert_file needs broker.ca_file")),
    }
}
