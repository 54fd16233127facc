//! Makes a recording of flats that dry and are watered by hand, for trying `tarewell replay` and for speed runs.
//!
//! ```text
//! cargo run --example make_recording -- --flats 50 --days 7 > week.csv
//! cargo run --example make_recording -- --flats 50 --config > week.yaml
//! tarewell replay --config week.yaml week.csv
//! ```
//!
//! The same seed gives the same recording. Weights are made up: a band of 1.4 to 1.8 kg that lasts some three days,
//! drying that follows the sun, 1.5 g of noise, 4 g of thermal swing a day, and somebody who pours each morning
//! where less than four tenths is left.

use chrono::{DateTime, TimeDelta, Timelike, Utc};
use clap::Parser;
use std::f64::consts::TAU;
use std::io::{self, BufWriter, Write};

#[derive(Parser)]
pub struct Wanted {
    /// How many flats, each on a stand of its own
    #[arg(long, default_value_t = 4, value_parser = clap::value_parser!(u32).range(1..=100_000))]
    pub flats: u32,
    /// How many days
    #[arg(long, default_value_t = 7, value_parser = clap::value_parser!(u32).range(1..=3650))]
    pub days: u32,
    /// Seconds between two readings of a stand
    #[arg(long, default_value_t = 10, value_parser = clap::value_parser!(u32).range(1..=3600))]
    pub every: u32,
    /// Another seed gives another recording
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// The first reading
    #[arg(long, default_value = "2026-03-02T00:00:00Z")]
    pub from: DateTime<Utc>,
    /// Print a configuration for the recording instead
    #[arg(long)]
    pub config: bool,
}

fn main() -> io::Result<()> {
    let wanted = Wanted::parse();
    let mut out = BufWriter::with_capacity(1 << 16, io::stdout().lock());
    let done = if wanted.config { configuration(&wanted, &mut out) } else { recording(&wanted, &mut out) };
    match done.and_then(|()| out.flush()) {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        done => done,
    }
}

pub fn configuration(wanted: &Wanted, out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "version: 1\nsite: {{name: Made up, time_zone: Etc/UTC}}\nstands:")?;
    for flat in 1..=wanted.flats {
        writeln!(out, "  stand-{flat}: {{topic: bench/stand-{flat}}}")?;
    }
    writeln!(out, "flats:")?;
    let mut dice = Dice(wanted.seed);
    for flat in 1..=wanted.flats {
        let made = Flat::new(&mut dice);
        let (dry, full) = (made.dry.round(), (made.dry + made.band).round());
        writeln!(
            out,
            "  flat-{flat}: {{label: Flat {flat}, stand: stand-{flat}, dry_weight: {dry} g, capacity_weight: {full} g}}"
        )?;
    }
    Ok(())
}

pub fn recording(wanted: &Wanted, out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "time,stand,value")?;
    let mut dice = Dice(wanted.seed);
    let mut flats: Vec<Flat> = (0..wanted.flats).map(|_| Flat::new(&mut dice)).collect();
    let step = f64::from(wanted.every);
    let steps = i64::from(wanted.days) * 86_400 / i64::from(wanted.every);
    for count in 0..steps {
        let at = wanted.from + TimeDelta::seconds(count * i64::from(wanted.every));
        let stamp = at.format("%Y-%m-%dT%H:%M:%SZ").to_string();
        let hour = f64::from(at.num_seconds_from_midnight()) / 3600.0;
        for (place, flat) in flats.iter_mut().enumerate() {
            flat.pass(step, hour);
            writeln!(out, "{stamp},stand-{},{:.1}", place + 1, flat.reading(hour, &mut dice))?;
        }
    }
    Ok(())
}

/// One flat on its stand. Grams throughout.
struct Flat {
    dry: f64,
    band: f64,
    water: f64,
    /// Mean loss of an hour.
    loss: f64,
    /// The hour at which somebody comes by.
    round: f64,
    /// Still in the can for this flat.
    pouring: f64,
}

impl Flat {
    fn new(dice: &mut Dice) -> Self {
        let band = 1400.0 + 400.0 * dice.share();
        Self {
            dry: 2600.0 + 500.0 * dice.share(),
            band,
            water: band * (0.4 + 0.5 * dice.share()),
            loss: band * (0.006 + 0.004 * dice.share()),
            round: 7.0 + 3.0 * dice.share(),
            pouring: 0.0,
        }
    }

    fn pass(&mut self, seconds: f64, hour: f64) {
        let sun = (0.25 + 2.4 * (TAU * (hour - 7.0) / 24.0).sin().max(0.0)).min(2.2);
        self.water = (self.water - self.loss * sun * seconds / 3600.0).max(0.0);
        if (self.round..self.round + 1.0).contains(&hour) && self.water < 0.4 * self.band && self.pouring <= 0.0 {
            self.pouring = 0.7 * self.band - self.water;
        }
        // A can with a rose gives some 30 mL a second.
        let poured = self.pouring.min(30.0 * seconds);
        self.water += poured;
        self.pouring -= poured;
    }

    fn reading(&self, hour: f64, dice: &mut Dice) -> f64 {
        let thermal = 2.0 * (TAU * (hour - 9.0) / 24.0).sin();
        self.dry + self.water + thermal + 1.5 * dice.normal()
    }
}

/// `SplitMix64` (Steele, Lea and Flood 2014): small, and the same everywhere.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mixed = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// From 0 to below 1.
    #[expect(clippy::cast_precision_loss, reason = "53 bits are exact")]
    fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Normal with mean 0 and deviation 1 (Box and Muller 1958).
    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.share()).ln()).sqrt();
        radius * (TAU * self.share()).cos()
    }
}
