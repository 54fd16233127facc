//! The states as views of the site, ready to be written.

use super::{AlertState, FlatState, Site, StandState, Subject, decimals};
use crate::alert::{Kind, Of};
use crate::flat::Forecast;
use crate::stand::Health;
use crate::units::{Fraction, Grams};

impl Site {
    /// A flat's state as published; `None` for one that is not in the plan.
    #[must_use]
    pub fn flat_state(&self, index: usize) -> Option<FlatState<'_>> {
        let flat = self.flats.get(index)?;
        let (id, settings) = self.plan.flats.get(index)?;
        let season = &flat.kept.season;
        let recipe = self.recipe(index);
        let fill = recipe.as_ref().map(|(fill, _)| fill);
        let known = flat.fraction.is_some();
        let water = flat.water();
        let band = flat.band.map(|(band, _)| band);
        let to_target =
            water.zip(band).map(|(water, band)| crate::watering::to_target(water, band.width(), flat.limits.target));
        let bench = flat.stand.and_then(|stand| self.stands.get(stand));
        let (due, low) = self.still_to_come(index);
        let since = |moment: Option<crate::moment::Moment>| moment.map(|then| self.now.wall.since(then.wall));
        Some(FlatState {
            flat: id,
            label: &settings.label,
            time: self.stamp(self.now.wall),
            basis: self.basis(index),
            weighed_at: flat.kept.weighed.map(|weighed| self.stamp(weighed.at.wall)),
            stand: flat.stand.map(|stand| self.id(Subject::Stand(stand))),
            weight_g: flat.kept.weighed.map(|weighed| tenths(weighed.weight - flat.dome)),
            stable: flat.on_stand && bench.is_some_and(|bench| bench.stand.is_stable()),
            dry_weight_g: season.dry(settings, fill).map(tenths),
            capacity_weight_g: season.capacity(settings, fill).map(tenths),
            plant_mass_g: tenths(flat.plants()),
            band_from: flat.band.map(|(_, from)| from.name()),
            water_g: water.map(tenths),
            fraction: flat.fraction.map(Fraction::get),
            fraction_error: known.then(|| decimals(self.fraction_error(index), 3)),
            condition: flat.kept.condition.name(),
            stage: flat.stage.and_then(|stage| settings.stages.get(stage)).map(|stage| stage.name.as_str()),
            low: flat.limits.low.rounded().get(),
            water_at: flat.limits.water_at.rounded().get(),
            target: flat.limits.target.rounded().get(),
            high: flat.limits.high.rounded().get(),
            dome: flat.kept.dome_on,
            to_target_ml: to_target.map(|volume| decimals(volume.get(), 1)),
            target_weight_g: flat.target_weight().map(tenths),
            drying_g_per_h: flat.outlook.rate.map(|rate| decimals(rate.get(), 1)),
            due_at: self.forecast_at(due),
            due_between: self.forecast_between(due),
            low_at: self.forecast_at(low),
            low_between: self.forecast_between(low),
            since_watered_h: since(flat.kept.watered).map(|span| decimals(span.as_hours(), 1)),
            since_soak_d: since(flat.kept.soaked).map(|span| decimals(span.as_days(), 1)),
            locked: self.valve_of(index).and_then(|valve| self.locked_state(valve)),
            advice: self.advice(index),
        })
    }

    fn forecast_at(&self, forecast: Option<Forecast>) -> Option<String> {
        forecast.map(|forecast| self.stamp(forecast.at.wall))
    }

    fn forecast_between(&self, forecast: Option<Forecast>) -> Option<[String; 2]> {
        forecast.map(|forecast| [self.stamp(forecast.early.wall), self.stamp(forecast.late.wall)])
    }

    /// A stand's state as published; `None` for one that is not in the plan.
    #[must_use]
    pub fn stand_state(&self, index: usize) -> Option<StandState<'_>> {
        let bench = self.stands.get(index)?;
        let (id, _) = self.plan.stands.get(index)?;
        let stand = &bench.stand;
        let (state, fault) = match stand.health() {
            Health::Ok => ("ok", None),
            Health::Silent { .. } => ("silent", None),
            Health::Fault { fault, .. } => ("fault", Some(fault.to_string())),
        };
        Some(StandState {
            stand: id,
            time: self.stamp(self.now.wall),
            reading_at: stand.reading_at().map(|at| self.stamp(at.wall)),
            weight_g: bench.shown.map(tenths),
            stable: stand.is_stable(),
            state,
            fault,
            period_s: stand.period().map(|period| decimals(period.as_seconds(), 1)),
            noise_g: stand.noise().map(|noise| decimals(noise.get(), 2)),
            flat: bench.flat.map(|flat| self.id(Subject::Flat(flat))),
            corners_g: stand.corners().map(|corners| corners.map(tenths)),
            round: self.round_state(index),
        })
    }

    /// A raised alert as published; `None` once it is not raised.
    #[must_use]
    pub fn alert_state(&self, kind: Kind, subject: Subject) -> Option<AlertState<'_>> {
        let record = self.board.get(kind, Of::try_from(subject).ok()?)?;
        Some(AlertState {
            kind: kind.name(),
            of: subject.of(),
            id: self.id(subject),
            severity: record.severity.name(),
            since: self.stamp(record.since),
            title: &record.title,
            text: &record.text,
            value: record.value,
        })
    }

    /// All raised alerts.
    pub fn alerts(&self) -> impl Iterator<Item = (Kind, Subject)> {
        self.board.iter().map(|alert| (alert.kind, alert.of.into()))
    }

    /// Writes the state of a flat, stand or valve as JSON; nothing for another subject, or one not in the plan.
    pub fn write_state(&self, subject: Subject, out: &mut Vec<u8>) {
        match subject {
            Subject::Flat(flat) => write(&self.flat_state(flat), out),
            Subject::Stand(stand) => write(&self.stand_state(stand), out),
            Subject::Valve(valve) => write(&self.valve_state(valve), out),
            Subject::Supply(_) | Subject::Site => {}
        }
    }

    /// Writes a raised alert as JSON; nothing for one that is not raised.
    pub fn write_alert(&self, kind: Kind, subject: Subject, out: &mut Vec<u8>) {
        write(&self.alert_state(kind, subject), out);
    }

    /// Writes all states: `{"flats":[…],"stands":[…],"valves":[…],"alerts":[…]}`.
    pub fn write_all(&self, out: &mut Vec<u8>) {
        #[derive(serde::Serialize)]
        struct All<'a> {
            flats: Vec<FlatState<'a>>,
            stands: Vec<StandState<'a>>,
            valves: Vec<super::ValveState<'a>>,
            alerts: Vec<AlertState<'a>>,
        }
        let all = All {
            flats: (0..self.flats.len()).filter_map(|flat| self.flat_state(flat)).collect(),
            stands: (0..self.stands.len()).filter_map(|stand| self.stand_state(stand)).collect(),
            valves: (0..self.valves.len()).filter_map(|valve| self.valve_state(valve)).collect(),
            alerts: self.alerts().filter_map(|(kind, subject)| self.alert_state(kind, subject)).collect(),
        };
        write(&Some(all), out);
    }

    pub(super) fn unqueue(&mut self, subject: Subject) {
        match subject {
            Subject::Flat(flat) => {
                if let Some(flat) = self.flats.get_mut(flat) {
                    flat.sent.queued = false;
                }
            }
            Subject::Stand(stand) => {
                if let Some(bench) = self.stands.get_mut(stand) {
                    bench.sent.queued = false;
                }
            }
            Subject::Valve(valve) => self.valve_polled(valve),
            Subject::Supply(_) | Subject::Site => {}
        }
    }
}

fn tenths(grams: Grams) -> f64 {
    decimals(grams.get(), 1)
}

/// Writing to memory does not fail, and every number is finite from birth.
pub(super) fn write(state: &Option<impl serde::Serialize>, out: &mut Vec<u8>) {
    if let Some(state) = state {
        let before = out.len();
        if serde_json::to_writer(&mut *out, state).is_err() {
            out.truncate(before);
        }
    }
}
