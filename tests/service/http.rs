//! One HTTP request, as any client makes it.

use crate::bench::PATIENCE;
use serde_json::Value;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};

/// Status and body.
pub fn request(at: SocketAddr, line: &str, headers: &[&str], body: &str) -> (u16, Value) {
    let mut stream = TcpStream::connect(at).unwrap();
    stream.set_read_timeout(Some(PATIENCE * 2)).unwrap();
    let headers: String = headers.iter().map(|header| format!("{header}\r\n")).collect();
    let host = if headers.contains("Host:") { String::new() } else { format!("Host: {at}\r\n") };
    write!(
        stream,
        "{line} HTTP/1.1\r\n{host}{headers}Content-Length: {}\r\nConnection: close\r\n\r\n{body}",
        body.len()
    )
    .unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    let (head, body) = answer.split_once("\r\n\r\n").unwrap();
    let status = head.split(' ').nth(1).unwrap().parse().unwrap();
    (status, serde_json::from_str(body).unwrap_or_else(|_| Value::String(body.to_owned())))
}

pub fn get(at: SocketAddr, path: &str) -> (u16, Value) {
    request(at, &format!("GET {path}"), &[], "")
}

pub fn post(at: SocketAddr, path: &str, body: &str) -> (u16, Value) {
    request(at, &format!("POST {path}"), &["Content-Type: application/json"], body)
}
