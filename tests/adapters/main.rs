//! What carries the engine's outputs out and its inputs in: the store, the messages to phones, the web.

mod notify;
mod notify_http;
mod server;
mod store;
mod web;
