//! Addresses, and the parts that listen or connect: the broker and the pages.

use super::reader::Reader;
use super::secret::Secret;
use super::section::{Section, Value};
use super::table;
use super::tree::Content;
use super::{Broker, Embedded, Existing, User, Web};
use std::net::{Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};

const EMBEDDED_LISTEN: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), 1883);

impl Value<'_> {
    /// An address to listen at: `127.0.0.1:8470`, `[::]:1883`, `localhost:1883`. Port 0: any free one.
    pub fn listen(&self) -> Option<SocketAddr> {
        let scalar = self.scalar()?;
        let text = scalar.text.trim();
        let named = text.strip_prefix("localhost:").map(|port| format!("127.0.0.1:{port}"));
        let found = named.as_deref().unwrap_or(text).parse::<SocketAddr>().ok();
        if found.is_none() {
            let wrong = format!("{} is no address to listen at: {}", self.name, Self::printed(scalar));
            self.problem(wrong, (!scalar.hidden()).then(|| listen_hint(text)));
        }
        found
    }

    /// A path as written.
    pub fn path(&self) -> Option<PathBuf> {
        self.text().map(PathBuf::from)
    }

    /// A secret written in the file or taken from the environment; kept out of all that is printed.
    pub fn secret(&self) -> Option<Secret> {
        self.reader.hide(self.node);
        match &self.node.content {
            Content::Text(scalar) if !scalar.text.is_empty() => Some(Secret::new(scalar.text.clone())),
            Content::Broken => None,
            _ => {
                let (wrong, would) = (format!("{} is empty, or no single value", self.name), self.would.clone());
                let hint = "Write the text itself, or ${NAME}, in quotes.".to_owned();
                self.reader.tell(self.key_place, "***", wrong, would, Some(hint));
                None
            }
        }
    }

    /// An address of the web, kept as a secret: whoever knows it may use it.
    pub fn web_url(&self) -> Option<Secret> {
        self.reader.hide(self.node);
        let text = self.text_of_secret()?;
        let rest = text.strip_prefix("https://").or_else(|| text.strip_prefix("http://"));
        let host = rest.map(|rest| rest.split(['/', '?', '#']).next().unwrap_or_default());
        let good =
            host.is_some_and(|host| !host.is_empty()) && !text.contains(|c: char| c.is_whitespace() || c.is_control());
        if !good {
            let hint = "It begins with https:// or http:// and has no spaces in it.".to_owned();
            self.refuse_secret(format!("{} is no address of the web", self.name), hint);
        }
        good.then(|| Secret::new(text))
    }

    fn text_of_secret(&self) -> Option<&str> {
        match &self.node.content {
            Content::Text(scalar) if !scalar.text.trim().is_empty() => Some(scalar.text.trim()),
            Content::Broken => None,
            _ => {
                self.refuse_secret(
                    format!("{} is empty, or no single value", self.name),
                    "Write it in quotes.".to_owned(),
                );
                None
            }
        }
    }

    /// Tells what is wrong with a value that must not be printed.
    pub fn refuse_secret(&self, wrong: String, hint: String) {
        self.reader.tell(self.node.place, "***", wrong, self.would.clone(), Some(hint));
    }
}

fn listen_hint(text: &str) -> String {
    let digits = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
    let host = text.rsplit_once(':').map(|(host, _)| host);
    match text.rsplit_once(':') {
        Some((_, port)) if digits(port) && port.parse::<u16>().is_err() => "A port is a number up to 65535.".to_owned(),
        Some(("" | "*", port)) if digits(port) => format!("For every address of this machine: `0.0.0.0:{port}`."),
        None if digits(text) => format!("Did you mean `127.0.0.1:{text}`?"),
        _ if host.is_some_and(|host| host.ends_with(|c: char| c.is_ascii_alphabetic())) => {
            "Write the address in numbers, such as `127.0.0.1:8470`, or `0.0.0.0:8470` for every one.".to_owned()
        }
        _ => "Write address and port, such as `127.0.0.1:8470`.".to_owned(),
    }
}

/// Reads `password` or `password_file`, one of which may be there.
pub(super) fn password(section: &Section<'_>) -> Option<Secret> {
    let (written, file) = (section.value("password"), section.value("password_file"));
    if let (Some(written), Some(_)) = (&written, &file) {
        section.reader.hide(written.node);
        section.problem(
            "password_file",
            format!("{} has both `password` and `password_file`", section.what),
            "one of the two would win without a word",
            "Remove one of them.".to_owned(),
        );
        return None;
    }
    match (written, file) {
        (Some(written), _) => written.secret(),
        (None, Some(file)) => password_in(&file),
        (None, None) => None,
    }
}

fn password_in(file: &Value<'_>) -> Option<Secret> {
    let path = file.text()?;
    match (file.reader.around.read_file)(Path::new(path)) {
        Ok(text) => {
            let text = text.strip_suffix('\n').unwrap_or(&text);
            let text = text.strip_suffix('\r').unwrap_or(text);
            if text.is_empty() {
                file.problem(format!("{} holds nothing", file.name), None);
                return None;
            }
            Some(Secret::new(text))
        }
        Err(error) => {
            file.problem(format!("{} could not be read: {error}", file.name), None);
            None
        }
    }
}

/// `broker:`; embedded on loopback when it is not there.
pub(super) fn broker(reader: &Reader<'_>, file: &Section<'_>) -> Broker {
    let plain = Broker::Embedded(Embedded { listen: EMBEDDED_LISTEN, users: Vec::new() });
    let Some(value) = file.value("broker") else { return plain };
    if let Content::Text(scalar) = &value.node.content {
        if scalar.text.contains(['/', '@']) {
            reader.hide(value.node);
            value.refuse_secret(
                "`broker` takes `embedded`, or keys such as `url:`".to_owned(),
                "Write `broker: {url: …}`.".to_owned(),
            );
        } else {
            value.word(&[("embedded", ())]);
        }
        return plain;
    }
    let Some(section) = file.section("broker", &table::BROKER) else { return plain };
    if section.has("url") {
        if section.has("embedded") {
            let wrong = "`broker` has both `embedded` and `url`".to_owned();
            section.problem("embedded", wrong, "it could not be told which broker to use", "Remove one.".to_owned());
        }
        return existing(&section).map_or(plain, Broker::Existing);
    }
    for name in ["username", "password", "password_file", "ca_file", "client_cert_file", "client_key_file"] {
        if section.has(name) {
            if name == "password" {
                section.value(name).inspect(|value| reader.hide(value.node));
            }
            let hint = "Add `url:`; for the embedded broker write `embedded: {users: …}`.".to_owned();
            section.problem(
                name,
                format!("`{name}` is of use with an existing broker only"),
                "it would be ignored",
                hint,
            );
        }
    }
    section.section("embedded", &table::EMBEDDED).map_or(plain, |section| Broker::Embedded(embedded(&section)))
}

fn embedded(section: &Section<'_>) -> Embedded {
    let listen = section.value("listen").and_then(|value| value.listen());
    let users: Vec<User> = section.entries("users").iter().filter_map(|entry| user(section.reader, entry)).collect();
    if let Some(address) =
        listen.filter(|address| !address.ip().is_loopback() && section.entries_quietly("users").is_empty())
    {
        section.problem(
            "listen",
            format!("the embedded broker listens at {address}, off this machine alone, and has no `users`"),
            "anybody on the network could read, and command valves",
            "Add `users: {name: \"${PASSWORD}\"}`, or listen at 127.0.0.1.".to_owned(),
        );
    }
    Embedded { listen: listen.unwrap_or(EMBEDDED_LISTEN), users }
}

fn user(reader: &Reader<'_>, entry: &super::tree::Entry) -> Option<User> {
    let what = format!("user `{}`", entry.key);
    if entry.key.is_empty() || entry.key.chars().any(char::is_control) {
        let wrong = "a user's name must not be empty nor have control characters in it".to_owned();
        reader.tell(entry.key_place, &entry.key, wrong, "nobody could log in with it".to_owned(), None);
        return None;
    }
    if !matches!(entry.value.content, Content::Map(_)) {
        let (name, would) = (format!("the password of {what}"), "the user could not log in".to_owned());
        let value = Value { reader, node: &entry.value, key_place: entry.key_place, name, would };
        let password = value.secret()?;
        return Some(User { name: entry.key.clone(), password, commands: false });
    }
    let section = Section::open(reader, &entry.value, &table::USER, &what, entry.key_place)?;
    let commands = section.value("commands").and_then(|value| value.yes_or_no()).unwrap_or(false);
    if !section.has("password") && !section.has("password_file") {
        let hint = "Add `password_file:`, or `password: \"${NAME}\"`.".to_owned();
        reader.tell(
            entry.key_place,
            &entry.key,
            format!("{what} has no password"),
            "nobody could log in with it".to_owned(),
            Some(hint),
        );
        return None;
    }
    Some(User { name: entry.key.clone(), password: password(&section)?, commands })
}

fn existing(section: &Section<'_>) -> Option<Existing> {
    let username = section.value("username").and_then(|value| value.text().map(str::to_owned));
    let password = password(section);
    let path = |name| section.value(name).and_then(|value| value.path());
    let (ca_file, client_cert_file, client_key_file) =
        (path("ca_file"), path("client_cert_file"), path("client_key_file"));
    let (cert, key) = ("client_cert_file", "client_key_file");
    for (one, other) in [(cert, key), (key, cert)] {
        if section.has(one) && !section.has(other) {
            let hint = format!("Add `{other}:`, or remove `{one}:`.");
            section.problem(
                one,
                format!("`{one}` is there without `{other}`"),
                "the broker could not be shown who is calling",
                hint,
            );
        }
    }
    let with_password = ["password", "password_file"].into_iter().find(|name| section.has(name));
    if let Some(name) = with_password.filter(|_| !section.has("username")) {
        let hint = "Add `username:`.".to_owned();
        section.problem(
            name,
            "`broker` has a password and no `username`".to_owned(),
            "the broker would not know whose it is",
            hint,
        );
    }
    let (host, port, tls) = broker_url(&section.value("url")?)?;
    for name in ["ca_file", cert, key] {
        if !tls && section.has(name) {
            let hint = "Write `mqtts://` in `url`, or remove it.".to_owned();
            section.problem(
                name,
                format!("`{name}` is of use with mqtts:// only"),
                "passwords would go over the network in the clear",
                hint,
            );
        }
    }
    if tls && !cfg!(feature = "tls") {
        section.reader.note("`url: mqtts://…` needs tarewell built with `--features tls`; this one is not".to_owned());
    }
    Some(Existing { host, port, tls, username, password, ca_file, client_cert_file, client_key_file })
}

/// Host, port and whether TLS is wanted.
fn broker_url(value: &Value<'_>) -> Option<(String, u16, bool)> {
    let scalar = value.scalar()?;
    let text = scalar.text.trim();
    if text.contains('@') {
        value.reader.hide(value.node);
        let hint = "Write them as `username:` and `password:`.".to_owned();
        value.refuse_secret(
            "the broker's `url` has a user or password in it, and addresses get into logs".to_owned(),
            hint,
        );
        return None;
    }
    let (scheme, rest) = text.split_once("://").unwrap_or(("", text));
    let tls = match scheme {
        "mqtt" => false,
        "mqtts" => true,
        _ => {
            let meant = if matches!(scheme, "ssl" | "tls" | "https" | "wss") { "mqtts" } else { "mqtt" };
            let hint = (!scalar.hidden()).then(|| format!("Did you mean `{meant}://{rest}`?"));
            value.problem(format!("{} must begin with mqtt:// or mqtts://", value.name), hint);
            return None;
        }
    };
    let rest = rest.strip_suffix('/').unwrap_or(rest);
    let (host, port) = host_and_port(rest, if tls { 8883 } else { 1883 });
    let fits = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '_' | ':');
    if host.is_empty() || !host.chars().all(fits) {
        let hint = format!("Write it like `{scheme}://192.168.1.10:1883`.");
        value.problem(format!("{} has no host that can be called", value.name), hint);
        return None;
    }
    let Some(port) = port else {
        value.problem(
            format!("{} has no port that can be called", value.name),
            "A port is a number from 1 to 65535.".to_owned(),
        );
        return None;
    };
    Some((host.to_owned(), port, tls))
}

fn host_and_port(rest: &str, usual: u16) -> (&str, Option<u16>) {
    let port = |text: &str| text.parse::<u16>().ok().filter(|&port| port > 0);
    if let Some((host, after)) = rest.strip_prefix('[').and_then(|rest| rest.split_once(']')) {
        return (host, if after.is_empty() { Some(usual) } else { after.strip_prefix(':').and_then(port) });
    }
    match rest.split_once(':') {
        Some((host, number)) => (host, port(number)),
        None => (rest, Some(usual)),
    }
}

/// `web:`; off when it is not there.
pub(super) fn web(file: &Section<'_>) -> Web {
    let Some(value) = file.value("web") else { return Web::Off };
    let (listen, password, secured) = match &value.node.content {
        Content::Text(scalar) if scalar.text == "off" => return Web::Off,
        Content::Text(scalar) if scalar.text.bytes().all(|b| b.is_ascii_alphabetic()) => {
            value.word(&[("off", ())]);
            return Web::Off;
        }
        Content::Map(_) => {
            let Some(section) = file.section("web", &table::WEB) else { return Web::Off };
            let secured = section.has("password") || section.has("password_file");
            (section.value("listen").and_then(|value| value.listen()), password(&section), secured)
        }
        _ => (value.listen(), None, false),
    };
    let Some(listen) = listen else { return Web::Off };
    if !listen.ip().is_loopback() && !secured {
        file.problem(
            "web",
            format!("`web` listens at {listen}, off this machine alone, without a password"),
            "anybody on the network could see the site and command its valves",
            format!("Write `web: {{listen: \"{listen}\", password_file: …}}`, or listen at 127.0.0.1."),
        );
    }
    Web::On { listen, password }
}
