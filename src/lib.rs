//! tarewell keeps flats of seedlings near the middle of their band of available water, by weight.
#![forbid(unsafe_code)]

pub mod alert;
pub mod broker;
pub mod command;
pub mod config;
pub mod flat;
pub mod moment;
pub mod mqtt;
pub mod notify;
pub mod service;
pub mod site;
pub mod stand;
pub mod store;
pub mod units;
pub mod watering;
pub mod web;
pub mod wire;
