//! tarewell keeps flats of seedlings near the middle of their band of available water, by weight.
//!
//! A flat stands on a load cell; a microcontroller publishes the weight over MQTT. From two weights that were recorded once
//! follows how much water is left for the plants, and from the weights since then when it will run low, how much to pour and
//! at what weight to stop, how long a valve would have to run, and whether somebody must be told.
//!
//! # The words
//!
//! | word | meaning |
//! | --- | --- |
//! | flat | one seed-starting tray as it is weighed: bottom tray, insert, mix, seeds or plants, water |
//! | fill | a recipe that many flats share: tray, cells, mix, and the band it gave when measured |
//! | stand | the platform with load cells on which a flat sits |
//! | dry weight | the flat as filled and sown, before any water |
//! | capacity weight | the same set-up soaked through and drained until dripping stops |
//! | band | capacity weight − dry weight |
//! | fraction | (weight − dry weight − plant mass) / band: 0 at dry weight, 1 at capacity |
//! | plant mass | fresh mass grown since the band was recorded; shifts both ends equally |
//! | low, water at, target, high | limits on the fraction: dry below, due below, watered to, never watered above |
//! | plan | what a valve would pour now, and for how long |
//!
//! # The map
//!
//! In the middle stands one deterministic state machine, [`site::Site`], with no I/O, no clock, no task and no log:
//! [`site::Site::handle`] takes everything that can happen, [`site::Site::poll`] gives back what is to be done, and
//! [`site::Site::next_wake`] says when it wants to be called though nothing happened. The live service, a replay and the tests
//! all turn the same machine.
//!
//! | layer | rooms |
//! | --- | --- |
//! | quantities and time | [`units`], [`moment`] |
//! | engine rooms | [`stand`]: raw value → weight worth believing; [`flat`]: weight → water left, drying, forecast; [`watering`]: water left → what a valve would pour; [`alert`]: what to tell, when it rises and ends |
//! | the engine | [`site`] |
//! | pure edges | [`wire`]: bytes ↔ inputs and outputs; [`config`]: YAML → a checked plan; [`sim`]: a physical model of flats, cells and valves |
//! | adapters | [`mqtt`], [`broker`], [`store`], [`notify`], [`web`] |
//! | the service | [`service`]: one task that owns the site, and the tasks around it |
//! | the command line | [`command`] |
//!
//! A room uses only rooms of the layers above it in this table (and a few of its own layer, by name); a test reads the sources
//! and fails on an arrow that points the other way. `DEVELOPERS.md` tells the rest.
//!
//! # An engine in ten lines
//!
//! ```
//! use std::sync::Arc;
//! use tarewell::config::{self, Surroundings};
//! use tarewell::moment::{Moment, Span, Wall};
//! use tarewell::site::{Input, Part, Saved, Site};
//!
//! let yaml = "
//! stands: {sill: {topic: home/sill}}
//! flats: {pea: {label: Pea, stand: sill, dry_weight: 2000 g, capacity_weight: 3000 g}}";
//! let nothing = |_: &str| None;
//! let no_files = |_: &std::path::Path| Err("there are no files here".to_owned());
//! let around = Surroundings { environment: &nothing, read_file: &no_files, machine_zone: None };
//! let plan = Arc::new(config::read(yaml.as_bytes(), "in-memory.yaml", &around).map_err(|wrong| wrong.to_string())?.plan);
//!
//! let begin = Moment::recorded(Wall::from_millis(1_775_800_800_000));
//! let mut site = Site::new(plan, &Saved::default(), begin);
//! for second in 0..5 {
//!     let weight = Input::Reading { stand: 0, part: Part::Whole, value: Ok(2280.0), retained: false };
//!     site.handle(weight, begin.after(Span::seconds(second)));
//! }
//! let state = site.flat_state(0).ok_or("there is one flat")?;
//! assert_eq!((state.condition, state.fraction), ("dry", Some(0.28)));
//! assert_eq!(state.advice, "Dry: 28 % of its water is left. Pour 220 mL; stop at 2.50 kg.");
//! # Ok::<(), String>(())
//! ```
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
pub mod sim;
pub mod site;
pub mod stand;
pub mod store;
pub mod units;
pub mod watering;
pub mod web;
pub mod wire;
