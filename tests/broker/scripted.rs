//! A broker that does as it is told, one packet at a time. Packets are written by hand (MQTT 5.0, chapter 3), so that
//! wrong ones can be written too.

use super::ears::PATIENCE;
use std::net::SocketAddr;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpSocket, TcpStream};
use tokio::time::timeout;

pub const CONNECT: u8 = 1;
pub const PUBLISH: u8 = 3;
pub const SUBSCRIBE: u8 = 8;
pub const PINGREQ: u8 = 12;
pub const DISCONNECT: u8 = 14;

pub struct Scripted {
    listener: TcpListener,
    pub addr: SocketAddr,
}

impl Scripted {
    pub async fn bind() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let addr = listener.local_addr().unwrap();
        Self { listener, addr }
    }

    /// One whose connections take in little that is not read.
    pub fn with_small_ears() -> Self {
        let socket = TcpSocket::new_v4().unwrap();
        socket.set_recv_buffer_size(8 * 1024).unwrap();
        socket.bind("127.0.0.1:0".parse().unwrap()).unwrap();
        let listener = socket.listen(8).unwrap();
        let addr = listener.local_addr().unwrap();
        Self { listener, addr }
    }

    /// The next connection, not yet greeted.
    pub async fn accept(&self) -> Peer {
        let (stream, _) = timeout(PATIENCE, self.listener.accept()).await.expect("nobody connects").unwrap();
        stream.set_nodelay(true).unwrap();
        Peer { stream }
    }

    /// The next connection, let in.
    pub async fn welcome(&self) -> Peer {
        let mut peer = self.accept().await;
        assert_eq!(peer.read().await.kind, CONNECT);
        peer.write(&connack(false, 0, &[])).await;
        peer
    }

    /// The next connection, let in and its one SUBSCRIBE granted.
    pub async fn subscribed(&self) -> Peer {
        let mut peer = self.welcome().await;
        peer.grant().await;
        peer
    }
}

pub struct Peer {
    pub stream: TcpStream,
}

#[derive(Debug)]
pub struct Packet {
    pub kind: u8,
    pub flags: u8,
    pub body: Vec<u8>,
}

impl Peer {
    pub async fn write(&mut self, bytes: &[u8]) {
        self.stream.write_all(bytes).await.unwrap();
    }

    pub async fn read(&mut self) -> Packet {
        self.try_read().await.expect("the connection was closed")
    }

    /// `None` when the client has closed.
    pub async fn try_read(&mut self) -> Option<Packet> {
        timeout(PATIENCE, self.read_packet()).await.expect("the client says nothing")
    }

    async fn read_packet(&mut self) -> Option<Packet> {
        let first = self.stream.read_u8().await.ok()?;
        let mut length = 0;
        for shift in [0, 7, 14, 21] {
            let byte = self.stream.read_u8().await.ok()?;
            length |= usize::from(byte & 0x7f) << shift;
            if byte & 0x80 == 0 {
                break;
            }
        }
        let mut body = vec![0; length];
        self.stream.read_exact(&mut body).await.ok()?;
        Some(Packet { kind: first >> 4, flags: first & 0x0f, body })
    }

    /// Reads a SUBSCRIBE and grants it; its filters with their option bytes.
    pub async fn grant(&mut self) -> Vec<(String, u8)> {
        self.answer_subscribe(1).await
    }

    /// Reads a SUBSCRIBE and answers every filter with this code.
    pub async fn answer_subscribe(&mut self, code: u8) -> Vec<(String, u8)> {
        let packet = self.read().await;
        assert_eq!(packet.kind, SUBSCRIBE, "{packet:?}");
        let (id, filters) = packet.subscribe();
        self.write(&suback(id, &vec![code; filters.len()])).await;
        filters
    }

    /// Reads on to the next PUBLISH, answering pings.
    pub async fn publish(&mut self) -> Published {
        self.try_publish().await.expect("the connection was closed")
    }

    pub async fn try_publish(&mut self) -> Option<Published> {
        loop {
            let packet = self.try_read().await?;
            match packet.kind {
                PUBLISH => return Some(packet.publish()),
                PINGREQ => self.write(&[0xd0, 0]).await,
                _ => {}
            }
        }
    }
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Published {
    pub topic: String,
    pub payload: Vec<u8>,
    pub qos: u8,
    pub retain: bool,
    pub id: u16,
    /// As they stand on the wire, without their length.
    pub properties: Vec<u8>,
}

impl Packet {
    fn subscribe(&self) -> (u16, Vec<(String, u8)>) {
        let id = u16::from_be_bytes([self.body[0], self.body[1]]);
        let mut rest = &self.body[3 + usize::from(self.body[2])..];
        let mut filters = Vec::new();
        while !rest.is_empty() {
            let length = usize::from(u16::from_be_bytes([rest[0], rest[1]]));
            filters.push((String::from_utf8(rest[2..2 + length].to_vec()).unwrap(), rest[2 + length]));
            rest = &rest[3 + length..];
        }
        (id, filters)
    }

    fn publish(&self) -> Published {
        let length = usize::from(u16::from_be_bytes([self.body[0], self.body[1]]));
        let topic = String::from_utf8(self.body[2..2 + length].to_vec()).unwrap();
        let mut rest = &self.body[2 + length..];
        let qos = (self.flags >> 1) & 3;
        let id = if qos > 0 { u16::from_be_bytes([rest[0], rest[1]]) } else { 0 };
        rest = &rest[if qos > 0 { 2 } else { 0 }..];
        let (properties, payload) = rest[1..].split_at(usize::from(rest[0]));
        let (properties, payload) = (properties.to_vec(), payload.to_vec());
        Published { topic, payload, qos, retain: self.flags & 1 == 1, id, properties }
    }
}

fn packet(first: u8, body: &[u8]) -> Vec<u8> {
    let mut bytes = vec![first];
    let mut length = body.len();
    loop {
        let low = (length & 0x7f) as u8;
        length >>= 7;
        bytes.push(if length > 0 { low | 0x80 } else { low });
        if length == 0 {
            break;
        }
    }
    bytes.extend_from_slice(body);
    bytes
}

pub fn connack(session_present: bool, code: u8, properties: &[u8]) -> Vec<u8> {
    packet(0x20, &[&[u8::from(session_present), code, properties.len() as u8], properties].concat())
}

pub fn suback(id: u16, codes: &[u8]) -> Vec<u8> {
    packet(0x90, &[&id.to_be_bytes()[..], &[0], codes].concat())
}

pub fn puback(id: u16, reason: u8) -> Vec<u8> {
    packet(0x40, &[&id.to_be_bytes()[..], &[reason, 0]].concat())
}

pub fn disconnect(reason: u8) -> Vec<u8> {
    packet(0xe0, &[reason, 0])
}

/// A PUBLISH of QoS 0.
pub fn publish(topic: &[u8], payload: &[u8]) -> Vec<u8> {
    publish_with(topic, &[], payload)
}

/// A PUBLISH of QoS 0 with properties.
pub fn publish_with(topic: &[u8], properties: &[u8], payload: &[u8]) -> Vec<u8> {
    let length = (topic.len() as u16).to_be_bytes();
    packet(0x30, &[&length[..], topic, &[properties.len() as u8], properties, payload].concat())
}
