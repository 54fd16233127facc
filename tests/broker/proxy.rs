//! A wire that can be cut, kept cut, slowed, and led to another place.

use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpListener, TcpSocket, TcpStream};
use tokio_util::sync::CancellationToken;

/// One step of a slowed wire.
const STEP: Duration = Duration::from_millis(10);

#[derive(Clone)]
struct Wire {
    /// `None`: cut.
    to: Option<SocketAddr>,
    /// Bytes in one step, each way.
    slow: Option<usize>,
    /// Ends the present connections.
    cut: CancellationToken,
}

pub struct Proxy {
    pub addr: SocketAddr,
    wire: Arc<Mutex<Wire>>,
    end: CancellationToken,
}

impl Proxy {
    pub async fn to(broker: SocketAddr) -> Self {
        // Small buffers, so that a slow wire is felt at its ends.
        let socket = TcpSocket::new_v4().unwrap();
        socket.set_recv_buffer_size(16 * 1024).unwrap();
        socket.bind("127.0.0.1:0".parse().unwrap()).unwrap();
        let listener = socket.listen(64).unwrap();
        let addr = listener.local_addr().unwrap();
        let wire = Arc::new(Mutex::new(Wire { to: Some(broker), slow: None, cut: CancellationToken::new() }));
        let end = CancellationToken::new();
        tokio::spawn(serve(listener, Arc::clone(&wire), end.clone()));
        Self { addr, wire, end }
    }

    /// Breaks all connections and lets none through until mended.
    pub fn cut(&self) {
        let mut wire = self.wire.lock().unwrap();
        wire.to = None;
        wire.cut.cancel();
        wire.cut = CancellationToken::new();
    }

    pub fn mend(&self, broker: SocketAddr) {
        self.wire.lock().unwrap().to = Some(broker);
    }

    /// For connections made from now on.
    pub fn slow(&self, bytes_per_second: usize) {
        self.wire.lock().unwrap().slow = Some((bytes_per_second / 100).max(1));
    }
}

impl Drop for Proxy {
    fn drop(&mut self) {
        self.end.cancel();
        self.wire.lock().unwrap().cut.cancel();
    }
}

async fn serve(listener: TcpListener, wire: Arc<Mutex<Wire>>, end: CancellationToken) {
    while let Some(Ok((near, _))) = end.run_until_cancelled(listener.accept()).await {
        let wire = wire.lock().unwrap().clone();
        if let Some(to) = wire.to {
            tokio::spawn(connect(near, to, wire));
        }
    }
}

async fn connect(near: TcpStream, to: SocketAddr, wire: Wire) {
    let Ok(far) = TcpStream::connect(to).await else { return };
    near.set_nodelay(true).unwrap();
    far.set_nodelay(true).unwrap();
    let ((near_in, near_out), (far_in, far_out)) = (near.into_split(), far.into_split());
    // Either end closing closes the other; dropped, both are closed.
    let both = async {
        tokio::select! {
            () = pump(near_in, far_out, wire.slow) => {}
            () = pump(far_in, near_out, wire.slow) => {}
        }
    };
    wire.cut.run_until_cancelled(both).await;
}

async fn pump(mut from: OwnedReadHalf, mut to: OwnedWriteHalf, slow: Option<usize>) {
    let mut buffer = vec![0; slow.unwrap_or(64 * 1024)];
    while let Ok(count @ 1..) = from.read(&mut buffer).await {
        if to.write_all(&buffer[..count]).await.is_err() {
            return;
        }
        if slow.is_some() {
            tokio::time::sleep(STEP).await;
        }
    }
}
