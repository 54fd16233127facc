//! Targets that follow the crop.

use super::{Begins, StageSettings};
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

/// A stage that a command began.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StageSaid {
    /// Its name.
    pub name: String,
    /// The local day of the command.
    pub on: NaiveDate,
}

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

/// The stage in force: by command, until a day that comes after the command leads on to a later one; else by days.
#[must_use]
pub fn in_force(
    stages: &[StageSettings],
    said: Option<&StageSaid>,
    sown: Option<NaiveDate>,
    today: NaiveDate,
) -> Option<usize> {
    let by_day = by_days(stages, sown, today);
    let commanded = said.and_then(|said| {
        let at = stages.iter().position(|stage| stage.name == said.name)?;
        let led_on = by_day > by_days(stages, sown, said.on) && by_day > Some(at);
        (!led_on).then_some(at)
    });
    commanded.or(by_day)
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

    #[test]
    fn a_command_goes_before_the_days_until_a_later_day_leads_on() {
        let stages = [
            stage("germinating", Begins::OnDay(0)),
            stage("growing-on", Begins::OnDay(21)),
            stage("toning", Begins::OnDay(40)),
        ];
        let sown = NaiveDate::from_ymd_opt(2026, 3, 1);
        let day = |days: u64| sown.unwrap() + chrono::Days::new(days);
        let said = |name: &str, days| StageSaid { name: name.to_owned(), on: day(days) };
        let at = |said: &StageSaid, days| in_force(&stages, Some(said), sown, day(days));
        let emerged = said("growing-on", 6);
        assert_eq!((at(&emerged, 6), at(&emerged, 25), at(&emerged, 40)), (Some(1), Some(1), Some(2)));
        let back = said("germinating", 25);
        assert_eq!((at(&back, 30), at(&back, 40)), (Some(0), Some(2)), "held back until the next day of the list");
        assert_eq!(at(&said("gone from the file", 6), 8), Some(0));
    }
}
