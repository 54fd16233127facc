//! The configuration: one YAML file → a checked plan of the site, or everything that is wrong with it at once.
//!
//! Pure: the environment, other files and the machine's time zone come from the caller ([`Surroundings`]).
//! The way through: bytes → text → `tree` (places kept, scalars as text) → `expand` (`${VAR}`) → one reader for each
//! part, all going by the one `table` of keys, which is also what [`schema`] is made from.

mod doubts;
mod expand;
mod flats;
mod limits;
mod network;
mod notify;
mod problem;
mod reader;
mod schema;
mod secret;
mod section;
mod shape;
mod site;
mod stages;
mod stands;
mod supplies;
mod table;
mod tree;
mod values;
mod valves;

pub use problem::{Problem, Problems};
pub use reader::Surroundings;
pub use schema::schema;
pub use secret::Secret;

use crate::alert::Severity;
use crate::moment::Span;
use crate::site::Plan;
use crate::wire::Wiring;
use chrono::NaiveTime;
use std::net::SocketAddr;
use std::path::PathBuf;

/// A larger file is refused unread, in bytes; a thousand flats take a fifth of it.
pub const LARGEST: usize = 1 << 20;

/// A configuration in which nothing is wrong.
#[derive(Debug, Clone)]
pub struct Checked {
    /// What the engine knows before the first input.
    pub plan: Plan,
    /// Which topic carries what.
    pub wiring: Wiring,
    /// The broker to use.
    pub broker: Broker,
    /// The file of the store, as written.
    pub store: PathBuf,
    /// Where the pages are served.
    pub web: Web,
    /// Who is told.
    pub phones: Vec<Phone>,
    /// Worth knowing, and no error; one line each.
    pub notes: Vec<String>,
    /// Whether the file itself gives `site.time_zone`; a replay needs it.
    pub zone_given: bool,
}

/// The broker to use.
#[derive(Debug, Clone, PartialEq)]
pub enum Broker {
    /// In this process.
    Embedded(Embedded),
    /// One that is there already.
    Existing(Existing),
}

/// The broker in this process.
#[derive(Debug, Clone, PartialEq)]
pub struct Embedded {
    /// Where it listens; port 0: any free one.
    pub listen: SocketAddr,
    /// Who may connect; empty, and then on loopback only: anybody.
    pub users: Vec<User>,
}

/// Somebody who may connect to the embedded broker.
#[derive(Debug, Clone, PartialEq)]
pub struct User {
    /// The name.
    pub name: String,
    /// The password, never empty.
    pub password: Secret,
    /// Whether under the base and to valves' topics may be written too.
    pub commands: bool,
}

/// A broker that is there already.
#[derive(Debug, Clone, PartialEq)]
pub struct Existing {
    /// Its name or address; an IPv6 address without brackets.
    pub host: String,
    /// Its port, not 0.
    pub port: u16,
    /// Whether by TLS.
    pub tls: bool,
    /// Who is calling.
    pub username: Option<String>,
    /// Only with a user name.
    pub password: Option<Secret>,
    /// As written.
    pub ca_file: Option<PathBuf>,
    /// As written; only together with the key.
    pub client_cert_file: Option<PathBuf>,
    /// As written; only together with the certificate.
    pub client_key_file: Option<PathBuf>,
}

/// Where the pages are served.
#[derive(Debug, Clone, PartialEq)]
pub enum Web {
    /// Nowhere.
    Off,
    /// Here.
    On {
        /// The address; port 0: any free one.
        listen: SocketAddr,
        /// Always there off loopback.
        password: Option<Secret>,
    },
}

/// Somebody who is told of alerts.
#[derive(Debug, Clone, PartialEq)]
pub struct Phone {
    /// Its id.
    pub name: String,
    /// Where a POST goes; http or https.
    pub url: Secret,
    /// Headers by name.
    pub headers: Vec<(String, Secret)>,
    /// A template with `{title}` and `{text}`; `None`: the text, with the title as a header.
    pub body: Option<String>,
    /// The least grave alert that is sent.
    pub least: Severity,
    /// From, to by the local clock; may go over midnight.
    pub quiet: Option<(NaiveTime, NaiveTime)>,
    /// When the day's digest is sent.
    pub digest: Option<NaiveTime>,
    /// How often a raised alert is told again; `None`: never.
    pub repeat: Option<Span>,
    /// Where and how often to say that all is well.
    pub heartbeat: Option<(Secret, Span)>,
}

/// Reads and checks the bytes of a configuration file.
///
/// `file_name` is what problems print before the line. A byte order mark and Windows line ends are read past.
///
/// # Errors
/// Everything that is wrong with it, in the file's order.
pub fn read(bytes: &[u8], file_name: &str, around: &Surroundings<'_>) -> Result<Checked, Problems> {
    let reader = reader::Reader::new(around);
    let text = text_of(bytes, &reader);
    let checked = text.and_then(|text| site::read(&mut tree::parse(text, &reader)?, &reader));
    if let Some(problems) = reader.problems(file_name, text.unwrap_or_default()) {
        return Err(problems);
    }
    checked.ok_or_else(|| {
        reader.whole_file("this file could not be read", "nothing would be watched", "Compare it with the example.");
        let none = Problems { file: file_name.to_owned(), list: Vec::new() };
        reader.problems(file_name, "").unwrap_or(none)
    })
}

fn text_of<'a>(bytes: &'a [u8], reader: &reader::Reader<'_>) -> Option<&'a str> {
    if bytes.len() > LARGEST {
        reader.whole_file(
            &format!("the file has more than {LARGEST} bytes"),
            "it would fill the memory",
            "Is it the right file?",
        );
        return None;
    }
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    match std::str::from_utf8(bytes) {
        Ok(text) => Some(text),
        Err(error) => {
            let good = bytes.get(..error.valid_up_to()).and_then(|good| std::str::from_utf8(good).ok()).unwrap_or("");
            let line = source_lines(good).count().max(1);
            let column = source_lines(good).last().unwrap_or("").chars().count() + 1;
            let wrong = "a byte here is not UTF-8".to_owned();
            let hint = "Save the file as UTF-8; other encodings garble letters with accents.".to_owned();
            let place = problem::Place { line, column, width: 1 };
            reader.tell(place, "", wrong, "nothing of it could be read".to_owned(), Some(hint));
            None
        }
    }
}

/// The lines of a text as YAML counts them: a line ends with LF, CR LF or a lone CR. The last may be empty.
fn source_lines(text: &str) -> impl Iterator<Item = &str> {
    let mut rest = Some(text);
    std::iter::from_fn(move || {
        let text = rest?;
        let end = text.find(['\n', '\r']);
        let (line, after) = match end {
            Some(end) => text.split_at(end),
            None => (text, ""),
        };
        rest = end.map(|_| after.strip_prefix("\r\n").or_else(|| after.strip_prefix(['\n', '\r'])).unwrap_or(after));
        Some(line)
    })
}
