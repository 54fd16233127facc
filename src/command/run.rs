//! `tarewell run`: the service.

use crate::service;
use std::io::IsTerminal as _;
use std::path::Path;
use tracing_subscriber::EnvFilter;

/// Runs until it is told to stop; the exit code.
#[must_use]
pub fn run(config: Option<&Path>) -> i32 {
    let (path, checked) = match super::file::load(config) {
        Ok(loaded) => loaded,
        Err(problems) => {
            eprintln!("{problems}");
            return 2;
        }
    };
    log_to_standard_error();
    for note in &checked.notes {
        tracing::info!("Note: {note}");
    }
    match service::run(checked, &path) {
        Ok(()) => 0,
        Err(failure) => {
            eprintln!("tarewell: {failure}");
            1
        }
    }
}

/// `RUST_LOG` filters. Under a journal, which stamps each line itself, there is no time in front.
fn log_to_standard_error() {
    // The broker in this process is as silent as one elsewhere would be.
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("info,mqtt5=warn,rumqttc=error"));
    let builder = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_target(false)
        .with_ansi(std::io::stderr().is_terminal());
    let set = if std::env::var_os("JOURNAL_STREAM").is_some() {
        builder.without_time().try_init()
    } else {
        builder.try_init()
    };
    // Somebody else may have set up logging first, as in a test: then that one is used.
    drop(set);
}
