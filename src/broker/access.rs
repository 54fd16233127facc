//! Who may come in, and who may write where.

use super::embedded::{Login, User};
use mqtt5::broker::auth::{AuthProvider, AuthResult};
use mqtt5::packet::connect::ConnectPacket;
use mqtt5::protocol::v5::reason_codes::ReasonCode;
use std::collections::{HashMap, HashSet};
use std::future::{Future, ready};
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::{Mutex, PoisonError};
use tracing::warn;

/// So many refused names are told of; a stand with an old password knocks every few seconds.
const TOLD: usize = 100;

type Answer<'a, T> = Pin<Box<dyn Future<Output = T> + Send + 'a>>;

/// Checks logins and topics by lists held in memory.
///
/// Passwords are compared as they stand: they come in plain from the configuration, never leave this process, and a
/// slow hash would cost seconds of work whenever two hundred stands log in again after a power cut.
pub(super) struct Access {
    own: Login,
    users: HashMap<String, User>,
    base: String,
    valve_topics: HashSet<String>,
    told: Mutex<HashSet<String>>,
}

impl Access {
    pub(super) fn new(own: Login, users: Vec<User>, base: String, valve_topics: Vec<String>) -> Self {
        let users = users.into_iter().map(|user| (user.name.clone(), user)).collect();
        Self { own, users, base, valve_topics: valve_topics.into_iter().collect(), told: Mutex::default() }
    }

    fn login(&self, connect: &ConnectPacket) -> AuthResult {
        let (Some(name), Some(password)) = (&connect.username, &connect.password) else {
            return AuthResult::fail(ReasonCode::BadUsernameOrPassword);
        };
        if *name == self.own.name {
            return Self::verdict(name, same(password, self.own.password.as_bytes()));
        }
        // Somebody else under the program's own client id would push it off its own broker.
        if self.is_reserved(&connect.client_id) {
            return AuthResult::fail(ReasonCode::ClientIdentifierNotValid);
        }
        let known = self.users.get(name).is_some_and(|user| same(password, user.password.as_bytes()));
        Self::verdict(name, known)
    }

    fn verdict(name: &str, good: bool) -> AuthResult {
        if good { AuthResult::success_with_user(name) } else { AuthResult::fail(ReasonCode::BadUsernameOrPassword) }
    }

    fn tell_refused(&self, connect: &ConnectPacket, from: SocketAddr) {
        let name = connect.username.as_deref().unwrap_or("(none)");
        let mut told = self.told.lock().unwrap_or_else(PoisonError::into_inner);
        if told.len() < TOLD && told.insert(name.to_owned()) {
            warn!(user = name, client_id = connect.client_id, %from, "refuse a login to the embedded broker");
        }
    }

    fn is_reserved(&self, client_id: &str) -> bool {
        client_id.strip_prefix(self.base.as_str()).is_some_and(|rest| rest.is_empty() || rest.starts_with("-valve-"))
    }

    fn may_write(&self, user: Option<&str>, topic: &str) -> bool {
        let Some(user) = user else { return false };
        if user == self.own.name || self.users.get(user).is_some_and(|user| user.commands) {
            return true;
        }
        !self.is_guarded(topic)
    }

    /// Whether a topic lies under the base or orders a valve.
    fn is_guarded(&self, topic: &str) -> bool {
        let below = topic.strip_prefix(self.base.as_str()).is_some_and(|rest| rest.is_empty() || rest.starts_with('/'));
        below || self.valve_topics.contains(topic)
    }
}

/// Compares without telling by the time taken how much of the start was right.
fn same(left: &[u8], right: &[u8]) -> bool {
    let different = left.iter().zip(right).fold(0, |all, (a, b)| all | (a ^ b));
    left.len() == right.len() && different == 0
}

impl AuthProvider for Access {
    fn authenticate<'a>(
        &'a self,
        connect: &'a ConnectPacket,
        from: SocketAddr,
    ) -> Answer<'a, mqtt5::error::Result<AuthResult>> {
        let result = self.login(connect);
        if !result.authenticated {
            self.tell_refused(connect, from);
        }
        Box::pin(ready(Ok(result)))
    }

    fn authorize_publish<'a>(&'a self, _client: &str, user: Option<&'a str>, topic: &'a str) -> Answer<'a, bool> {
        Box::pin(ready(self.may_write(user, topic)))
    }

    fn authorize_subscribe<'a>(&'a self, _client: &str, user: Option<&'a str>, _filter: &'a str) -> Answer<'a, bool> {
        Box::pin(ready(user.is_some()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use mqtt5::protocol::v5::properties::Properties;

    fn access() -> Access {
        let user = |name: &str, commands| User { name: name.into(), password: format!("{name}-secret"), commands };
        let own = Login { name: "itself".into(), password: "one-time".into() };
        Access::new(own, vec![user("stand", false), user("phone", true)], "bench".into(), vec!["valve/1/set".into()])
    }

    fn connect(client_id: &str, login: Option<(&str, &str)>) -> ConnectPacket {
        ConnectPacket {
            protocol_version: 5,
            clean_start: true,
            keep_alive: 10,
            client_id: client_id.to_owned(),
            username: login.map(|(name, _)| name.to_owned()),
            password: login.map(|(_, password)| password.as_bytes().to_vec()),
            will: None,
            properties: Properties::default(),
            will_properties: Properties::default(),
        }
    }

    #[test]
    fn a_login_needs_the_right_password() {
        let access = access();
        for (login, good) in [
            (Some(("stand", "stand-secret")), true),
            (Some(("stand", "phone-secret")), false),
            (Some(("stand", "stand-secre")), false),
            (Some(("stand", "")), false),
            (Some(("nobody", "stand-secret")), false),
            (Some(("itself", "one-time")), true),
            (None, false),
        ] {
            assert_eq!(access.login(&connect("scale-1", login)).authenticated, good, "{login:?}");
        }
    }

    #[test]
    fn the_programs_own_client_ids_are_its_own() {
        let access = access();
        for (client_id, good) in [("bench", false), ("bench-valve-1", false), ("bench-2", true), ("benches", true)] {
            let login = connect(client_id, Some(("phone", "phone-secret")));
            assert_eq!(access.login(&login).authenticated, good, "{client_id}");
            assert!(access.login(&connect(client_id, Some(("itself", "one-time")))).authenticated);
        }
    }

    #[test]
    fn only_some_may_command() {
        let access = access();
        for (topic, open_to_all) in [
            ("scales/1", true),
            ("bench/flats/a/command", false),
            ("bench", false),
            ("bench-notes", true),
            ("valve/1/set", false),
            ("valve/1", true),
        ] {
            assert_eq!(access.may_write(Some("stand"), topic), open_to_all, "{topic}");
            assert!(access.may_write(Some("phone"), topic), "{topic}");
            assert!(access.may_write(Some("itself"), topic), "{topic}");
            assert!(!access.may_write(None, topic), "{topic}");
        }
    }
}
