//! `tarewell run`: the service.

use crate::service;
use std::io::IsTerminal as _;
use std::path::Path;
use tracing_subscriber::filter::Targets;
use tracing_subscriber::fmt;
use tracing_subscriber::prelude::*;

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

/// What is logged without `RUST_LOG`: the broker in this process is as silent as one elsewhere would be.
const USUALLY: &str = "info,mqtt5=warn,mqtt5_protocol=warn,rumqttc=error";

/// `RUST_LOG` filters, as in `debug` or `warn,tarewell=info`. Under a journal, which stamps each line itself, there is no time in
/// front.
pub(super) fn log_to_standard_error() {
    let asked = std::env::var("RUST_LOG").ok();
    let filter = asked.as_deref().map(str::parse::<Targets>);
    let usual = || USUALLY.parse().unwrap_or_default();
    let wrong = filter.as_ref().and_then(|filter| filter.as_ref().err()).map(ToString::to_string);
    let filter = filter.and_then(Result::ok).unwrap_or_else(usual);
    let lines = fmt::layer().with_writer(std::io::stderr).with_target(false).with_ansi(std::io::stderr().is_terminal());
    let lines = if std::env::var_os("JOURNAL_STREAM").is_some() { lines.without_time().boxed() } else { lines.boxed() };
    // Somebody else may have set up logging first, as in a test: then that one is used.
    let _ = tracing_subscriber::registry().with(lines.with_filter(filter)).try_init();
    if let Some(wrong) = wrong {
        tracing::warn!(%wrong, "Cannot use RUST_LOG; logging as without it");
    }
}
