//! What leads a flat that is not weighed all the time: what dries off another on its stand meanwhile, or the clock.

use super::Site;
use super::Subject;
use crate::flat::{Leader, Pace, usual};
use crate::moment::{Moment, Span};
use crate::units::{Fraction, Grams};

/// Who leads a flat: how near it is to it, and its place in the plan; none is the clock.
type Led = (Leader, Option<usize>);

/// So much may a flat fall below the weight at which it was taken for dry.
const BELOW_DRY: Grams = Grams::new(5.0);

impl Site {
    /// Counts what has dried off a flat on its stand.
    pub(super) fn count_dried(&mut self, index: usize, weight: Grams, left_alone: bool) {
        let now = self.now;
        let gap = self.dried_since_counted(index);
        let Some(flat) = self.flats.get_mut(index) else { return };
        let Some((band, _)) = flat.band else { return };
        let lost = match flat.kept.dried_to {
            Some(before) if left_alone => (before - weight) / band.width(),
            _ => gap,
        };
        flat.kept.dried += lost;
        flat.kept.dried_at = Some(now);
        flat.kept.dried_to = left_alone.then_some(weight);
    }

    /// What will have dried off since it was counted last, by its rate.
    fn dried_since_counted(&self, index: usize) -> f64 {
        let flat = &self.flats[index];
        let (Some(at), Some((band, _))) = (flat.kept.dried_at, flat.band) else { return 0.0 };
        let hours = self.now.mono.since(at.mono).as_hours().max(0.0);
        let per_hour = flat.outlook.rate.map_or(usual::PER_HOUR, |rate| rate.get() / band.width().get());
        per_hour * hours
    }

    /// What had dried off a leader at a moment, as a share of its band; 0 without one.
    pub(super) fn dried_at(&self, leader: Option<usize>, at: Moment) -> f64 {
        let Some((index, flat)) = leader.and_then(|leader| Some((leader, self.flats.get(leader)?))) else { return 0.0 };
        let ago = self.now.mono.since(at.mono);
        let now = flat.kept.dried + self.dried_since_counted(index);
        let Some((band, _)) = flat.band.filter(|_| ago > Span::ZERO) else { return now };
        let lost = flat.kept.drying.lost_in_last(ago, self.now);
        let by_rate = flat.outlook.rate.map_or(band.width() * usual::PER_HOUR, |rate| Grams::new(rate.get()));
        now - lost.unwrap_or(by_rate * ago.as_hours()) / band.width()
    }

    /// Whether a flat is weighed all the time, on a stand of its own, so that it can lead others.
    pub(super) fn can_lead(&self, index: usize) -> bool {
        let flat = &self.flats[index];
        let has_stand = flat.stand.is_some_and(|stand| !self.plan.stands[stand].1.shared);
        has_stand && flat.kept.dried_at.is_some() && flat.band.is_some()
    }

    /// How near a flat is to another that could lead it: the smaller, the better.
    fn rank(&self, index: usize, other: usize) -> Option<(bool, u8, Leader)> {
        if other == index || other >= self.flats.len() || !self.can_lead(other) {
            return None;
        }
        let leader = self.kinship(index, other);
        Some((self.plan.flats[index].1.like != Some(other), leader as u8, leader))
    }

    /// What this flat's drying is best held against.
    pub(super) fn choose_leader(&self, index: usize) -> Led {
        let ranked = (0..self.flats.len()).filter_map(|other| Some((self.rank(index, other)?, other)));
        let best = ranked.min_by_key(|((no_like, rank, _), other)| (*no_like, *rank, *other));
        best.map_or((Leader::Clock, None), |((_, _, leader), other)| (leader, Some(other)))
    }

    fn leader_id(&self, leader: Led) -> Option<String> {
        leader.1.and_then(|leader| self.plan.flats.get(leader)).map(|(id, _)| id.clone())
    }

    /// After a restart: the leader by its id.
    pub(super) fn recall_leader(&mut self, index: usize) {
        let Some(between) = &self.flats[index].kept.between else { return };
        let id = between.leader.clone();
        let was_led = id.is_some();
        let known = id.and_then(|id| self.plan.flats.iter().position(|(flat, _)| *flat == id));
        let best = self.choose_leader(index);
        self.flats[index].leader = match known {
            Some(at) => (self.rank(index, at).map_or(Leader::Room, |(_, _, leader)| leader), Some(at)),
            None if was_led => return self.follow_another(index, best),
            None => (Leader::Clock, None),
        };
    }

    /// Its leader has left the file: from its last weighing on it is held against another, whose count is another too.
    fn follow_another(&mut self, index: usize, leader: Led) {
        let weighed = self.flats[index].kept.weighed.map_or(self.now, |weighed| weighed.at);
        let led_to = self.dried_at(leader.1, weighed);
        let id = self.leader_id(leader);
        let flat = &mut self.flats[index];
        flat.leader = leader;
        if let Some(between) = flat.kept.between.as_deref_mut() {
            between.leader = id;
            between.pace = Pace::default();
            between.led_from(None, led_to);
        }
        self.keep(Subject::Flat(index));
    }

    /// As soon as a flat is there that leads this one better, or its own can lead no more, it follows another; what it has lost so
    /// far stays lost.
    pub(super) fn follow_a_better(&mut self, index: usize) {
        let (best, now) = (self.choose_leader(index), self.flats[index].leader);
        let (Some((band, _)), Some(_)) = (self.flats[index].band, self.flats[index].kept.weighed) else { return };
        let rank = |led: Led| led.1.and_then(|other| self.rank(index, other)).map(|(no_like, rank, _)| (no_like, rank));
        let is_better = match (rank(best), rank(now)) {
            (Some(best), Some(now)) => best < now,
            (Some(_), None) => true,
            (None, _) => now.1.is_some(),
        };
        if best.1 == now.1 || !is_better {
            return;
        }
        let pace = self.pace_against(index, best.1);
        let (lost, error) = self.lost_by_leader(index, band.width(), self.now);
        let (led_to, id, at) = (self.dried_at(best.1, self.now), self.leader_id(best), self.now);
        let flat = &mut self.flats[index];
        flat.leader = best;
        if let Some(between) = flat.kept.between.as_deref_mut() {
            between.leader = id;
            between.pace = pace;
            between.led_from(Some((at, lost / band.width(), error / band.width())), led_to);
        }
        self.keep(Subject::Flat(index));
    }

    /// What a flat has lost from its last weighing to a moment, by its leader, and the standard error of that.
    pub(super) fn lost_by_leader(&self, index: usize, width: Grams, at: Moment) -> (Grams, Grams) {
        let flat = &self.flats[index];
        let nothing = (Grams::ZERO, Grams::ZERO);
        let (Some(between), Some(weighed)) = (&flat.kept.between, flat.kept.weighed) else { return nothing };
        let (since, before, unsure) = between.lost_before(weighed.at);
        let by = flat.leader.1;
        let (lost, error) = if by.is_some() {
            let share = Fraction::new((self.dried_at(by, at) - between.led_to).max(0.0));
            between.pace.lost(width, share, &flat.prior)
        } else {
            let from = self.left_when_weighed(index, at).unwrap_or(1.0) - before;
            let (lost, error) = usual::lost(from, at.mono.since(since.mono), &between.by_clock);
            (width * lost, width * error)
        };
        let lost = (lost + width * before).min(self.can_lose(index, width, at));
        (lost, Grams::new(error.get().hypot((width * unsure).get())))
    }

    /// Whatever its leader loses and is given again, a flat loses no more than the water it had.
    fn can_lose(&self, index: usize, width: Grams, at: Moment) -> Grams {
        let left = self.left_when_weighed(index, at).unwrap_or(1.0);
        width * left.max(0.0) + BELOW_DRY
    }

    /// What was left of its band when it was weighed last, with what was poured since.
    fn left_when_weighed(&self, index: usize, at: Moment) -> Option<f64> {
        let flat = &self.flats[index];
        let (band, _) = flat.band?;
        let weighed = flat.kept.weighed?;
        let poured = flat.kept.between.as_deref().map_or(Grams::ZERO, |between| between.poured_by(Some(at)));
        let left = band.fraction(weighed.weight - flat.dome, flat.plants()).get();
        Some(left.max((left + poured / band.width()).min(1.0)))
    }

    /// Two weighings tell how fast it dries, against its leader and against the clock.
    pub(super) fn compare_pace(&mut self, index: usize, weight: Grams, at: Moment, width: Grams) {
        let (_, by) = self.flats[index].leader;
        let led_to = self.dried_at(by, at);
        let from = self.left_when_weighed(index, at);
        let flat = &mut self.flats[index];
        let (Some(weighed), Some(between)) = (flat.kept.weighed, flat.kept.between.as_deref_mut()) else { return };
        // What was poured by hand is known to a tenth; a comparison through it would teach the jug.
        let poured = between.poured_by(Some(at));
        if poured > width * super::bases::LEAST_GAIN {
            return;
        }
        let own = (weighed.weight + poured - weight) / width;
        if let Some(from) = from {
            let (own, clock) = (usual::as_if_moist(from, from - own), usual::steady(at.mono.since(weighed.at.mono)));
            between.by_clock.compare(Fraction::new(own), Fraction::new(clock));
        }
        // What it has lost by another leader says nothing of this one.
        if by.is_some() && between.is_led_from_the_weighing() {
            between.pace.compare(Fraction::new(own), Fraction::new(led_to - between.led_to));
        }
    }

    /// From a weighing on: the best leader there is.
    pub(super) fn lead_from(&mut self, index: usize, at: Moment) {
        let leader = self.choose_leader(index);
        let (led_to, id) = (self.dried_at(leader.1, at), self.leader_id(leader));
        let pace = self.pace_against(index, leader.1);
        let flat = &mut self.flats[index];
        flat.leader = leader;
        let between = flat.kept.between.get_or_insert_default();
        if between.leader != id {
            between.pace = pace;
        }
        between.leader = id;
        between.led_from(None, led_to);
        self.hear_kin(index);
    }
}
