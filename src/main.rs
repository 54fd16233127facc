//! Parses the command line, runs a command, turns what it says into an exit code.

use clap::{Parser, Subcommand};
use std::path::PathBuf;
use std::process::ExitCode;
use tarewell::command;

/// Keeps flats of seedlings near the middle of their band of available water, by weight.
#[derive(Debug, Parser)]
#[command(name = "tarewell", version, about, arg_required_else_help = true, disable_help_subcommand = true)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Watch the stands: weights in; water left, alerts and run times out
    Run(Configured),
    /// Say whether the configuration is good, or everything that is wrong with it
    Check(Configured),
    /// Play a recording through the same engine, with no broker and no clock
    Replay(command::replay::ReplayArgs),
    /// Work out what to pour from three weights of a kitchen scale
    Amount(command::amount::AmountArgs),
    /// Send one test message to every phone, and say what came back
    NotifyTest(Configured),
    /// Print the JSON Schema of the configuration
    Schema,
    /// Watch a made-up glasshouse live through weeks in minutes
    Demo(command::demo::DemoArgs),
    /// Say which flats last until a date, from now and from a full soak
    Away(command::away::AwayArgs),
    #[command(hide = true)]
    Listen(Later),
    /// Write weights, waterings, bands and events as tables
    Export(command::export::ExportArgs),
}

/// Whatever is said to a command that is not built yet.
#[derive(Debug, clap::Args)]
struct Later {
    #[arg(trailing_var_arg = true, allow_hyphen_values = true)]
    _words: Vec<String>,
}

/// A command that needs the configuration and nothing else.
#[derive(Debug, clap::Args)]
struct Configured {
    /// The configuration; without it tarewell.yaml here, then /etc/tarewell/tarewell.yaml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

fn main() -> ExitCode {
    let code = match Cli::parse().command {
        Command::Run(Configured { config }) => command::run::run(config.as_deref()),
        Command::Check(Configured { config }) => command::check::run(config.as_deref()),
        Command::Replay(args) => command::recorded::run(&args),
        Command::Amount(args) => command::amount::run(&args),
        Command::NotifyTest(Configured { config }) => command::notify_test::from_file(config.as_deref()),
        Command::Schema => command::schema::run(),
        Command::Demo(args) => command::demo::run(&args),
        Command::Away(args) => command::away::run(&args),
        Command::Listen(_) => not_yet("listen"),
        Command::Export(args) => command::export::run(&args),
    };
    ExitCode::from(u8::try_from(code).unwrap_or(1))
}

fn not_yet(command: &str) -> i32 {
    eprintln!("tarewell {command}: not yet; it comes with a later version");
    2
}
