//! The paths, and what each asks.

use super::ask::{Ask, Plotted, Reply, To};
use crate::moment::{Span, Wall, Zone};
use axum::Router;
use axum::body::Body;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, Request};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use chrono::{DateTime, NaiveDate, NaiveTime};
use serde::Deserialize;
use serde_json::{Value, json};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};
use tokio_util::sync::CancellationToken;

/// A command has at most so many bytes.
const LARGEST: usize = 64 * 1024;
/// An engine that has not answered by then does not turn.
const PATIENCE: Duration = Duration::from_secs(3);
/// A body must be there by then.
const BODY_PATIENCE: Duration = Duration::from_secs(10);
/// A command may wait 30 s for a weight to stand still.
const COMMAND_PATIENCE: Duration = Duration::from_secs(40);

/// What every request needs.
#[derive(Clone)]
pub struct State {
    pub asks: mpsc::Sender<Ask>,
    pub shutdown: CancellationToken,
    pub zone: Zone,
}

type Here = axum::extract::State<State>;

pub fn router(state: State) -> Router {
    Router::new()
        .route("/health", get(health))
        .route("/api/site", get(site))
        .route("/api/today", get(today))
        .route("/api/away", get(away))
        .route("/api/flats/{id}/history", get(history))
        .route("/api/flats/{id}/command", post(|here: Here, Path(id), request| command(here, To::Flat(id), request)))
        .route("/api/stands/{id}/command", post(|here: Here, Path(id), request| command(here, To::Stand(id), request)))
        .route("/api/valves/{id}/command", post(|here: Here, Path(id), request| command(here, To::Valve(id), request)))
        .route("/api/command", post(|here: Here, request| command(here, To::Site, request)))
        .fallback(async || problem(StatusCode::NOT_FOUND, "there is nothing at this path; try /api/site"))
        .method_not_allowed_fallback(async || {
            problem(StatusCode::METHOD_NOT_ALLOWED, "states are asked with GET, commands given with POST")
        })
        .with_state(state)
}

async fn health(here: Here) -> Response {
    let version = env!("CARGO_PKG_VERSION");
    match here.ask(PATIENCE, Ask::Health).await {
        Ok(health) => {
            let body = json!({"ok": true, "broker": health.broker, "store": health.store, "readings": health.readings, "version": version});
            answer(StatusCode::OK, body.to_string())
        }
        Err(silence) => silence.response(),
    }
}

async fn site(here: Here) -> Response {
    match here.ask(PATIENCE, Ask::Site).await {
        Ok(states) => answer(StatusCode::OK, states),
        Err(silence) => silence.response(),
    }
}

async fn today(here: Here) -> Response {
    match here.ask(PATIENCE, Ask::Today).await {
        Ok(list) => answer(StatusCode::OK, list),
        Err(silence) => silence.response(),
    }
}

#[derive(Deserialize)]
struct Until {
    until: Option<String>,
}

async fn away(here: Here, asked: Result<Query<Until>, QueryRejection>) -> Response {
    let missing = "it needs ?until=DATE: the last day nobody comes, such as 2026-03-08";
    let Ok(Query(Until { until: Some(text) })) = asked else { return problem(StatusCode::BAD_REQUEST, missing) };
    let until = match until(&text, here.zone) {
        Ok(until) => until,
        Err(why) => return problem(StatusCode::BAD_REQUEST, &why),
    };
    match here.ask(PATIENCE, |answer| Ask::Away { until, answer }).await {
        Ok(Some(list)) => answer(StatusCode::OK, list),
        Ok(None) => {
            problem(StatusCode::BAD_REQUEST, &format!("`until`: {text} is over; give the last day nobody comes"))
        }
        Err(silence) => silence.response(),
    }
}

/// RFC 3339, or a date: the end of that local day, for who is away until Sunday comes back on Monday.
///
/// # Errors
/// The text is neither.
pub fn until(text: &str, zone: Zone) -> Result<Wall, String> {
    match text.parse::<NaiveDate>() {
        Ok(day) => Ok(zone.instant(day.succ_opt().unwrap_or(day), NaiveTime::MIN)),
        Err(_) => instant(text, zone),
    }
}

/// The same of what lies behind: RFC 3339, or a date: the last instant of that local day, for what was on Sunday was not on Monday.
///
/// # Errors
/// The text is neither.
pub fn through(text: &str, zone: Zone) -> Result<Wall, String> {
    let is_day = text.parse::<NaiveDate>().is_ok();
    until(text, zone).map(|end| if is_day { end - Span::from_millis(1) } else { end })
}

async fn command(here: Here, to: To, request: Request) -> Response {
    let payload = match body(request.into_body()).await {
        Ok(payload) => payload,
        Err(refusal) => return refusal,
    };
    match here.ask(COMMAND_PATIENCE, |answer| Ask::Command { to, payload, answer }).await {
        Ok(Reply::Done(json)) => answer(StatusCode::OK, json),
        Ok(Reply::Unreadable(why)) => problem(StatusCode::BAD_REQUEST, &why),
        Ok(Reply::Unknown(why)) => problem(StatusCode::NOT_FOUND, &why),
        Ok(Reply::Refused(why)) => problem(StatusCode::CONFLICT, &why),
        Err(silence) => silence.response(),
    }
}

async fn body(body: Body) -> Result<Vec<u8>, Response> {
    match tokio::time::timeout(BODY_PATIENCE, axum::body::to_bytes(body, LARGEST)).await {
        Ok(Ok(bytes)) => Ok(bytes.to_vec()),
        Ok(Err(_)) => Err(problem(StatusCode::PAYLOAD_TOO_LARGE, "a command has at most 65536 bytes")),
        Err(_) => Err(problem(StatusCode::REQUEST_TIMEOUT, "the command did not come to its end within 10 s")),
    }
}

#[derive(Deserialize)]
struct Window {
    from: Option<String>,
    to: Option<String>,
}

async fn history(here: Here, Path(flat): Path<String>, window: Result<Query<Window>, QueryRejection>) -> Response {
    let Ok(Query(window)) = window else {
        return problem(StatusCode::BAD_REQUEST, "the question after `?` cannot be read; it takes from=… and to=…");
    };
    let zone = here.zone;
    let (from, to) = (window.from.map(|text| instant(&text, zone)), window.to.map(|text| through(&text, zone)));
    let (from, to) = match (from.transpose(), to.transpose()) {
        (Ok(from), Ok(to)) => (from, to),
        (Err(why), _) | (_, Err(why)) => return problem(StatusCode::BAD_REQUEST, &why),
    };
    if let (Some(from), Some(to)) = (from, to)
        && from > to
    {
        let (from, to) = (zone.stamp(from), zone.stamp(to));
        let why = format!(
            "`from` ({from}) is after `to` ({to}), so nothing can lie between them. Are they the wrong way round?"
        );
        return problem(StatusCode::BAD_REQUEST, &why);
    }
    let unknown = format!("there is no flat {flat:?}");
    match here.ask(PATIENCE, |answer| Ask::History { flat, from, to, answer }).await {
        Ok(Some(points)) => {
            let points: Vec<Value> = points.iter().map(|point| plotted(point, zone)).collect();
            answer(StatusCode::OK, Value::from(points).to_string())
        }
        Ok(None) => problem(StatusCode::NOT_FOUND, &unknown),
        Err(silence) => silence.response(),
    }
}

/// RFC 3339, or a date: its local midnight.
fn instant(text: &str, zone: Zone) -> Result<Wall, String> {
    // In a question after `?` a plus sign that was not escaped arrives as a space.
    if let Ok(time) = DateTime::parse_from_rfc3339(&text.replace(' ', "+")) {
        return Ok(Wall::from_millis(time.timestamp_millis()));
    }
    let date = text.parse::<NaiveDate>();
    date.map(|date| zone.instant(date, NaiveTime::MIN))
        .map_err(|_| format!("{text:?} is no time; write 2026-03-04T08:15:00+00:00 or 2026-03-04"))
}

fn plotted(point: &Plotted, zone: Zone) -> Value {
    let rounded = |value: f64, parts: f64| (value * parts).round() / parts;
    json!({
        "time": zone.stamp(point.at),
        "weight_g": rounded(point.weight.get(), 10.0),
        "fraction": point.fraction.map(|fraction| rounded(fraction.get(), 1000.0)),
    })
}

/// Why there is no answer.
enum Silence {
    Stopping,
    /// It was asked, and let the question fall.
    Unanswered,
    /// Not within the patience.
    Stuck(Duration),
}

impl Silence {
    fn response(&self) -> Response {
        let words = match self {
            Self::Stopping => "it is stopping".to_owned(),
            Self::Unanswered => "the engine has no answer to this now".to_owned(),
            Self::Stuck(patience) => format!("the engine has not answered for {} s", patience.as_secs()),
        };
        problem(StatusCode::SERVICE_UNAVAILABLE, &words)
    }
}

impl State {
    async fn ask<T>(&self, patience: Duration, ask: impl FnOnce(oneshot::Sender<T>) -> Ask) -> Result<T, Silence> {
        let (answer, answered) = oneshot::channel();
        let asking = async {
            self.asks.send(ask(answer)).await.ok()?;
            answered.await.ok()
        };
        tokio::select! {
            biased;
            outcome = tokio::time::timeout(patience, asking) => match outcome {
                Ok(Some(answer)) => Ok(answer),
                _ if self.shutdown.is_cancelled() => Err(Silence::Stopping),
                Ok(None) => Err(Silence::Unanswered),
                Err(_) => Err(Silence::Stuck(patience)),
            },
            () = self.shutdown.cancelled() => Err(Silence::Stopping),
        }
    }
}

/// An answer of JSON.
fn answer(status: StatusCode, json: String) -> Response {
    (status, [(header::CONTENT_TYPE, "application/json")], json).into_response()
}

/// A refusal in the words of an answer to a command.
pub fn problem(status: StatusCode, error: &str) -> Response {
    answer(status, json!({"ok": false, "error": error}).to_string())
}
