//! A Mosquitto to test against: in a container where a Docker engine runs, else from a program on this machine.
//!
//! `TAREWELL_MOSQUITTO_IMAGE` names the image (default `eclipse-mosquitto:2`; `.ci/mosquitto-image` builds one without a
//! registry). When it is set, an engine that cannot start it is an error, not a reason to look further.

use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use testcontainers::core::{IntoContainerPort, WaitFor};
use testcontainers::runners::AsyncRunner;
use testcontainers::{ContainerAsync, GenericImage, ImageExt};

const IMAGE: &str = "TAREWELL_MOSQUITTO_IMAGE";
/// In the public image, and in the one of `.ci/mosquitto-image`: one listener for everybody.
const CONFIG_IN_IMAGE: &str = "/mosquitto-no-auth.conf";

/// A running broker; dropped, it ends.
pub struct Mosquitto {
    addr: SocketAddr,
    body: Body,
}

enum Body {
    Container(Box<ContainerAsync<GenericImage>>),
    Program { program: PathBuf, folder: tempfile::TempDir, child: Child },
}

impl Mosquitto {
    /// `None`, with a line that says so, when there is neither.
    pub async fn start() -> Option<Self> {
        let wanted = std::env::var(IMAGE).ok();
        match Self::container(wanted.as_deref().unwrap_or("eclipse-mosquitto:2")).await {
            Ok(mosquitto) => return Some(mosquitto),
            Err(why) if wanted.is_some() => panic!("{IMAGE} is set, but the container does not start: {why}"),
            Err(why) => eprintln!("no Mosquitto in a container: {why}"),
        }
        let Some(program) = program() else {
            eprintln!(
                "SKIPPED: neither a Docker engine with a Mosquitto image nor a mosquitto program on this machine"
            );
            return None;
        };
        Some(Self::program(program, "allow_anonymous true"))
    }

    async fn container(image: &str) -> Result<Self, String> {
        let (name, tag) = image.rsplit_once(':').unwrap_or((image, "latest"));
        let container = GenericImage::new(name, tag)
            .with_exposed_port(1883.tcp())
            .with_wait_for(WaitFor::message_on_stderr("running"))
            .with_cmd(["/usr/sbin/mosquitto", "-c", CONFIG_IN_IMAGE])
            .start()
            .await
            .map_err(|e| e.to_string())?;
        let addr = address(&container).await?;
        Ok(Self { addr, body: Body::Container(Box::new(container)) })
    }

    /// From a program on this machine, with these lines in its configuration.
    pub fn program(program: PathBuf, lines: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let port = free_port();
        let config = format!("persistence false\nlistener {port} 127.0.0.1\n{lines}\n");
        std::fs::write(folder.path().join("mosquitto.conf"), config).unwrap();
        let child = run(&program, folder.path());
        let addr = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
        wait_for(addr);
        Self { addr, body: Body::Program { program, folder, child } }
    }

    /// Where it listens now; a restart may change it.
    pub fn addr(&self) -> SocketAddr {
        self.addr
    }

    /// Where it came from, for a line of the test's output.
    pub fn kind(&self) -> &'static str {
        match self.body {
            Body::Container(_) => "mosquitto in a container",
            Body::Program { .. } => "mosquitto on this machine",
        }
    }

    pub async fn stop(&mut self) {
        match &mut self.body {
            Body::Container(container) => container.stop_with_timeout(Some(1)).await.unwrap(),
            Body::Program { child, .. } => end(child),
        }
    }

    pub async fn start_again(&mut self) {
        match &mut self.body {
            Body::Container(container) => {
                container.start().await.unwrap();
                self.addr = address(container).await.unwrap();
            }
            Body::Program { program, folder, child } => *child = run(program, folder.path()),
        }
        wait_for(self.addr);
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        if let Body::Program { child, .. } = &mut self.body {
            end(child);
        }
    }
}

async fn address(container: &ContainerAsync<GenericImage>) -> Result<SocketAddr, String> {
    let port = container.get_host_port_ipv4(1883.tcp()).await.map_err(|e| e.to_string())?;
    Ok(SocketAddr::from((Ipv4Addr::LOCALHOST, port)))
}

/// `mosquitto` on the PATH, or where Debian puts it.
pub fn program() -> Option<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let folders = std::env::split_paths(&path).chain(["/usr/sbin".into(), "/usr/local/sbin".into()]);
    folders.map(|folder| folder.join("mosquitto")).find(|file| file.is_file())
}

fn run(program: &Path, folder: &Path) -> Child {
    let config = folder.join("mosquitto.conf");
    let mut command = Command::new(program);
    command.arg("-c").arg(config).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    command.spawn().unwrap_or_else(|e| panic!("cannot run {}: {e}", program.display()))
}

fn end(child: &mut Child) {
    let _ = child.kill();
    let _ = child.wait();
}

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

fn wait_for(addr: SocketAddr) {
    let begun = Instant::now();
    while TcpStream::connect(addr).is_err() {
        assert!(begun.elapsed() < Duration::from_secs(20), "nothing listens on {addr}");
        std::thread::sleep(Duration::from_millis(20));
    }
}
