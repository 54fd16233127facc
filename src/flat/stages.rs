//! Targets that follow the crop.

use super::{Begins, StageSettings};
use chrono::NaiveDate;

/// The stage of a crop by days: the last whose first day has come. `None` without stages.
///
/// Days are counted from the day it was sown; without one, only the first stage is known. A stage that begins by command alone is
/// never reached by days.
#[must_use]
pub fn by_days(stages: &[StageSettings], sown: Option<NaiveDate>, today: NaiveDate) -> Option<usize> {
    let days = sown.map_or(0, |sown| (today - sown).num_days());
    let begun = |stage: &StageSettings| match stage.begins {
        Begins::Commanded => false,
        Begins::OnDay(day) => i64::from(day) <= days,
    };
    stages.iter().rposition(begun).or_else(|| (!stages.is_empty()).then_some(0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flat::SomeLimits;

    fn stage(name: &str, begins: Begins) -> StageSettings {
        StageSettings { name: name.to_owned(), begins, limits: SomeLimits::default(), wet_is_meant: false }
    }

    #[test]
    fn days_lead_through_the_stages_but_not_into_one_that_is_commanded() {
        let stages = [
            stage("germinating", Begins::OnDay(0)),
            stage("growing-on", Begins::OnDay(21)),
            stage("hardening-off", Begins::Commanded),
        ];
        let sown = NaiveDate::from_ymd_opt(2026, 3, 1);
        let on = |day| NaiveDate::from_ymd_opt(2026, 3, day).unwrap();
        assert_eq!(by_days(&stages, sown, on(1)), Some(0));
        assert_eq!(by_days(&stages, sown, on(21)), Some(0));
        assert_eq!(by_days(&stages, sown, on(22)), Some(1));
        assert_eq!(by_days(&stages, None, on(22)), Some(0));
        assert_eq!(by_days(&[], sown, on(22)), None);
    }
}
