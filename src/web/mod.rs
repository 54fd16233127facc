//! HTTP: health, states and histories out, commands in. What it says and takes is the same as on the topics.
//!
//! It knows nothing itself: every request becomes an [`Ask`] to the engine's task, which answers on a channel.

mod ask;
mod basic;
mod guard;
mod routes;

pub use ask::{Ask, Health, Plotted, Reply, To};
pub use basic::credentials;
pub use routes::{through, until};

use crate::config::Secret;
use crate::moment::Zone;
use guard::Gate;
use routes::State;
use std::fmt;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// What is configured about it.
#[derive(Debug, Clone)]
pub struct Settings {
    /// Where to listen; port 0: any free one.
    pub listen: SocketAddr,
    /// What HTTP Basic must give, with any user name. Required off loopback.
    pub password: Option<Secret>,
    /// The zone of times in histories, and of dates in questions for them.
    pub zone: Zone,
}

/// Why it cannot be served.
#[derive(Debug)]
pub enum WebError {
    /// Others could command the valves.
    NeedsPassword(SocketAddr),
    /// The address cannot be had.
    Listen(SocketAddr, std::io::Error),
}

impl fmt::Display for WebError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NeedsPassword(listen) => write!(
                f,
                "web: on {listen} anybody on the network could give commands; name a `password_file`, or listen on 127.0.0.1:{}",
                listen.port()
            ),
            Self::Listen(listen, error) => write!(
                f,
                "web: cannot listen on {listen} ({error}); is another program there? Name another port, or `web: off`"
            ),
        }
    }
}

impl std::error::Error for WebError {}

/// The server, running.
#[derive(Debug)]
pub struct Running {
    /// Where it really listens.
    pub address: SocketAddr,
    task: JoinHandle<()>,
}

impl Running {
    /// Waits for its end, which comes soon after the shutdown, at most so long; then it is cut off.
    pub async fn stopped(mut self, at_most: Duration) {
        if tokio::time::timeout(at_most, &mut self.task).await.is_err() {
            self.task.abort();
        }
    }
}

/// Listens and serves until the shutdown. Questions that wait for an answer then are told so.
///
/// # Errors
/// When the address cannot be had, and off loopback without a password.
pub async fn serve(
    settings: Settings,
    asks: mpsc::Sender<Ask>,
    shutdown: CancellationToken,
) -> Result<Running, WebError> {
    let listen = settings.listen;
    let password = settings.password.filter(|password| !password.reveal().is_empty());
    if !listen.ip().is_loopback() && password.is_none() {
        return Err(WebError::NeedsPassword(listen));
    }
    let listener = TcpListener::bind(listen).await.map_err(|error| WebError::Listen(listen, error))?;
    let address = listener.local_addr().map_err(|error| WebError::Listen(listen, error))?;
    let gate = Arc::new(Gate { password });
    let state = State { asks, shutdown: shutdown.clone(), zone: settings.zone };
    let app = routes::router(state).layer(axum::middleware::from_fn_with_state(gate, guard::guard));
    let task = tokio::spawn(async move {
        let serving = axum::serve(listener, app).with_graceful_shutdown(shutdown.cancelled_owned());
        if let Err(error) = serving.await {
            tracing::error!(%error, "Stopped serving HTTP");
        }
    });
    Ok(Running { address, task })
}
