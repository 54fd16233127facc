//! A look at a flat, by the way of a reading about once a minute, or when its time has come: its drying, where that leads,
//! what is carried on without a weight, and its alerts.

use super::ahead::Ahead;
use super::flats::{Flat, LONGEST_PAUSE, Outlook};
use super::{Happening, Message, Output, Sample, Site, Subject};
use crate::alert::{Change, FlatSigns, Wetness};
use crate::flat::{Condition, Forecast, Water};
use crate::moment::{Moment, Span};
use crate::units::{Fraction, Grams};

/// Drying and alerts are looked at so often while weights come in.
const LOOK_EVERY: Span = Span::minutes(1);
/// A forecast is worked out anew no more often.
const FORECAST_EVERY: Span = Span::minutes(10);
/// Unless what is left has moved by so much: who has just watered or weighed wants to know what that comes to.
const FORECAST_MOVED: f64 = 0.02;
/// How long a full soak would last is asked so often: it is worth an alert only where it has been short for hours.
const SOAK_ASKED_EVERY: Span = Span::minutes(30);
/// A weight goes to the history so often.
const SAMPLE_EVERY: Span = Span::minutes(10);
/// Carried on without a weight, a fraction less sure than this is none.
pub(super) const TOO_UNSURE: f64 = 0.15;
/// Carried on for longer than this, it is none; unless the flat says otherwise.
const CARRIED_AT_MOST: Span = Span::hours(60);
/// The same where another flat speaks for it.
const SPOKEN_FOR_AT_MOST: Span = Span::days(7);
/// So many of the last 24 hours must be known before a forecast raises an alert.
const DAY_KNOWN: u32 = 20;

impl Site {
    /// A look by the way of a steady weight.
    pub(super) fn look_at_weight(&mut self, index: usize, weight: Grams) {
        let now = self.now;
        let hour = self.local_hour(now.wall);
        let flat = &mut self.flats[index];
        flat.next_look = now.mono + LOOK_EVERY;
        flat.kept.first_weighed.get_or_insert(now.wall);
        let bench = self.stands.get(flat.stand.unwrap_or(usize::MAX));
        let left_alone = bench.is_none_or(|bench| bench.stand.is_left_alone());
        let is_guest = flat.stand.is_some_and(|stand| self.plan.stands[stand].1.shared);
        if left_alone && !is_guest {
            flat.kept.drying.weighed(weight, now, hour);
            flat.recent.weighed(weight, now.mono);
        } else {
            flat.kept.drying.interrupted(now, Span::ZERO);
            flat.recent.forget();
        }
        if !is_guest {
            self.count_dried(index, weight, left_alone);
        }
        let flat = &mut self.flats[index];
        let stand = flat.stand;
        if flat.last_sample.is_none_or(|last| now.mono.since(last) >= SAMPLE_EVERY) {
            flat.last_sample = Some(now.mono);
            let sample = Sample { flat: index, at: now.wall, weight: weight - flat.dome, fraction: flat.fraction };
            self.out.push_back(Output::Weight(sample));
            self.keep(Subject::Flat(index));
            // After a restart what was poured meanwhile is seen against what was kept.
            if let Some(stand) = stand {
                self.keep(Subject::Stand(stand));
            }
        }
        self.judge(index);
    }

    /// A weight for the history, out of turn: a step.
    pub(super) fn sample(&mut self, index: usize) {
        let now = self.now;
        let Some(flat) = self.flats.get_mut(index).filter(|flat| flat.on_stand) else { return };
        let Some(weighed) = flat.kept.weighed else { return };
        flat.last_sample = Some(now.mono);
        let weight = weighed.weight - flat.dome;
        let sample = Sample { flat: index, at: now.wall, weight, fraction: flat.fraction };
        self.out.push_back(Output::Weight(sample));
    }

    /// A look because its time has come, or because something happened.
    pub(super) fn look(&mut self, index: usize) {
        let now = self.now;
        if index >= self.flats.len() {
            return;
        }
        self.soak(index, |soak| soak.tick(now));
        let before = self.flats[index].kept.condition;
        self.carry_on(index);
        let (limits, plants) = (self.flats[index].limits, self.flats[index].plants() + self.flats[index].dome);
        self.dome_never_seen(index);
        self.settle(index);
        self.hold_against(index, limits, plants);
        self.judge_dome(index);
        self.judge(index);
        let changed = self.flats[index].kept.condition != before;
        self.flat_moved(index, changed);
        self.wish_flat(index);
    }

    /// Another stage has begun, with other limits: what was moist by the old ones may be dry by the new ones. Or the plants
    /// have grown, or a dome lies on it, so that the same weight is less water.
    fn hold_against(&mut self, index: usize, limits: crate::flat::Limits, plants: Grams) {
        let flat = &mut self.flats[index];
        let is_another_stage = flat.limits != limits;
        let (Some(weight), Some(_)) = (flat.present, flat.fraction) else { return };
        if is_another_stage || flat.plants() + flat.dome != plants {
            flat.goes_by(weight, flat.error, self.heard);
        }
        if is_another_stage {
            self.interrupt_forecast(index);
        }
    }

    fn wish_flat(&mut self, index: usize) {
        let now = self.now.mono;
        let flat = &self.flats[index];
        let sign_of_life = flat.sent.at.unwrap_or(now) + LONGEST_PAUSE;
        let goes_by_something = flat.kept.weighed.is_some() || self.plan.flats[index].1.like.is_some();
        let carried = (!self.is_weighed(index) && goes_by_something).then(|| now + LOOK_EVERY);
        let soak = flat.kept.soak.as_ref().and_then(|soak| soak.next_wake());
        let verdict = self.flats[index].kept.watch.next_wake();
        let at = [Some(sign_of_life), carried, soak, verdict].into_iter().flatten().min();
        if let Some(at) = at {
            self.agenda.wish(Subject::Flat(index), at.max(now + Span::from_millis(1)));
        }
    }

    /// Whether fresh weights of this flat come in.
    pub(super) fn is_weighed(&self, index: usize) -> bool {
        let flat = &self.flats[index];
        let bench = flat.stand.and_then(|stand| self.stands.get(stand));
        flat.on_stand && bench.is_some_and(|bench| bench.shown.is_some() && bench.stand.health().is_ok())
    }

    /// Without a weight, the fraction is carried on by the drying, ever less sure.
    pub(super) fn carry_on(&mut self, index: usize) {
        if self.is_weighed(index) {
            return;
        }
        match self.plan.flats[index].1.like {
            Some(speaker) if !self.goes_by_its_own(index, speaker) => self.speak_for(index, speaker),
            Some(_) => {
                self.carry_on_by_itself(index);
                self.set_apart(index);
            }
            None => self.carry_on_by_itself(index),
        }
    }

    fn carry_on_by_itself(&mut self, index: usize) {
        let now = self.now;
        let Some(weighed) = self.flats[index].kept.weighed else {
            self.flats[index].unknown(self.heard);
            return;
        };
        let hour = self.local_hour(weighed.at.wall);
        let elapsed = now.mono.since(weighed.at.mono);
        let limit = self.weigh_after(index);
        let is_between = self.is_between(index);
        let flat = &mut self.flats[index];
        flat.grow(now.wall);
        if is_between {
            self.follow_a_better(index);
            self.hear_kin(index);
            if self.carry_between(index, weighed).is_some() && self.is_too_unsure(index) || elapsed > limit {
                self.flats[index].unknown(self.heard);
            }
            return;
        }
        let Some((band, _)) = flat.band else { return };
        let water = band.water(weighed.weight - flat.dome, flat.plants());
        let known =
            flat.kept.drying.loss(weighed.at, hour, elapsed, Some(Water { above_dry: water, band: band.width() }));
        let (lost, error) = known
            .map_or_else(|| self.lost_as_of_late(index, band.width(), elapsed), |loss| (loss.expected, loss.error));
        let held = self.held(index, None);
        let error = Grams::new(error.get().max(2.0).hypot(held.error(band.width()).get()));
        self.flats[index].goes_by(weighed.weight + held.kept - lost, Some(error), self.heard);
        if self.is_too_unsure(index) || elapsed > limit {
            self.flats[index].unknown(self.heard);
        }
    }

    fn is_too_unsure(&self, index: usize) -> bool {
        self.fraction_error(index) > TOO_UNSURE
    }

    /// After so long without a weight the fraction is none.
    pub(super) fn weigh_after(&self, index: usize) -> Span {
        let settings = &self.plan.flats[index].1;
        let usual = if settings.like.is_some() { SPOKEN_FOR_AT_MOST } else { CARRIED_AT_MOST };
        settings.check_every.unwrap_or(usual)
    }

    pub(super) fn interrupt_forecast(&mut self, index: usize) {
        self.flats[index].outlook = Outlook::default();
    }

    /// What it goes by is another: where that leads is worked out anew at the next look, though that was done a moment ago.
    pub(super) fn forecast_anew(&mut self, index: usize) {
        self.flats[index].outlook.worked_out = None;
    }

    /// Works out where the drying leads, unless that was done a moment ago.
    fn forecast(&mut self, index: usize) {
        let now = self.now;
        let outlook = &self.flats[index].outlook;
        let is_fresh = outlook.worked_out.is_some_and(|then| now.mono.since(then) < FORECAST_EVERY);
        let moved = match (outlook.of, self.flats[index].fraction) {
            (Some(then), Some(now)) => (now.get() - then.get()).abs() >= FORECAST_MOVED,
            (then, now) => then.is_some() != now.is_some(),
        };
        if is_fresh && !moved && !self.has_come_true(index) {
            return;
        }
        let flat = &self.flats[index];
        let asked = self.ahead(index);
        let whole_day = asked.known_hours() >= DAY_KNOWN;
        let mut outlook = Outlook {
            worked_out: Some(now.mono),
            of: flat.fraction,
            rate: asked.rate(),
            whole_day,
            lost_24h: asked.lost_in_last(Span::hours(24)),
            ..Outlook::default()
        };
        if let Some((band, _)) = flat.band {
            let width = band.width();
            let reaches = |water: Grams, limit: Fraction| reaches(flat, &asked, water, width * limit.get());
            let of_now = |limit: Fraction| flat.water().and_then(|water| reaches(water, limit));
            // By the fraction as it is told: what has been reached there is not still to come.
            let to_come = |limit: Fraction| flat.fraction.is_some_and(|fraction| fraction > limit.rounded());
            outlook.due = of_now(flat.limits.water_at).filter(|_| to_come(flat.limits.water_at));
            outlook.low = of_now(flat.limits.low).filter(|_| to_come(flat.limits.low));
            let known = flat.outlook.full_soak.filter(|(then, _)| now.mono.since(*then) < SOAK_ASKED_EVERY);
            outlook.full_soak = known.or_else(|| {
                // The late end: a flat is called outgrown only when that is sure.
                let soak = if whole_day { reaches(width, flat.limits.low) } else { None };
                Some((now.mono, soak.map(|soak| soak.late.mono.since(now.mono))))
            });
        }
        let stand = flat.stand;
        self.flats[index].outlook = outlook;
        if let Some(stand) = stand {
            self.refresh_scene(stand);
        }
    }

    /// The forecasts of due and low that have not come true meanwhile: a forecast of what was is none.
    pub(super) fn still_to_come(&self, index: usize) -> (Option<Forecast>, Option<Forecast>) {
        let flat = &self.flats[index];
        let to_come = |forecast: Option<Forecast>, limit: Fraction| {
            let is_above = flat.fraction.is_some_and(|fraction| fraction > limit.rounded());
            forecast.filter(|forecast| is_above && forecast.at.mono > self.now.mono)
        };
        (to_come(flat.outlook.due, flat.limits.water_at), to_come(flat.outlook.low, flat.limits.low))
    }

    fn has_come_true(&self, index: usize) -> bool {
        let outlook = &self.flats[index].outlook;
        let (due, low) = self.still_to_come(index);
        due.is_some() != outlook.due.is_some() || low.is_some() != outlook.low.is_some()
    }

    /// Publishes the flat's state where that is due.
    pub(super) fn flat_moved(&mut self, index: usize, at_once: bool) {
        let flat = &self.flats[index];
        let division = flat.stand.map_or(Grams::new(1.0), |stand| self.stands[stand].stand.division());
        if at_once || flat.sent.is_outdone(flat.present, flat.fraction, division, self.now.mono) {
            self.publish_flat(index);
        }
        if at_once {
            self.keep(Subject::Flat(index));
        }
    }

    pub(super) fn publish_flat(&mut self, index: usize) {
        let now = self.now.mono;
        self.forecast(index);
        if index < self.flats.len() {
            self.speak_up(index);
        }
        let Some(flat) = self.flats.get_mut(index) else { return };
        flat.sent.at = Some(now);
        flat.sent.weight = flat.present;
        flat.sent.fraction = flat.fraction;
        if !std::mem::replace(&mut flat.sent.queued, true) {
            self.out.push_back(Output::State(Subject::Flat(index)));
        }
        self.replan(index);
    }

    fn judge(&mut self, index: usize) {
        self.forecast(index);
        let mut watch = std::mem::take(&mut self.flats[index].kept.watch);
        let mut board = std::mem::take(&mut self.board);
        let changes = crate::alert::judge_flat(&self.signs(index), &mut watch, &mut board, index);
        self.board = board;
        self.flats[index].kept.watch = watch;
        self.carry_out(changes);
    }

    /// What to do with this flat, in a sentence or two.
    pub(super) fn advice(&self, index: usize) -> String {
        crate::alert::advice(&self.signs(index))
    }

    /// Whether anything speaks against its band.
    pub(super) fn is_doubted(&self, index: usize) -> bool {
        let signs = self.signs(index);
        signs.band_doubt.is_some() || signs.soak_doubt.is_some()
    }

    /// How long it has been carried on without a weight; `None` while it stands on its stand, or nothing was ever known of it.
    pub(super) fn carried_for(&self, index: usize) -> Option<Span> {
        let kept = &self.flats[index].kept;
        let spoken_since = kept.between.as_ref().and_then(|between| between.spoken_since);
        let known_at = kept.weighed.map(|weighed| weighed.at).or(spoken_since);
        known_at.filter(|_| !self.is_weighed(index)).map(|at| self.now.mono.since(at.mono))
    }

    fn signs(&self, index: usize) -> FlatSigns<'_> {
        let now = self.now;
        let flat = &self.flats[index];
        let (_, settings) = &self.plan.flats[index];
        let band = flat.band.map(|(band, _)| band);
        let water = flat.water();
        let is_weighed = self.is_weighed(index);
        let stage = flat.stage.and_then(|stage| settings.stages.get(stage));
        FlatSigns {
            at: now,
            local_hour: self.local_hour(now.wall),
            zone: self.plan.zone,
            words: self.plan.words,
            label: &settings.label,
            fraction: flat.fraction,
            place: flat.place(settings),
            condition: wetness(flat.kept.condition),
            low: flat.limits.low,
            water_at: flat.limits.water_at,
            target: flat.limits.target,
            high: flat.limits.high,
            water,
            plant_mass: flat.plants(),
            plant_error: flat.grown.error,
            band: band.map(|band| band.width()),
            // A scale shows the dome too.
            target_weight: flat.target_weight().map(|weight| weight + flat.dome),
            to_target: water
                .zip(band)
                .map(|(water, band)| crate::watering::to_target(water, band.width(), flat.limits.target)),
            weight: flat.present,
            off_stand_since: flat.kept.off_since,
            absent_for: settings.absent_for,
            wet_for: settings.wet_for,
            misfit: flat.kept.misfit.clone(),
            soaking: flat.kept.soak.is_some(),
            waters_itself: self.waters_itself(index),
            wet_is_meant: stage.is_some_and(|stage| stage.wet_is_meant),
            dome_on: flat.kept.dome_on,
            dome_unknown: self.has_unknown_dome(index),
            lost_24h: flat.outlook.lost_24h.filter(|_| is_weighed),
            weight_error: self.weight_error(index),
            fraction_error: self.fraction_error(index),
            carried_for: self.carried_for(index),
            never_weighed: flat.kept.weighed.is_none(),
            weigh_after: self.weigh_after(index),
            has_stand: flat.stand.is_some_and(|stand| !self.plan.stands[stand].1.shared),
            weighed_by_hand: self.is_between(index),
            loss_30min: flat.present.filter(|_| is_weighed).and_then(|weight| flat.recent.loss(weight, now.mono)),
            fastest_drying: settings.fastest_drying,
            last_watered: flat.kept.watered,
            due_at: flat.outlook.due.map(|due| due.at),
            low_at: flat.outlook.low.map(|low| low.at),
            // The early end of a range that hardly anything is known of would cry wolf.
            low_early: flat.outlook.low.map(|low| low.early).filter(|_| flat.outlook.whole_day),
            full_soak_lasts: flat.outlook.full_soak.and_then(|(_, lasts)| lasts),
            band_doubt: band
                .and_then(|band| band.doubt(self.fill(index)))
                .or_else(|| flat.out_of_line.as_deref().map(str::to_owned)),
            soak_doubt: flat.kept.odd_soak.map(|odd| odd.text(self.plan.words)).or_else(|| asks_soak(&flat.kept)),
            retired: self.is_retired(index),
        }
    }

    /// The standard uncertainty of the flat's fraction; 0 where that is not known.
    pub(super) fn fraction_error(&self, index: usize) -> f64 {
        self.flats[index].fraction_error(self.weight_error(index))
    }

    pub(super) fn weight_error(&self, index: usize) -> Grams {
        let flat = &self.flats[index];
        match (flat.stand, flat.present) {
            (Some(stand), Some(weight)) => self.stands[stand].stand.weight_error(weight),
            _ => Grams::new(5.0),
        }
    }
}

fn asks_soak(kept: &super::flats::Kept) -> Option<String> {
    kept.asks_soak?;
    let from = kept.lineage.last().map_or("another flat", String::as_str);
    Some(format!("plants were potted on into it from {from}: soak it through with record-capacity"))
}

/// When `water` grams will have fallen to `until`: by drying, which the weight shows, and by what the plants take into
/// themselves, which it does not. The first forecast tells about how much that is; of the way there the rest is dried.
pub(super) fn reaches(flat: &Flat, asked: &Ahead, water: Grams, until: Grams) -> Option<Forecast> {
    let width = flat.band.map(|(band, _)| band.width())?;
    let forecast = asked.reaches(water, until, width)?;
    let grown = flat.plants_at(forecast.at.wall).mass - flat.plants();
    if grown <= Grams::ZERO {
        return Some(forecast);
    }
    let need = water - until;
    let dried = need * (need / (need + grown));
    Some(asked.reaches(until + dried, until, width).unwrap_or(forecast))
}

/// The early end of that range alone, also where what is expected lies further ahead than anything is forecast.
pub(super) fn reaches_early(flat: &Flat, asked: &Ahead, water: Grams, until: Grams) -> Option<Moment> {
    if let Some(forecast) = reaches(flat, asked, water, until) {
        return Some(forecast.early);
    }
    let width = flat.band.map(|(band, _)| band.width())?;
    let early = asked.earliest(water, until, width)?;
    let grown = (flat.plants_at(early.wall).mass - flat.plants()).max(Grams::ZERO);
    let need = water - until;
    asked.earliest(until + need * (need / (need + grown)), until, width)
}

impl Site {
    /// Publishes, keeps and tells what has become of alerts.
    pub(super) fn carry_out(&mut self, changes: Vec<Change>) {
        for change in changes {
            match change {
                Change::Rose(kind, of) | Change::Worsened(kind, of) => self.alert_rose(kind, of.into()),
                Change::Reworded(kind, of) => {
                    self.out.push_back(Output::AlertRaised(kind, of.into()));
                    self.out.push_back(Output::KeepAlert(kind, of.into()));
                    self.out.extend(self.raised_message(kind, of.into()).map(Output::Tell));
                }
                Change::Cleared(cleared) => self.alert_cleared(*cleared),
            }
        }
    }

    fn alert_rose(&mut self, kind: crate::alert::Kind, subject: Subject) {
        self.shelve_too(subject);
        let Some(message) = self.raised_message(kind, subject) else { return };
        self.out.push_back(Output::AlertRaised(kind, subject));
        self.out.push_back(Output::KeepAlert(kind, subject));
        let what = Happening::AlertRaised { kind, severity: message.severity, title: message.title.clone() };
        self.event(subject, what);
        self.out.push_back(Output::Tell(message));
        self.state_of(subject);
    }

    /// What rises while its flat is shelved is shelved with it.
    fn shelve_too(&mut self, subject: Subject) {
        let Subject::Flat(index) = subject else { return };
        let until = self.flats.get(index).and_then(|flat| flat.kept.shelved_until);
        if let Some(until) = until.filter(|&until| self.now.wall < until) {
            self.board.shelve(crate::alert::Of::Flat(index), until);
        }
    }

    /// What there is to tell of a raised alert.
    fn raised_message(&self, kind: crate::alert::Kind, subject: Subject) -> Option<Message> {
        let alert = self.board.get(kind, crate::alert::Of::try_from(subject).ok()?)?;
        Some(Message {
            kind,
            subject,
            severity: alert.severity,
            raised: true,
            title: alert.title.clone(),
            text: alert.text.clone(),
            since: alert.since,
            shelved: alert.is_shelved(self.now.wall),
        })
    }

    /// What there is to tell of all raised alerts, as after a restart.
    pub fn raised_messages(&self) -> impl Iterator<Item = Message> {
        self.alerts().filter_map(|(kind, subject)| self.raised_message(kind, subject))
    }

    fn alert_cleared(&mut self, cleared: crate::alert::Cleared) {
        let crate::alert::Cleared { alert, reason } = cleared;
        let (kind, subject) = (alert.kind, Subject::from(alert.of));
        self.out.push_back(Output::AlertCleared(kind, subject));
        self.out.push_back(Output::KeepAlert(kind, subject));
        let what = Happening::AlertCleared {
            kind,
            severity: alert.severity,
            title: alert.title.clone(),
            reason: reason.clone(),
        };
        self.event(subject, what);
        self.out.push_back(Output::Tell(Message {
            kind,
            subject,
            severity: alert.severity,
            raised: false,
            title: alert.title,
            text: reason,
            since: alert.since,
            shelved: alert.shelved_until.is_some_and(|until| self.now.wall < until),
        }));
        self.state_of(subject);
    }

    /// An alert is a reason to publish the state at once.
    fn state_of(&mut self, subject: Subject) {
        match subject {
            Subject::Flat(flat) => self.publish_flat(flat),
            Subject::Stand(stand) => self.publish_stand(stand),
            Subject::Valve(valve) => self.publish_valve(valve),
            Subject::Supply(_) | Subject::Site => {}
        }
    }
}

const fn wetness(condition: Condition) -> Wetness {
    match condition {
        Condition::Dry => Wetness::Dry,
        Condition::Due => Wetness::Due,
        Condition::Moist => Wetness::Moist,
        Condition::Wet => Wetness::Wet,
        Condition::Unknown => Wetness::Unknown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flat::{FlatSettings, Seedtime, Weighing};
    use crate::moment::{Moment, Wall, Zone};

    #[test]
    fn water_that_plants_take_up_brings_the_day_nearer() {
        let settings = FlatSettings {
            dry_weight: Some(Grams::new(2900.0)),
            capacity_weight: Some(Grams::new(4500.0)),
            ..FlatSettings::default()
        };
        let begun = Wall::from_millis(1_772_323_200_000);
        let at = |hours: f64| Moment::recorded(begun + Span::from_seconds(hours * 3600.0));
        let mut flat = Flat::new(crate::site::flats::Kept::default());
        let seed = Seedtime { zero: begun, sown: None };
        for (day, mass) in [(10.0, 8.0), (20.0, 30.0), (30.0, 104.0)] {
            let mass = Grams::new(mass);
            let weighing = Weighing { at: at(day * 24.0).wall, mass, told: false, tolerance: Grams::new(32.0) };
            flat.kept.season.record_plants(weighing, seed, mass);
        }
        // Three days at 5 g/h, so that the way is long and much grows on it.
        let start = 30.0 * 24.0;
        for step in 0..=72 * 6 {
            let hours = start + f64::from(step) / 6.0;
            flat.kept.drying.weighed(Grams::new(4300.0 - 5.0 * f64::from(step) / 6.0), at(hours), hours % 24.0);
        }
        let now = at(start + 72.0);
        flat.settle(&settings, None, Zone::named("Etc/UTC").unwrap(), now.wall);
        let asked = flat.kept.drying.ask(now, 0.0);
        let (water, until) = (Grams::new(900.0), Grams::new(400.0));
        let by_drying = asked.reaches(water, until, Grams::new(1600.0)).unwrap();
        let with_growth = reaches(&flat, &Ahead::Own(flat.kept.drying.ask(now, 0.0)), water, until).unwrap();
        let dried = asked.loss(with_growth.at.mono.since(now.mono), None).unwrap().expected;
        let grown = flat.plants_at(with_growth.at.wall).mass - flat.plants();
        assert!(grown > Grams::new(25.0), "{grown:?}");
        assert!(with_growth.at.wall < by_drying.at.wall);
        assert!((dried + grown - Grams::new(500.0)).abs() < Grams::new(5.0), "{dried:?} and {grown:?}");
        assert!(with_growth.early.wall <= with_growth.at.wall && with_growth.at.wall <= with_growth.late.wall);
    }
}
