//! Recordings made up on the spot, and what `replay` prints of them.

use crate::bench::{House, finish, tarewell};
use chrono::{DateTime, Utc};
use serde_json::{Value, json};
use std::fs;
use std::path::Path;

/// A recording that grows.
#[derive(Clone)]
pub struct Tape {
    now: f64,
    lines: Vec<String>,
}

impl Tape {
    /// Begins at this time, such as `2026-03-02T08:00:00Z`.
    pub fn at(start: &str) -> Self {
        let start: DateTime<Utc> = start.parse().unwrap();
        #[expect(clippy::cast_precision_loss, reason = "milliseconds of this century are exact")]
        let now = start.timestamp_millis() as f64 / 1000.0;
        Self { now, lines: Vec::new() }
    }

    fn stamp(&self) -> String {
        #[expect(clippy::cast_possible_truncation, reason = "milliseconds of this century fit")]
        let at = DateTime::<Utc>::from_timestamp_millis((self.now * 1000.0).round() as i64).unwrap();
        at.format("%Y-%m-%dT%H:%M:%S%.6f+0000").to_string()
    }

    /// A message now.
    pub fn say(&mut self, topic: &str, payload: &str) -> &mut Self {
        self.message(topic, payload, 0)
    }

    pub fn retained(&mut self, topic: &str, payload: &str) -> &mut Self {
        self.message(topic, payload, 1)
    }

    fn message(&mut self, topic: &str, payload: &str, retain: u8) -> &mut Self {
        let line = json!({"tst": self.stamp(), "topic": topic, "payload": payload, "retain": retain});
        self.lines.push(line.to_string());
        self
    }

    /// Nothing happens.
    pub fn pause(&mut self, seconds: f64) -> &mut Self {
        self.now += seconds;
        self
    }

    /// Readings on several topics, every `step` seconds for so many hours; the weights by the hours since the beginning
    /// of this stretch.
    pub fn weigh_all(&mut self, hours: f64, step: f64, scales: &[(&str, &dyn Fn(f64) -> f64)]) -> &mut Self {
        let begun = self.now;
        while self.now < begun + hours * 3600.0 {
            let passed = (self.now - begun) / 3600.0;
            for (topic, weight) in scales {
                self.say(topic, &format!("{:.1}", weight(passed)));
            }
            self.now += step;
        }
        self
    }

    pub fn weigh(&mut self, hours: f64, step: f64, topic: &str, weight: impl Fn(f64) -> f64) -> &mut Self {
        self.weigh_all(hours, step, &[(topic, &weight)])
    }

    pub fn play(&self, house: &House, body: &str) -> Played {
        house.write(body);
        self.play_with(house, &[])
    }

    /// Plays it with the configuration that is there.
    pub fn play_with(&self, house: &House, more: &[&str]) -> Played {
        let recording = house.path("recording.jsonl");
        fs::write(&recording, self.lines.join("\n") + "\n").unwrap();
        play(&house.path("tarewell.yaml"), &recording, more)
    }
}

pub fn play(config: &Path, recording: &Path, more: &[&str]) -> Played {
    let mut command = tarewell();
    command.arg("replay").arg("--config").arg(config).arg(recording).args(more);
    let (code, out, told) = finish(command);
    let lines = out.lines().map(|line| {
        let line: Value = serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {line}"));
        let time = line["time"].as_str().unwrap().parse::<DateTime<Utc>>().unwrap();
        Line { time, topic: line["topic"].as_str().unwrap().to_owned(), payload: line["payload"].clone() }
    });
    Played { code, told, lines: lines.collect() }
}

/// One message that `run` would have published.
#[derive(Debug, Clone)]
pub struct Line {
    pub time: DateTime<Utc>,
    pub topic: String,
    pub payload: Value,
}

pub struct Played {
    pub code: i32,
    pub told: String,
    pub lines: Vec<Line>,
}

impl Played {
    #[track_caller]
    pub fn good(self) -> Self {
        assert_eq!((self.code, self.told.as_str()), (0, ""), "a replay without a fault");
        self
    }

    pub fn on<'a>(&'a self, topic: &'a str) -> impl DoubleEndedIterator<Item = &'a Line> {
        self.lines.iter().filter(move |line| line.topic == topic)
    }

    #[track_caller]
    pub fn last<'a>(&'a self, topic: &'a str) -> &'a Value {
        &self.on(topic).last().unwrap_or_else(|| panic!("nothing on {topic}")).payload
    }

    /// The events of this name.
    pub fn events(&self, name: &str) -> Vec<&Value> {
        self.on("tarewell/events").map(|line| &line.payload).filter(|event| event["event"] == name).collect()
    }

    /// The events that tell of this kind of alert, as `raised` or `cleared` with the time.
    pub fn story(&self, kind: &str) -> Vec<(String, DateTime<Utc>)> {
        let of_kind = self.on("tarewell/events").filter(|line| line.payload["kind"] == kind);
        of_kind
            .map(|line| {
                let event = line.payload["event"].as_str().unwrap();
                (event.strip_prefix("alert-").unwrap().to_owned(), line.time)
            })
            .collect()
    }

    /// [`Self::story`] without times.
    pub fn turns(&self, kind: &str) -> Vec<String> {
        self.story(kind).into_iter().map(|(turn, _)| turn).collect()
    }

    /// Every kind of alert there was.
    pub fn kinds(&self) -> Vec<String> {
        let mut kinds: Vec<String> = self
            .events("alert-raised")
            .iter()
            .map(|event| format!("{}/{}", event["kind"].as_str().unwrap(), event["id"].as_str().unwrap()))
            .collect();
        kinds.sort();
        kinds.dedup();
        kinds
    }
}
