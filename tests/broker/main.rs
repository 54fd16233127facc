//! The client against a scripted broker that misbehaves on purpose, and against real brokers.

mod conformance;
mod ears;
mod embedded;
mod incoming;
mod orders;
mod outgoing;
mod proxy;
mod reconnect;
mod scripted;
mod stock;
mod tls;

#[path = "../support/mosquitto.rs"]
mod mosquitto;
