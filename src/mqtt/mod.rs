//! The MQTT 5 client: connect for ever, subscribe again on each connect, publish without waiting.
//!
//! One task, on a thread of its own, owns the connection. What it hears goes in batches through an [`Inbox`]; what is to be said goes through an
//! outbox that never blocks. Neither side ever waits for the other:
//!
//! * **Publishing never blocks reading.** [`Client::publish`] only writes into the outbox. States are kept one to a
//!   topic, so on a slow link an older one is replaced, not queued. Only a few messages at a time are given to the
//!   connection; when the network takes no more of them, one message at most stands between two reads, as it must:
//!   an MQTT client that cannot write cannot acknowledge either.
//! * **A slow service pushes back.** When [`inbox::BOUND`] messages wait, the task stops reading, and TCP makes the
//!   broker wait. Pings stop with it. That is meant: a service that takes nothing for one and a half keep-alives does
//!   not turn, and then the broker's Last Will says so. While it takes anything, reading and pings go on.
//! * **Nothing is carried over a lost connection** but events: states are published again by the service when it hears
//!   [`Heard::Up`], and whatever else was waiting is thrown away. Each connection gets a new client, so none of the
//!   library's own queues survives either. An order to a valve is [`Delivery::Order`].
//!
//! What comes in with QoS 1 was acknowledged when it was read, and may come twice; a busy connection is read in steps of
//! two milliseconds, which costs a fraction of reading each message as it comes.
//!
//! ```no_run
//! # async fn service(settings: tarewell::mqtt::Settings) -> Result<(), tarewell::mqtt::SettingsError> {
//! use tarewell::mqtt::{Client, Delivery, Heard, Outgoing};
//!
//! let (client, mut inbox) = Client::start(settings)?;
//! let mut batch = Vec::new();
//! while inbox.next(&mut batch).await {
//!     for heard in &batch {
//!         match heard {
//!             Heard::Up { .. } => {
//!                 let online = Outgoing::new("tarewell/status", "online", Delivery::State { qos1: true });
//!                 client.publish(online);
//!             }
//!             Heard::Message(message) => println!("{}: {:?}", message.topic(), message.payload()),
//!             other => println!("{other:?}"),
//!         }
//!     }
//! }
//! # Ok(())
//! # }
//! ```

mod client;
mod driver;
pub mod inbox;
mod link;
mod message;
mod outbox;
mod outgoing;
mod pause;
mod settings;
mod topic;
mod trouble;

pub use client::Client;
pub use inbox::Inbox;
pub use message::{Heard, Message};
pub use outgoing::{Delivery, LARGEST_PAYLOAD, Outgoing, Published, Unsendable};
pub use settings::{LARGEST_PACKET, Settings, SettingsError, Subscription, Timing, Tls, Will};
pub use topic::{is_filter, is_topic};
