//! One task that owns the [`crate::site::Site`], and the tasks around it; start, stop, clock.
//!
//! Everything runs on one thread, so that a reading wakes nobody else; the store and the phones have threads of their own, and
//! the embedded broker a runtime of its own, because none of them may hold up a reading.

mod backlog;
mod clock;
mod desk;
mod failure;
pub mod keeping;
mod plot;
mod standing;
mod start;
mod tidy;
mod valves;

pub use clock::{Clock, WITH_WATER};
pub use failure::Failure;
pub use standing::{Standing, TakenBack, called_now, read_as};

use crate::config::Checked;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::mpsc::Sender;
use tokio_util::sync::CancellationToken;

/// What a demo puts in the place of the world.
#[derive(Debug)]
pub struct Stage {
    /// Its time.
    pub clock: Clock,
    /// Ends it; signals do too.
    pub stop: CancellationToken,
    /// Told once it has started.
    pub started: Sender<Addresses>,
}

/// Where a service that has started can be reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Addresses {
    /// The embedded broker's, if that is used.
    pub broker: Option<SocketAddr>,
    /// That of HTTP, if it is on.
    pub web: Option<SocketAddr>,
}

/// Runs the service of a configuration read from `file` until it is told to stop (SIGTERM, SIGINT).
///
/// # Errors
/// What keeps it from starting. Once it runs, nothing ends it but a signal: a broker, a disk or a phone that is away
/// is waited for.
pub fn run(checked: Checked, file: &Path) -> Result<(), Failure> {
    begin(checked, file, None)
}

/// [`run`], by another clock than the world's.
///
/// # Errors
/// As [`run`].
pub fn run_on(stage: Stage, checked: Checked, file: &Path) -> Result<(), Failure> {
    begin(checked, file, Some(stage))
}

/// Where the store of a configuration lies: relative paths start at the folder of `file`, or at `$STATE_DIRECTORY`.
#[must_use]
pub fn store_beside(file: &Path, store: &Path) -> std::path::PathBuf {
    start::beside(file, store)
}

fn begin(checked: Checked, file: &Path, stage: Option<Stage>) -> Result<(), Failure> {
    #[cfg(feature = "tls")]
    {
        // Fails only if a provider is set already, and then that one is used.
        let _ = rustls::crypto::ring::default_provider().install_default();
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::Runtime(error.to_string()))?;
    runtime.block_on(start::serve(checked, file, stage))
}
