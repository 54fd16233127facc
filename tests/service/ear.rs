//! A stock client: hears everything, says anything, and asks with a response topic.

use crate::bench::PATIENCE;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, PublishProperties};
use rumqttc::v5::{Client, Event, Incoming, MqttOptions};
use serde_json::Value;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// One message as it came.
#[derive(Debug, Clone)]
pub struct Message {
    pub topic: String,
    pub payload: Vec<u8>,
    pub retained: bool,
    pub qos: u8,
    pub correlation: Option<Vec<u8>>,
}

impl Message {
    pub fn text(&self) -> &str {
        std::str::from_utf8(&self.payload).unwrap()
    }

    /// The payload as JSON; null when it is empty.
    pub fn json(&self) -> Value {
        if self.payload.is_empty() {
            return Value::Null;
        }
        serde_json::from_slice(&self.payload).unwrap_or_else(|e| panic!("{}: {e}: {}", self.topic, self.text()))
    }
}

/// A connection with all it has heard.
pub struct Ear {
    client: Client,
    heard: Arc<Heard>,
}

#[derive(Default)]
struct Heard {
    all: Mutex<Inner>,
    more: Condvar,
}

#[derive(Default)]
struct Inner {
    messages: Vec<Message>,
    subscribed: usize,
    acknowledged: usize,
    published: usize,
    over: bool,
}

impl Heard {
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.all.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

static NEXT: AtomicU32 = AtomicU32::new(0);

impl Ear {
    /// Hears these topics; with Retain As Published, so that the flag is seen as the publisher set it.
    pub fn open(at: SocketAddr, filters: &[&str]) -> Self {
        let number = NEXT.fetch_add(1, Ordering::Relaxed);
        Self::named(at, &format!("ear-{}-{number}", std::process::id()), filters)
    }

    pub fn named(at: SocketAddr, id: &str, filters: &[&str]) -> Self {
        Self::connect(MqttOptions::new(id, at.ip().to_string(), at.port()), filters)
    }

    /// With a name and a password.
    pub fn login(at: SocketAddr, (name, password): (&str, &str), filters: &[&str]) -> Self {
        let mut options = MqttOptions::new(format!("login-{name}"), at.ip().to_string(), at.port());
        options.set_credentials(name, password);
        Self::connect(options, filters)
    }

    fn connect(mut options: MqttOptions, filters: &[&str]) -> Self {
        options.set_keep_alive(Duration::from_secs(30));
        // Above what any test publishes.
        options.set_max_packet_size(Some(2_000_000));
        let (client, mut connection) = Client::new(options, 1000);
        let heard = Arc::new(Heard::default());
        let into = heard.clone();
        std::thread::spawn(move || {
            for event in connection.iter() {
                let mut inner = into.lock();
                match event {
                    Ok(Event::Incoming(Incoming::Publish(publish))) => inner.messages.push(Message {
                        topic: String::from_utf8(publish.topic.to_vec()).unwrap(),
                        payload: publish.payload.to_vec(),
                        retained: publish.retain,
                        qos: publish.qos as u8,
                        correlation: publish.properties.and_then(|p| p.correlation_data).map(|data| data.to_vec()),
                    }),
                    Ok(Event::Incoming(Incoming::SubAck(_))) => inner.subscribed += 1,
                    Ok(Event::Incoming(Incoming::PubAck(_))) => inner.acknowledged += 1,
                    Ok(_) => {}
                    Err(_) => {
                        inner.over = true;
                        into.more.notify_all();
                        return;
                    }
                }
                into.more.notify_all();
            }
        });
        let ear = Self { client, heard };
        if !filters.is_empty() {
            ear.hear(filters);
        }
        ear
    }

    /// Subscribes, and waits for the answer.
    pub fn hear(&self, filters: &[&str]) {
        let before = self.heard.lock().subscribed;
        let filters =
            filters.iter().map(|filter| Filter { preserve_retain: true, ..Filter::new(*filter, QoS::AtLeastOnce) });
        self.client.subscribe_many(filters).unwrap();
        self.wait("an answer to the subscription", |inner| (inner.subscribed > before).then_some(()));
    }

    /// Publishes, and waits for the broker to have it.
    pub fn say(&self, topic: &str, payload: &str) {
        self.publish(topic, payload.as_bytes(), false, None);
    }

    pub fn retain(&self, topic: &str, payload: &str) {
        self.publish(topic, payload.as_bytes(), true, None);
    }

    pub fn publish(&self, topic: &str, payload: &[u8], retain: bool, properties: Option<PublishProperties>) {
        let mine = {
            let mut inner = self.heard.lock();
            inner.published += 1;
            inner.published
        };
        let (qos, payload) = (QoS::AtLeastOnce, payload.to_vec());
        match properties {
            Some(properties) => self.client.publish_with_properties(topic, qos, retain, payload, properties).unwrap(),
            None => self.client.publish(topic, qos, retain, payload).unwrap(),
        }
        self.wait("an acknowledgement", |inner| (inner.acknowledged >= mine).then_some(()));
    }

    /// Publishes a command and gives back its answer.
    pub fn ask(&self, topic: &str, payload: &str) -> Value {
        let number = NEXT.fetch_add(1, Ordering::Relaxed);
        let answers = format!("answers/{}/{number}", std::process::id());
        self.hear(&[&answers]);
        let properties = PublishProperties {
            response_topic: Some(answers.clone()),
            correlation_data: Some(format!("c-{number}").into_bytes().into()),
            ..PublishProperties::default()
        };
        self.publish(topic, payload.as_bytes(), false, Some(properties));
        let answer = self.until(&format!("an answer to {payload} on {topic}"), |message| {
            (message.topic == answers).then(|| message.clone())
        });
        assert_eq!(answer.correlation, Some(format!("c-{number}").into_bytes()), "the correlation data");
        assert!(!answer.retained, "an answer is not retained");
        answer.json()
    }

    /// How many messages it has heard; with [`Self::after`], what comes from now on.
    pub fn mark(&self) -> usize {
        self.heard.lock().messages.len()
    }

    /// The first message that fits, of all it has heard or will hear.
    pub fn until<T>(&self, what: &str, fits: impl Fn(&Message) -> Option<T>) -> T {
        self.after(0, what, fits)
    }

    /// The first message that fits, after that many.
    pub fn after<T>(&self, mark: usize, what: &str, fits: impl Fn(&Message) -> Option<T>) -> T {
        self.wait(what, |inner| inner.messages.iter().skip(mark).find_map(&fits))
    }

    /// The first JSON message on a topic that fits, after that many.
    pub fn state(&self, mark: usize, topic: &str, fits: impl Fn(&Value) -> bool) -> Value {
        self.after(mark, &format!("a message on {topic} that fits"), |message| {
            let json = (message.topic == topic).then(|| message.json())?;
            fits(&json).then_some(json)
        })
    }

    /// The first event of this name after that many.
    pub fn event(&self, mark: usize, name: &str) -> Value {
        self.state(mark, "tarewell/events", |event| event["event"] == name)
    }

    /// Everything heard on topics with this beginning.
    pub fn on(&self, prefix: &str) -> Vec<Message> {
        let inner = self.heard.lock();
        inner.messages.iter().filter(|message| message.topic.starts_with(prefix)).cloned().collect()
    }

    fn wait<T>(&self, what: &str, find: impl Fn(&Inner) -> Option<T>) -> T {
        let begun = Instant::now();
        let mut inner = self.heard.lock();
        loop {
            if let Some(found) = find(&inner) {
                return found;
            }
            let heard = || {
                inner
                    .messages
                    .iter()
                    .map(|m| format!("{} {}", m.topic, String::from_utf8_lossy(&m.payload)))
                    .collect::<Vec<_>>()
            };
            assert!(!inner.over, "the connection broke while waiting for {what}; heard:\n{}", heard().join("\n"));
            assert!(begun.elapsed() < PATIENCE + Duration::from_secs(10), "no {what}; heard:\n{}", heard().join("\n"));
            inner = self
                .heard
                .more
                .wait_timeout(inner, Duration::from_millis(200))
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
    }
}

impl Drop for Ear {
    fn drop(&mut self) {
        let _ = self.client.disconnect();
    }
}

/// Readings of a stand, five a second, until `done` says so; the weights turn in a circle.
pub struct Scale {
    stop: Arc<Mutex<Option<Vec<String>>>>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Scale {
    /// Publishes on `topic` from now on.
    pub fn start(at: SocketAddr, topic: &str, weights: &[f64]) -> Self {
        Self::by(Ear::open(at, &[]), topic, weights)
    }

    /// As [`Self::start`], with this connection.
    pub fn by(ear: Ear, topic: &str, weights: &[f64]) -> Self {
        Self::run(ear, topic, weights, false)
    }

    /// As [`Self::start`], with the retain flag, as some devices do.
    pub fn retaining(at: SocketAddr, topic: &str, weights: &[f64]) -> Self {
        Self::run(Ear::open(at, &[]), topic, weights, true)
    }

    /// As [`Self::start`], with these payloads.
    pub fn saying(at: SocketAddr, topic: &str, payloads: Vec<String>) -> Self {
        Self::turn(Ear::open(at, &[]), topic, payloads, false)
    }

    fn run(ear: Ear, topic: &str, weights: &[f64], retain: bool) -> Self {
        Self::turn(ear, topic, weights.iter().map(f64::to_string).collect(), retain)
    }

    fn turn(ear: Ear, topic: &str, payloads: Vec<String>, retain: bool) -> Self {
        let stop = Arc::new(Mutex::new(Some(payloads)));
        let (shared, topic) = (stop.clone(), topic.to_owned());
        let thread = std::thread::spawn(move || {
            for turn in 0.. {
                let Some(payload) = shared.lock().unwrap().as_ref().map(|all| all[turn % all.len()].clone()) else {
                    return;
                };
                if ear.client.publish(&topic, QoS::AtLeastOnce, retain, payload.into_bytes()).is_err() {
                    return;
                }
                std::thread::sleep(Duration::from_millis(200));
            }
        });
        Self { stop, thread: Some(thread) }
    }

    /// From now on these weights.
    pub fn set(&self, weights: &[f64]) {
        *self.stop.lock().unwrap() = Some(weights.iter().map(f64::to_string).collect());
    }
}

impl Drop for Scale {
    fn drop(&mut self) {
        if let Ok(mut payloads) = self.stop.lock() {
            *payloads = None;
        }
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
