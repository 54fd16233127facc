//! Who may ask: the password, other origins, other names for this machine; and the headers of every answer.

use super::basic;
use super::routes::problem;
use crate::config::Secret;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::Response;
use std::net::IpAddr;
use std::sync::Arc;

/// What must be shown to come in.
pub struct Gate {
    /// The password, if one is set; never empty.
    pub password: Option<Secret>,
}

const HEADERS: [(&str, &str); 6] = [
    ("content-security-policy", "default-src 'none'; frame-ancestors 'none'"),
    ("x-content-type-options", "nosniff"),
    ("x-frame-options", "DENY"),
    ("referrer-policy", "no-referrer"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cache-control", "no-store"),
];

/// Lets a request through or refuses it, and guards the answer.
pub async fn guard(State(gate): State<Arc<Gate>>, request: Request, next: Next) -> Response {
    let mut response = match refusal(&gate, &request) {
        Some(refusal) => refusal,
        None => next.run(request).await,
    };
    for (name, value) in HEADERS {
        response.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    response
}

fn refusal(gate: &Gate, request: &Request) -> Option<Response> {
    let headers = request.headers();
    let command = request.method() == Method::POST;
    // A page elsewhere may give its own name this machine's address, and would then read what is here as its own. Where
    // there is a password the browser would not send it along.
    if gate.password.is_none() && !text(headers, header::HOST.as_str()).is_none_or(is_this_machine) {
        return Some(problem(
            StatusCode::FORBIDDEN,
            "this name for the machine is not known; use localhost or 127.0.0.1, or set a password",
        ));
    }
    if command && !is_own_origin(headers) {
        return Some(problem(StatusCode::FORBIDDEN, "commands are taken from this site's own pages only"));
    }
    if let Some(password) = gate.password.as_ref().filter(|_| request.uri().path() != "/health") {
        let carried =
            text(headers, header::AUTHORIZATION.as_str()).is_some_and(|given| basic::carries(given, password.reveal()));
        if !carried {
            return Some(unauthorized());
        }
    }
    if command && !is_json(headers) {
        return Some(problem(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "a command is sent with Content-Type: application/json",
        ));
    }
    None
}

fn unauthorized() -> Response {
    let mut response = problem(StatusCode::UNAUTHORIZED, "a password is needed (HTTP Basic, any user name)");
    let challenge = HeaderValue::from_static("Basic realm=\"tarewell\", charset=\"UTF-8\"");
    response.headers_mut().insert(header::WWW_AUTHENTICATE, challenge);
    response
}

/// A header's value; one that is no text counts as an empty one.
fn text<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    headers.get(name).map(|value| value.to_str().unwrap_or(""))
}

fn is_this_machine(host: &str) -> bool {
    let name = match host.strip_prefix('[').and_then(|rest| rest.split_once(']')) {
        Some((address, _)) => address,
        None => host.split_once(':').map_or(host, |(name, _)| name),
    };
    let name = name.trim_end_matches('.');
    name.eq_ignore_ascii_case("localhost") || name.parse::<IpAddr>().is_ok_and(|address| address.is_loopback())
}

/// Whether a request comes from a page of ours, or from no page at all.
fn is_own_origin(headers: &HeaderMap) -> bool {
    let fetched = text(headers, "sec-fetch-site").is_none_or(|site| matches!(site, "same-origin" | "none"));
    let own = text(headers, header::ORIGIN.as_str()).is_none_or(|origin| {
        let authority = origin.split_once("://").map(|(_, authority)| authority);
        let host = text(headers, header::HOST.as_str());
        authority.zip(host).is_some_and(|(authority, host)| authority.eq_ignore_ascii_case(host))
    });
    fetched && own
}

fn is_json(headers: &HeaderMap) -> bool {
    let kind = text(headers, header::CONTENT_TYPE.as_str()).unwrap_or_default();
    kind.split(';').next().is_some_and(|kind| kind.trim().eq_ignore_ascii_case("application/json"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn this_machine_has_few_names() {
        for name in ["localhost", "LOCALHOST:8470", "127.0.0.1:1", "127.9.9.9", "[::1]:8470", "[::1]", "localhost."] {
            assert!(is_this_machine(name), "{name}");
        }
        for name in ["", "localhost.example.net", "192.168.1.4:8470", "127.0.0.1.example.net", "[::2]:80", "["] {
            assert!(!is_this_machine(name), "{name}");
        }
    }
}
