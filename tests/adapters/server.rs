//! A web server that answers as a test tells it, on a free port of this machine.

use std::collections::VecDeque;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// What it does with a request.
#[derive(Debug, Clone, Copy)]
pub enum Reply {
    /// Answers this status, with this header line if not empty.
    Status(u16, &'static str),
    /// Takes the request and says nothing, as long as the server lives.
    Hang,
    /// Closes the connection in the middle of it.
    Close,
    /// Says something that is not HTTP.
    Noise,
}

/// A request as it came.
#[derive(Debug)]
pub struct Got {
    pub line: String,
    pub headers: Vec<(String, String)>,
    pub body: String,
}

impl Got {
    pub fn header(&self, name: &str) -> Option<&str> {
        let found = self.headers.iter().find(|(found, _)| found.eq_ignore_ascii_case(name));
        found.map(|(_, value)| value.as_str())
    }
}

/// The running server; answers 200 when its script is at its end.
pub struct Server {
    pub address: SocketAddr,
    got: Receiver<Got>,
}

impl Server {
    pub fn start(script: &[Reply]) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        let script = Arc::new(Mutex::new(VecDeque::from(script.to_vec())));
        let (tell, got) = channel();
        std::thread::spawn(move || {
            for stream in listener.incoming().map_while(Result::ok) {
                let (script, tell) = (Arc::clone(&script), tell.clone());
                std::thread::spawn(move || serve(stream, &script, &tell));
            }
        });
        Self { address, got }
    }

    pub fn url(&self, path: &str) -> String {
        format!("http://{}{path}", self.address)
    }

    /// The next request, waited for.
    pub fn next(&self) -> Got {
        self.got.recv_timeout(Duration::from_secs(30)).expect("no request came")
    }

    /// Whether no request has come that was not looked at.
    pub fn is_quiet(&self) -> bool {
        self.got.try_recv().is_err()
    }
}

fn serve(stream: TcpStream, script: &Mutex<VecDeque<Reply>>, tell: &Sender<Got>) {
    let mut reader = BufReader::new(stream);
    let Some(got) = read(&mut reader) else { return };
    let reply = script.lock().unwrap().pop_front().unwrap_or(Reply::Status(200, ""));
    let mut stream = reader.into_inner();
    let _ = tell.send(got);
    let answer = match reply {
        Reply::Status(status, header) => {
            let header = if header.is_empty() { String::new() } else { format!("{header}\r\n") };
            format!("HTTP/1.1 {status} As Told\r\n{header}Content-Length: 0\r\nConnection: close\r\n\r\n")
        }
        Reply::Noise => "220 mail.example.net ESMTP\r\n".into(),
        Reply::Close => "HTTP/1.1 20".into(),
        Reply::Hang => {
            // Until the other side has had enough.
            let _ = stream.read(&mut [0; 1]);
            return;
        }
    };
    let _ = stream.write_all(answer.as_bytes());
}

fn read(reader: &mut impl BufRead) -> Option<Got> {
    let mut lines = Vec::new();
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).ok().filter(|read| *read > 0)?;
        match line.trim_end() {
            "" => break,
            line => lines.push(line.to_owned()),
        }
    }
    let headers: Vec<_> = lines.iter().skip(1).filter_map(|line| line.split_once(": ")).collect();
    let length = headers.iter().find(|(name, _)| name.eq_ignore_ascii_case("content-length"));
    let mut body = vec![0; length.map_or(0, |(_, length)| length.parse().unwrap())];
    reader.read_exact(&mut body).ok()?;
    let headers = headers.into_iter().map(|(name, value)| (name.to_owned(), value.to_owned())).collect();
    Some(Got { line: lines.first()?.clone(), headers, body: String::from_utf8(body).unwrap() })
}
