//! The states as they are published: names, order and units are the contract's, section 3.

use serde::Serialize;

/// A flat's state.
#[derive(Debug, Serialize)]
pub struct FlatState<'a> {
    /// Its id.
    pub flat: &'a str,
    /// What people call it.
    pub label: &'a str,
    /// When this was published.
    pub time: String,
    /// What the weight goes by.
    pub basis: Option<&'static str>,
    /// When it was last weighed.
    pub weighed_at: Option<String>,
    /// The stand it sits on.
    pub stand: Option<&'a str>,
    /// The last weight that the rest goes by, without its dome where one of known weight is on.
    pub weight_g: Option<f64>,
    /// Whether the stand stands still.
    pub stable: bool,
    /// As recorded, plant mass not added.
    pub dry_weight_g: Option<f64>,
    /// As recorded, plant mass not added.
    pub capacity_weight_g: Option<f64>,
    /// Fresh mass grown since the band was recorded.
    pub plant_mass_g: f64,
    /// Where the band comes from.
    pub band_from: Option<&'static str>,
    /// Above dry weight.
    pub water_g: Option<f64>,
    /// Of the band.
    pub fraction: Option<f64>,
    /// Its standard uncertainty.
    pub fraction_error: Option<f64>,
    /// How it stands against its limits.
    pub condition: &'static str,
    /// Its crop's stage.
    pub stage: Option<&'a str>,
    /// See [`crate::flat::Limits`].
    pub low: f64,
    /// See [`crate::flat::Limits`].
    pub water_at: f64,
    /// See [`crate::flat::Limits`].
    pub target: f64,
    /// See [`crate::flat::Limits`].
    pub high: f64,
    /// Whether a dome is on, if known.
    pub dome: Option<bool>,
    /// What to pour.
    pub to_target_ml: Option<f64>,
    /// Where to stop, without its dome.
    pub target_weight_g: Option<f64>,
    /// How fast it dries.
    pub drying_g_per_h: Option<f64>,
    /// When it will be due.
    pub due_at: Option<String>,
    /// The 80 % range of that.
    pub due_between: Option<[String; 2]>,
    /// When it will be low.
    pub low_at: Option<String>,
    /// The 80 % range of that.
    pub low_between: Option<[String; 2]>,
    /// Hours since it was watered.
    pub since_watered_h: Option<f64>,
    /// Days since it was soaked through.
    pub since_soak_d: Option<f64>,
    /// Why its valve may not open.
    pub locked: Option<Locked>,
    /// What to do, in a sentence or two.
    pub advice: String,
}

/// A stand's state.
#[derive(Debug, Serialize)]
pub struct StandState<'a> {
    /// Its id.
    pub stand: &'a str,
    /// When this was published.
    pub time: String,
    /// When it was last heard.
    pub reading_at: Option<String>,
    /// What is on it now.
    pub weight_g: Option<f64>,
    /// Whether that stands still.
    pub stable: bool,
    /// `ok`, `silent` or `fault`.
    pub state: &'static str,
    /// What is wrong.
    pub fault: Option<String>,
    /// The time between its readings.
    pub period_s: Option<f64>,
    /// The standard deviation of its readings.
    pub noise_g: Option<f64>,
    /// The flat on it.
    pub flat: Option<&'a str>,
    /// Its four cells.
    pub corners_g: Option<[f64; 4]>,
    /// A flat or a round of them to be weighed on it.
    pub round: Option<RoundState<'a>>,
}

/// Whose turn it is on a shared scale.
#[derive(Debug, Serialize)]
pub struct RoundState<'a> {
    /// Its id.
    pub flat: &'a str,
    /// What people call it.
    pub label: &'a str,
    /// Where it stands.
    pub place: Option<&'a str>,
    /// Its number in the round, from 1.
    pub number: usize,
    /// So many flats are in the round.
    pub of: usize,
    /// So many have been weighed.
    pub weighed: usize,
    /// `awaited`, `weighed` (the next one may come), or `questioned`.
    pub state: &'static str,
    /// Why what lies there cannot be it.
    pub text: Option<&'a str>,
}

/// Why a valve may not open.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Locked {
    /// One word.
    pub reason: &'static str,
    /// For people.
    pub text: String,
    /// Since when.
    pub since: String,
    /// Whether a person has to unlock it.
    pub needs_unlock: bool,
}

/// A valve's state.
#[derive(Debug, Serialize)]
pub struct ValveState<'a> {
    /// Its id.
    pub valve: &'a str,
    /// When this was published.
    pub time: String,
    /// What it may do by itself.
    pub mode: &'static str,
    /// `closed`, `open` or `unknown`.
    pub state: &'static str,
    /// All that it gives.
    pub flow_ml_per_min: f64,
    /// What it gave in the last 24 hours.
    pub last_24h_ml: f64,
    /// What it may give in any 24 hours.
    pub max_per_day_ml: Option<f64>,
    /// What `run` would pour now.
    pub plan: Option<PlanState<'a>>,
    /// A watering under way.
    pub watering: Option<WateringState>,
    /// Why it may not open.
    pub locked: Option<Locked>,
}

/// A valve's plan.
#[derive(Debug, Serialize)]
pub struct PlanState<'a> {
    /// Its id.
    pub id: String,
    /// Whether a fed flat is due.
    pub due: bool,
    /// In all.
    pub volume_ml: f64,
    /// Open time, all pulses together.
    pub run_time_s: i64,
    /// What keeps it from being more.
    pub limited_by: &'static str,
    /// In order.
    pub pulses: Vec<PulseState>,
    /// What each fed flat gets.
    pub flats: Vec<ShareState<'a>>,
}

/// A watering under way.
#[derive(Debug, Serialize)]
pub struct WateringState {
    /// Its id.
    pub id: String,
    /// What is to be poured.
    pub volume_ml: f64,
    /// What has been so far.
    pub delivered_ml: f64,
    /// Which pulse this is, from 1.
    pub pulse: u32,
    /// How many there will be, as far as can be said.
    pub pulses: u32,
    /// `pulse`, `rest`, `settling` or `closing`.
    pub phase: &'static str,
    /// When this phase ends at the latest.
    pub until: Option<String>,
}

/// One pulse of a plan.
#[derive(Debug, Serialize)]
pub struct PulseState {
    /// Open for so long.
    pub run_s: i64,
    /// Then closed for so long.
    pub rest_s: i64,
}

/// What one flat gets of a plan.
#[derive(Debug, Serialize)]
pub struct ShareState<'a> {
    /// Its id.
    pub flat: &'a str,
    /// What it needs.
    pub to_target_ml: f64,
    /// What it gets.
    pub gets_ml: f64,
    /// Where it will be.
    pub fraction_after: f64,
}

/// A raised alert.
#[derive(Debug, Serialize)]
pub struct AlertState<'a> {
    /// Which.
    pub kind: &'static str,
    /// Of what.
    pub of: &'static str,
    /// Whose.
    pub id: &'a str,
    /// How grave.
    pub severity: &'static str,
    /// Since when.
    pub since: String,
    /// One line.
    pub title: &'a str,
    /// What a person can act on.
    pub text: &'a str,
    /// The number that it is about.
    pub value: Option<f64>,
}

/// Rounded to so many decimals, as numbers go out.
#[must_use]
pub fn decimals(value: f64, places: i32) -> f64 {
    let scale = 10_f64.powi(places);
    let rounded = (value * scale).round() / scale;
    // A rounded −0.04 is 0, not −0.
    if rounded == 0.0 { 0.0 } else { rounded }
}
