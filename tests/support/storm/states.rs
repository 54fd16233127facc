//! What must hold of published states.

use super::checks::{Check, Checks};
use chrono::DateTime;
use tarewell::site::{FlatState, Site, ValveState};
use tarewell::units::WATER_20;
use tarewell::watering::ValveSettings;

/// What was last published of a flat.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Shown {
    pub condition: &'static str,
    limits: [f64; 4],
    pub stage: Option<String>,
    pub fraction: Option<f64>,
    pub dry: Option<f64>,
    pub capacity: Option<f64>,
    pub plants: f64,
    pub stand: Option<String>,
}

impl Shown {
    pub fn of(state: &FlatState<'_>) -> Self {
        Self {
            condition: state.condition,
            limits: [state.low, state.water_at, state.target, state.high],
            stage: state.stage.map(str::to_owned),
            fraction: state.fraction,
            dry: state.dry_weight_g,
            capacity: state.capacity_weight_g,
            plants: state.plant_mass_g,
            stand: state.stand.map(str::to_owned),
        }
    }

    pub fn low(&self) -> f64 {
        self.limits[0]
    }

    pub fn high(&self) -> f64 {
        self.limits[3]
    }

    pub fn band(&self) -> f64 {
        self.capacity.zip(self.dry).map_or(1000.0, |(capacity, dry)| capacity - dry)
    }

    /// The fraction of a weight, by what is known of the flat.
    pub fn fraction_of(&self, weight: f64) -> Option<f64> {
        let (dry, capacity) = (self.dry?, self.capacity?);
        (capacity > dry).then(|| (weight - dry - self.plants) / (capacity - dry))
    }
}

/// A flat's state against the contract; `before` is what was published last in this run.
pub fn flat(checks: &mut Checks, state: &FlatState<'_>, before: Option<&Shown>) {
    let say = |what: &str| format!("{what}: {}", serde_json::to_string(state).unwrap_or_default());
    let band = state.capacity_weight_g.zip(state.dry_weight_g).map(|(capacity, dry)| capacity - dry);
    let known = state.fraction.is_some();
    let all_known = state.water_g.is_some() && state.to_target_ml.is_some() && state.target_weight_g.is_some();
    let nothing_known = state.water_g.is_none()
        && state.to_target_ml.is_none()
        && state.target_weight_g.is_none()
        && state.due_at.is_none()
        && state.low_at.is_none()
        && state.fraction_error.is_none();
    let consistent = if known { all_known } else { nothing_known } && known == (state.condition != "unknown");
    checks.that(Check::Unknown, consistent, || say("half known"));
    forecast(checks, state, &say);
    let (Some(fraction), Some(water), Some(band)) = (state.fraction, state.water_g, band) else { return };
    let is_rounded = ((fraction * 1000.0).round() / 1000.0 - fraction).abs() < 1e-9;
    // Tenths of a gram are what is published of the weights.
    let error = 0.000_501 + (0.051 + 0.11 * fraction.abs()) / band;
    let sound = fraction.is_finite() && is_rounded && (fraction - water / band).abs() <= error;
    checks.that(Check::Fraction, sound, || say("fraction is not water over band"));
    if let (Some(weight), Some(dry)) = (state.weight_g, state.dry_weight_g)
        && state.weighed_at.as_deref() == Some(state.time.as_str())
        // A clock that was set back can make an old weight look new.
        && state.stable
    {
        let should = weight - dry - state.plant_mass_g;
        checks.that(Check::Water, (water - should).abs() <= 0.21, || say(&format!("water should be {should:.1}")));
    }
    condition(checks, state, fraction, before, &say);
    let to_target = state.to_target_ml.unwrap_or(f64::NAN);
    let missing = (state.target * band - water) / WATER_20;
    let error = 0.3 + 0.0006 * band;
    let holds = if fraction >= state.target { to_target == 0.0 } else { (to_target - missing.max(0.0)).abs() <= error };
    checks.that(Check::ToTarget, holds, || say(&format!("missing are {missing:.1} mL")));
}

fn condition(
    checks: &mut Checks,
    state: &FlatState<'_>,
    fraction: f64,
    before: Option<&Shown>,
    say: &impl Fn(&str) -> String,
) {
    let (low, water_at, high) = (state.low, state.water_at, state.high);
    let plain = match fraction {
        f if f < low => "dry",
        f if f < water_at => "due",
        f if f <= high => "moist",
        _ => "wet",
    };
    // Within rounding of a sum of two numbers of three places.
    let left_at = |limit: f64| limit + 0.02 - 1e-9;
    let held = match state.condition {
        "dry" => fraction < left_at(low) && plain != "wet",
        "due" => fraction < left_at(water_at) && plain == "moist",
        "wet" => fraction > high - 0.02 + 1e-9 && plain == "moist",
        _ => false,
    };
    // With another band too, a condition may have been entered and held within one turn.
    let moved = before.is_none_or(|before| {
        before.limits != [low, water_at, state.target, high]
            || (before.dry, before.capacity) != (state.dry_weight_g, state.capacity_weight_g)
    });
    // A condition that is only held must have been so before: each change is published at once. From unknown it may have been
    // entered and held within one turn too, when plants or a dome became known in it.
    let held_from =
        |before: &Shown| before.condition == state.condition || matches!(before.condition, "dry" | "unknown");
    let may_hold = moved || before.is_some_and(held_from);
    checks.that(Check::Condition, state.condition == plain || (held && may_hold), || {
        say(&format!("should be {plain}, was {:?}", before.map(|before| before.condition)))
    });
}

fn forecast(checks: &mut Checks, state: &FlatState<'_>, say: &impl Fn(&str) -> String) {
    let due = span(state.due_at.as_ref(), state.due_between.as_ref());
    let low = span(state.low_at.as_ref(), state.low_between.as_ref());
    if due.is_none() && low.is_none() {
        return;
    }
    let now = seconds(&state.time);
    let ordered = |span: &Option<[i64; 3]>| span.is_none_or(|[early, at, late]| early <= at && at <= late);
    // A forecast is worked out every ten minutes; its early end may have passed, but not what it tells of.
    let ahead = |span: &Option<[i64; 3]>| span.is_none_or(|[early, at, _]| early >= now - 600 && at >= now);
    let to_come = |limit: f64| state.fraction.is_some_and(|fraction| fraction > limit);
    let come_true = (due.is_some() && !to_come(state.water_at)) || (low.is_some() && !to_come(state.low));
    checks.that(Check::Forecast, !come_true, || say("told of what has come true"));
    let after = due.zip(low).is_none_or(|(due, low)| due[1] <= low[1]);
    checks.that(Check::Forecast, ordered(&due) && ordered(&low) && ahead(&due) && ahead(&low) && after, || {
        say("forecast out of order")
    });
}

fn span(at: Option<&String>, between: Option<&[String; 2]>) -> Option<[i64; 3]> {
    let (at, [early, late]) = (at?, between?);
    Some([seconds(early), seconds(at), seconds(late)])
}

fn seconds(stamp: &str) -> i64 {
    DateTime::parse_from_rfc3339(stamp).map_or(i64::MIN, |at| at.timestamp())
}

/// A valve's state.
pub fn valve(checks: &mut Checks, site: &Site, settings: &ValveSettings, state: &ValveState<'_>, acts: bool) {
    let say = |what: &str| format!("{what}: {}", serde_json::to_string(state).unwrap_or_default());
    let idle = state.state == "closed" && state.watering.is_none() && state.last_24h_ml == 0.0;
    checks.that(Check::NothingWaters, acts || (idle && state.mode == "advise"), || say("it does something"));
    let told = state.watering.is_none() || state.plan.is_none();
    checks.that(Check::Locked, told, || say("it waters, and has a plan"));
    checks.that(Check::Locked, state.locked.is_none() || state.plan.is_none(), || say("locked, with a plan"));
    let Some(plan) = &state.plan else { return };
    let gets: f64 = plan.flats.iter().map(|flat| flat.gets_ml).sum();
    let runs: i64 = plan.pulses.iter().map(|pulse| pulse.run_s).sum();
    let positive = plan.pulses.iter().all(|pulse| pulse.run_s > 0 && pulse.rest_s >= 0);
    let ends = plan.pulses.last().is_some_and(|last| last.rest_s == 0);
    let flow = state.flow_ml_per_min / 60.0;
    // The run time is rounded up to a whole second, unless that would pass a limit.
    let poured = flow * plan.run_time_s as f64;
    // Tenths of a millilitre a minute are what is published of the flow.
    let slack = 0.2 + 0.06 / 60.0 * plan.run_time_s as f64;
    let adds = (gets - plan.volume_ml).abs() <= 0.1 + 0.06 * plan.flats.len() as f64
        && runs == plan.run_time_s
        && poured >= plan.volume_ml - flow - slack
        && poured <= plan.volume_ml + flow + slack;
    checks.that(Check::PlanAddsUp, adds && positive && ends && plan.volume_ml > 0.0, || say("does not add up"));
    let mut keeps = settings.max_run.is_none_or(|most| plan.run_time_s * 1000 <= most.millis());
    keeps &= state.max_per_day_ml.is_none_or(|most| plan.volume_ml <= most - state.last_24h_ml + 0.3);
    let mut needed = false;
    for (share, feed) in plan.flats.iter().zip(&settings.feeds) {
        let Some(flat) = site.flat_state(feed.flat) else { continue };
        let band = flat.capacity_weight_g.zip(flat.dry_weight_g).map_or(f64::NAN, |(full, dry)| full - dry);
        let before = share.fraction_after - share.gets_ml * WATER_20 / band;
        keeps &= share.fraction_after <= flat.high + 0.0006 || share.gets_ml <= 0.0;
        needed |= before < flat.target - 0.02 + 0.0016;
    }
    checks.that(Check::PlanLimits, keeps && needed, || say("against its limits"));
}
