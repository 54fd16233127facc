//! The handle on a running client.

use super::driver::Driver;
use super::inbox::{self, Inbox};
use super::link::{self, Outlet};
use super::outgoing::{Outgoing, Published};
use super::settings::{Settings, SettingsError};
use std::time::Duration;
use tokio::sync::oneshot;
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;

/// How long stopping waits for what is queued to go out and be acknowledged.
const FLUSH_WITHIN: Duration = Duration::from_millis(1_500);
/// How long it waits for the leave-taking after that.
const LEAVE_WITHIN: Duration = Duration::from_millis(400);

/// A client that keeps itself connected, on a thread of its own. Dropped without [`Client::stop`], its connection breaks,
/// and the broker publishes the Last Will.
pub struct Client {
    outlet: Outlet,
    end: CancellationToken,
    ended: oneshot::Receiver<()>,
}

impl Client {
    /// Starts connecting.
    ///
    /// # Errors
    /// When the settings can never work, or the system gives no thread. A broker that is not there is no error: it is
    /// tried for ever.
    pub fn start(settings: Settings) -> Result<(Self, Inbox), SettingsError> {
        settings.check()?;
        let transport = link::transport(&settings)?;
        let name = format!("mqtt {}", settings.client_id);
        let (slot, inbox) = inbox::pair();
        let outlet = Outlet::default();
        let driver = Driver::new(settings, transport, outlet.clone(), slot);
        let end = CancellationToken::new();
        let ended = run(driver, name, end.clone()).map_err(|e| SettingsError::System(e.to_string()))?;
        Ok((Self { outlet, end, ended }, inbox))
    }

    /// Hands a message over to be sent. Never blocks and never waits.
    pub fn publish(&self, message: Outgoing) -> Published {
        self.outlet.publish(message)
    }

    /// As [`Client::publish`], but on the connection that [`super::Heard::Up`] told of with this number, or not at all: what was decided
    /// by what an earlier connection had heard does not go out on a later one.
    pub fn publish_on(&self, connection: u64, message: Outgoing) -> Published {
        self.outlet.publish_on(connection, message)
    }

    /// How many messages wait to be sent: who can say a thing later, newer, had better wait while there are many.
    #[must_use]
    pub fn waiting(&self) -> usize {
        self.outlet.waiting()
    }

    /// Whether there is a connection with all subscriptions made.
    #[must_use]
    pub fn is_up(&self) -> bool {
        self.outlet.is_up()
    }

    /// Sends what is queued, takes leave (so that no Last Will is published), and ends; within two seconds.
    pub async fn stop(mut self) {
        if self.outlet.is_up() {
            let _ = timeout(FLUSH_WITHIN, self.outlet.drained()).await;
            if self.outlet.leave() && timeout(LEAVE_WITHIN, &mut self.ended).await.is_ok() {
                return;
            }
        }
        self.end.cancel();
        // It ends at its next stop; when it has, the socket is closed.
        let _ = timeout(LEAVE_WITHIN / 4, &mut self.ended).await;
    }
}

impl Drop for Client {
    fn drop(&mut self) {
        self.end.cancel();
    }
}

/// Runs the driver on a thread and a small runtime of its own, so that a busy connection can be left alone for a moment
/// (see the driver): on a shared runtime each packet would wake a worker all the same, only to be told that the task
/// sleeps. It also keeps pings going whatever the service's threads do.
fn run(driver: Driver, name: String, end: CancellationToken) -> std::io::Result<oneshot::Receiver<()>> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let (tell, ended) = oneshot::channel();
    std::thread::Builder::new().name(name).spawn(move || {
        runtime.block_on(end.run_until_cancelled(driver.run()));
        let _ = tell.send(());
        // A name that is still being looked up is not waited for.
        runtime.shutdown_background();
    })?;
    Ok(ended)
}
