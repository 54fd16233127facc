//! A line to a broker that can be cut, held up and put together again.

use std::io::{Read, Write};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::{Arc, Condvar, Mutex};

#[derive(Clone, Copy, PartialEq, Eq)]
enum Line {
    Whole,
    /// Nothing gets through, and nobody is told.
    Held,
    /// Nothing gets through to the broker; what it sends does.
    HeldUp,
    /// Every connection is closed at once.
    Cut,
}

/// Dropped, it lets nothing through any more.
pub struct Proxy {
    pub addr: SocketAddr,
    shared: Arc<Shared>,
}

struct Shared {
    line: Mutex<(Line, Vec<TcpStream>)>,
    changed: Condvar,
}

impl Proxy {
    pub fn to(broker: SocketAddr) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let addr = listener.local_addr().unwrap();
        let shared = Arc::new(Shared { line: Mutex::new((Line::Whole, Vec::new())), changed: Condvar::new() });
        let accepting = shared.clone();
        std::thread::spawn(move || {
            for client in listener.incoming().map_while(Result::ok) {
                let Ok(server) = TcpStream::connect(broker) else { continue };
                let mut line = accepting.line.lock().unwrap();
                if line.0 == Line::Cut {
                    continue;
                }
                line.1.extend([client.try_clone().unwrap(), server.try_clone().unwrap()]);
                drop(line);
                pump(&accepting, client.try_clone().unwrap(), server.try_clone().unwrap(), true);
                pump(&accepting, server, client, false);
            }
        });
        Self { addr, shared }
    }

    fn set(&self, line: Line) {
        let mut state = self.shared.line.lock().unwrap();
        state.0 = line;
        if line == Line::Cut {
            for stream in state.1.drain(..) {
                let _ = stream.shutdown(Shutdown::Both);
            }
        }
        self.shared.changed.notify_all();
    }

    pub fn cut(&self) {
        self.set(Line::Cut);
    }

    pub fn hold(&self) {
        self.set(Line::Held);
    }

    pub fn hold_up(&self) {
        self.set(Line::HeldUp);
    }

    pub fn mend(&self) {
        self.set(Line::Whole);
    }
}

impl Drop for Proxy {
    fn drop(&mut self) {
        self.cut();
    }
}

fn pump(shared: &Arc<Shared>, mut from: TcpStream, mut to: TcpStream, up: bool) {
    let shared = shared.clone();
    std::thread::spawn(move || {
        let mut buffer = [0; 4096];
        while let Ok(count @ 1..) = from.read(&mut buffer) {
            let mut line = shared.line.lock().unwrap();
            while line.0 == Line::Held || (up && line.0 == Line::HeldUp) {
                line = shared.changed.wait(line).unwrap();
            }
            drop(line);
            if to.write_all(&buffer[..count]).is_err() {
                break;
            }
        }
        let _ = to.shutdown(Shutdown::Both);
        let _ = from.shutdown(Shutdown::Both);
    });
}
