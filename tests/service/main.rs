//! The program as its users have it: the binary, its exit codes, and what a stock MQTT client sees of it.

#[allow(dead_code, reason = "each test binary takes what it needs")]
#[path = "../adapters/server.rs"]
mod server;

mod asking;
mod bench;
mod drip;
mod ear;
mod exits;
mod exports;
mod http;
mod played;

#[allow(dead_code, reason = "each test binary takes what it needs")]
#[path = "../support/mosquitto.rs"]
mod mosquitto;

mod alerts;
mod demo;
mod kept;
mod late;
mod life;
mod pages;
mod phone;
mod proxy;
mod publishing;
mod readings;
mod recorded;
mod rough;
mod rounds;
mod shapes;
mod survival;
mod tools;
mod valves;
mod walk;
