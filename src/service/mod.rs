//! One task that owns the [`crate::site::Site`], and the tasks around it; start, stop, clock.
//!
//! Everything runs on one thread, so that a reading wakes nobody else; the store and the phones have threads of their own, and
//! the embedded broker a runtime of its own, because none of them may hold up a reading.

mod clock;
mod desk;
mod failure;
pub mod keeping;
mod start;
mod tidy;

pub use clock::Clock;
pub use failure::Failure;

use crate::config::Checked;
use std::path::Path;

/// Runs the service of a configuration read from `file` until it is told to stop (SIGTERM, SIGINT).
///
/// # Errors
/// What keeps it from starting. Once it runs, nothing ends it but a signal: a broker, a disk or a phone that is away
/// is waited for.
pub fn run(checked: Checked, file: &Path) -> Result<(), Failure> {
    #[cfg(feature = "tls")]
    {
        // Fails only if a provider is set already, and then that one is used.
        let _ = rustls::crypto::ring::default_provider().install_default();
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::Runtime(error.to_string()))?;
    runtime.block_on(start::serve(checked, file))
}
