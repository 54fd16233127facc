//! A folder with a configuration, the program running in it, and a broker for those that do not bring their own.

use crate::mosquitto::Mosquitto;
use std::fs;
use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tarewell::broker::{Embedded, Settings};
use tempfile::TempDir;
use tokio::runtime::Runtime;

/// Far longer than anything takes here; only a failing test waits for it.
pub const PATIENCE: Duration = Duration::from_secs(30);

/// Two flats on two stands, each with a band from 2000 g to 3000 g.
pub const TWO: &str = "
stands:
  s1: {topic: house/s1}
  s2: {topic: house/s2}
flats:
  leek-1: {label: First leeks, stand: s1, dry_weight: 2000 g, capacity_weight: 3000 g}
  leek-2: {label: Second leeks, stand: s2, dry_weight: 2000 g, capacity_weight: 3000 g}
";

/// The program, not yet started.
pub fn tarewell() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tarewell"));
    command.stdin(Stdio::null()).env_remove("STATE_DIRECTORY").env_remove("RUST_LOG").env_remove("JOURNAL_STREAM");
    command
}

/// Runs it to its end.
pub fn finish(mut command: Command) -> (i32, String, String) {
    let Output { status, stdout, stderr } = command.output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (status.code().expect("it was killed"), text(stdout), text(stderr))
}

/// A folder with a configuration.
pub struct House {
    pub folder: TempDir,
    head: String,
}

impl House {
    /// With the embedded broker and the pages on any free ports.
    pub fn own_broker() -> Self {
        Self::with("broker: {embedded: {listen: 127.0.0.1:0}}\nweb: 127.0.0.1:0\n")
    }

    /// With a broker that is there already.
    pub fn at(broker: SocketAddr) -> Self {
        Self::with(&format!("broker: {{url: \"mqtt://{broker}\"}}\nweb: 127.0.0.1:0\n"))
    }

    pub fn with(head: &str) -> Self {
        let head = format!("version: 1\nsite: {{name: Test house, time_zone: Europe/Dublin}}\n{head}");
        Self { folder: tempfile::tempdir().unwrap(), head }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes the configuration: head and `body`.
    pub fn write(&self, body: &str) -> PathBuf {
        let path = self.path("tarewell.yaml");
        fs::write(&path, format!("{}{body}", self.head)).unwrap();
        path
    }

    /// Writes `body` and starts the program.
    pub fn run(&self, body: &str) -> Service {
        self.write(body);
        self.again()
    }

    /// Starts the program with what is there.
    pub fn again(&self) -> Service {
        Service::start(&self.path("tarewell.yaml"))
    }
}

/// The program running.
pub struct Service {
    child: Child,
    log: Arc<Log>,
}

#[derive(Default)]
struct Log {
    lines: Mutex<(Vec<String>, bool)>,
    more: Condvar,
}

impl Log {
    /// A test that fails while it looks still shows the rest.
    fn lock(&self) -> MutexGuard<'_, (Vec<String>, bool)> {
        self.lines.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Service {
    pub fn start(config: &Path) -> Self {
        let mut command = tarewell();
        command.arg("run").arg("--config").arg(config).stdout(Stdio::null()).stderr(Stdio::piped());
        let mut child = command.spawn().unwrap();
        let log = Arc::new(Log::default());
        let (lines, into) = (BufReader::new(child.stderr.take().unwrap()).lines(), log.clone());
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                into.lock().0.push(line);
                into.more.notify_all();
            }
            into.lock().1 = true;
            into.more.notify_all();
        });
        Self { child, log }
    }

    /// The first line of the log that holds `words`.
    pub fn logged(&self, words: &str) -> String {
        let begun = Instant::now();
        let mut guard = self.log.lock();
        loop {
            if let Some(line) = guard.0.iter().find(|line| line.contains(words)) {
                return line.clone();
            }
            assert!(!guard.1, "it ended without saying {words:?}:\n{}", guard.0.join("\n"));
            assert!(begun.elapsed() < PATIENCE, "it does not say {words:?}:\n{}", guard.0.join("\n"));
            guard =
                self.log.more.wait_timeout(guard, Duration::from_millis(200)).unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    /// Whether the log holds `words`.
    pub fn says(&self, words: &str) -> bool {
        self.log().contains(words)
    }

    pub fn log(&self) -> String {
        self.log.lock().0.join("\n")
    }

    fn address(&self, words: &str) -> SocketAddr {
        let line = self.logged(words);
        let (_, rest) = line.split_once("address=").unwrap();
        rest.split_whitespace().next().unwrap().parse().unwrap()
    }

    /// Where its own broker listens.
    pub fn broker(&self) -> SocketAddr {
        self.address("Started the embedded broker")
    }

    /// Where its pages are.
    pub fn web(&self) -> SocketAddr {
        self.address("Serving HTTP")
    }

    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Asks it to stop, by SIGTERM; the exit code and how long it took.
    pub fn stop(mut self) -> (i32, Duration) {
        let begun = Instant::now();
        signal("TERM", self.child.id());
        let code = self.ended();
        (code, begun.elapsed())
    }

    /// Ends it at once, by SIGKILL.
    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Waits for its end.
    pub fn ended(&mut self) -> i32 {
        let begun = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.code().unwrap_or(-1);
            }
            assert!(begun.elapsed() < PATIENCE, "it does not end:\n{}", self.log());
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        if std::thread::panicking() {
            eprintln!("---- the program's log\n{}\n----", self.log());
        }
    }
}

/// Sends a signal to one process.
pub fn signal(name: &str, pid: u32) {
    let done = Command::new("kill").arg(format!("-{name}")).arg(pid.to_string()).status().unwrap();
    assert!(done.success());
}

/// A broker that is there before the program and after it.
pub struct Broker {
    pub addr: SocketAddr,
    pub name: &'static str,
    body: Option<Body>,
    runtime: Runtime,
}

enum Body {
    Embedded(Embedded),
    Mosquitto(Box<Mosquitto>),
}

impl Broker {
    /// The broker of the program, by itself.
    pub fn embedded() -> Self {
        let runtime = runtime();
        let settings = Settings {
            listen: SocketAddr::from(([127, 0, 0, 1], 0)),
            users: Vec::new(),
            base: "nobody".to_owned(),
            valve_topics: Vec::new(),
        };
        let embedded = runtime.block_on(Embedded::start(settings)).unwrap();
        Self { addr: embedded.addr(), name: "embedded", body: Some(Body::Embedded(embedded)), runtime }
    }

    /// Mosquitto, where there is one.
    pub fn mosquitto() -> Option<Self> {
        let runtime = runtime();
        let mosquitto = runtime.block_on(Mosquitto::start())?;
        let (addr, name) = (mosquitto.addr(), mosquitto.kind());
        Some(Self { addr, name, body: Some(Body::Mosquitto(Box::new(mosquitto))), runtime })
    }

    /// Both of them.
    pub fn each() -> Vec<Self> {
        std::iter::once(Self::embedded()).chain(Self::mosquitto()).collect()
    }
}

fn runtime() -> Runtime {
    tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap()
}

impl Drop for Broker {
    fn drop(&mut self) {
        let body = self.body.take();
        self.runtime.block_on(async move {
            match body {
                Some(Body::Embedded(embedded)) => embedded.stop().await,
                Some(Body::Mosquitto(mosquitto)) => drop(mosquitto),
                None => {}
            }
        });
    }
}

/// The time by the machine's clock.
pub fn now() -> chrono::DateTime<chrono::Utc> {
    std::time::SystemTime::now().into()
}
