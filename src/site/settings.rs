//! Commands that change a flat's settings: limits, plants by number, its place, and who is told.

use super::orders::Done;
use super::{Output, Set, Site, Subject};
use crate::flat::{Commanded, Limits, Over};
use crate::moment::Span;
use crate::units::Fraction;
use serde_json::{Map, json};

impl Site {
    pub(super) fn set(&mut self, index: usize, set: &Set) -> Done {
        let settings = &self.plan.flats[index].1;
        let file = settings.own_limits;
        let mut season = self.flats[index].kept.season.clone();
        let limit = |over: &mut Commanded<Fraction>, given: Option<Option<Fraction>>, file: Option<Fraction>| {
            if let Some(given) = given {
                *over = given.map(|value| Box::new(Over { value, file }));
            }
        };
        limit(&mut season.low, set.low, file.low);
        limit(&mut season.water_at, set.water_at, file.water_at);
        limit(&mut season.target, set.target, file.target);
        limit(&mut season.high, set.high, file.high);
        if let Some(plant_mass) = set.plant_mass {
            let told = plant_mass.map(|mass| self.told_plants(index, mass)).transpose()?;
            season.set_plants(told, self.seedtime(index), self.flats[index].plants());
        }
        if let Some(place) = &set.place {
            season.place = place.clone().map(|value| Box::new(Over { value, file: settings.place.clone() }));
        }
        let limits = season.limits(settings, None);
        if let Some((lower, upper)) = limits.out_of_order() {
            return Err(out_of_order(&limits, lower, upper));
        }
        self.flats[index].kept.season = season;
        if set.plant_mass.is_some() {
            self.recorded_now(index);
        }
        self.setting_changed(index);
        let plants = super::decimals(self.flats[index].plants().get(), 1);
        let limits =
            [("low", limits.low), ("water_at", limits.water_at), ("target", limits.target), ("high", limits.high)]
                .map(|(key, limit)| (key.to_owned(), json!(limit.rounded().get())));
        Ok(limits.into_iter().chain([("plant_mass_g".to_owned(), json!(plants))]).collect())
    }

    pub(super) fn shelve(&mut self, index: usize, time: Span) -> Done {
        let until = self.now.wall + time;
        self.flats[index].kept.shelved_until = Some(until);
        for kind in self.board.shelve(crate::alert::Of::Flat(index), until) {
            self.out.push_back(Output::KeepAlert(kind, Subject::Flat(index)));
            self.out.push_back(Output::Shelved(kind, Subject::Flat(index), until));
        }
        self.keep(Subject::Flat(index));
        Ok(Map::from_iter([("until".to_owned(), json!(self.stamp(until)))]))
    }
}

fn out_of_order(limits: &Limits, lower: &str, upper: &str) -> String {
    // A target may lie at high, and low at 0.
    let than = if upper == "high" || lower == "0" { "at most" } else { "below" };
    format!(
        "limits out of order: {lower} must be {than} {upper} (low {:.0} %, water_at {:.0} %, target {:.0} %, high {:.0} %). Give both in one \
         command",
        limits.low.percent(),
        limits.water_at.percent(),
        limits.target.percent(),
        limits.high.percent()
    )
}
