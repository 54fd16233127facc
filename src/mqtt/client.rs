//! The handle on a running client.

use super::driver::Driver;
use super::inbox::{self, Inbox};
use super::link::{self, Outlet};
use super::outgoing::{Outgoing, Published};
use super::settings::{Settings, SettingsError};
use std::time::Duration;
use tokio::task::JoinHandle;
use tokio::time::timeout;

/// How long stopping waits for what is queued to go out and be acknowledged.
const FLUSH_WITHIN: Duration = Duration::from_millis(1_500);
/// How long it waits for the leave-taking after that.
const LEAVE_WITHIN: Duration = Duration::from_millis(400);

/// A client that keeps itself connected. Dropped without [`Client::stop`], its connection breaks, and the broker
/// publishes the Last Will.
pub struct Client {
    outlet: Outlet,
    task: JoinHandle<()>,
}

impl Client {
    /// Starts connecting, on the present tokio runtime.
    ///
    /// # Errors
    /// When the settings can never work. A broker that is not there is no error: it is tried for ever.
    pub fn start(settings: Settings) -> Result<(Self, Inbox), SettingsError> {
        settings.check()?;
        let transport = link::transport(&settings)?;
        let (slot, inbox) = inbox::pair();
        let outlet = Outlet::default();
        let driver = Driver::new(settings, transport, outlet.clone(), slot);
        Ok((Self { outlet, task: tokio::spawn(driver.run()) }, inbox))
    }

    /// Hands a message over to be sent. Never blocks and never waits.
    pub fn publish(&self, message: Outgoing) -> Published {
        self.outlet.publish(message)
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
            if self.outlet.leave() && timeout(LEAVE_WITHIN, &mut self.task).await.is_ok() {
                return;
            }
        }
        self.task.abort();
        // Aborted, it ends at its next stop; when it has, the socket is closed.
        let _ = timeout(LEAVE_WITHIN / 4, &mut self.task).await;
    }
}

impl Drop for Client {
    fn drop(&mut self) {
        self.task.abort();
    }
}
