//! Flats of which another speaks: by its own fraction, held against their own bands, and set apart by their own weighings.

use super::Site;
use super::Subject;
use super::look::TOO_UNSURE;
use crate::moment::{Moment, Span};
use crate::units::{Fraction, Grams};

/// A flat that another speaks for is at best so sure, as a share of its band; by the time it has to be checked again its error
/// has reached what is worth nothing.
const SPOKEN_FOR: f64 = 0.04;
/// For so long what it weighed itself goes before what another says of it.
const OWN_WORD: Span = Span::hours(1);
/// Those it speaks for are looked at when it has moved by so much.
const WORTH_SAYING: f64 = 0.02;

impl Site {
    /// Whether a flat goes by its own last weighing, though another speaks for it: while that is fresh, and the other has not been given
    /// water since that this one had not; and as long as the other has nothing to say.
    pub(super) fn goes_by_its_own(&self, index: usize, speaker: usize) -> bool {
        let Some(weighed) = self.flats[index].kept.weighed else { return false };
        let Some(speaker) = self.flats.get(speaker) else { return true };
        let is_fresh = self.now.mono.since(weighed.at.mono) < OWN_WORD;
        let watered_since = speaker.kept.watered.filter(|watered| watered.mono > weighed.at.mono);
        // Who goes from one to the next with a can gives to each: what this one got then is in its weight, or was told.
        let has_had_it = |watered: Moment| {
            let own = self.flats[index].kept.watered;
            own.is_some_and(|own| watered.mono.since(own.mono) < OWN_WORD)
        };
        speaker.fraction.is_none() || is_fresh && watered_since.is_none_or(has_had_it)
    }

    /// The fraction of a flat that another speaks for.
    pub(super) fn speak_for(&mut self, index: usize, speaker: usize) {
        let now = self.now;
        let spoken = self.flats.get(speaker).and_then(|speaker| speaker.fraction);
        let speaker_error = self.flats.get(speaker).map_or(0.0, |_| self.fraction_error(speaker));
        let check_every = self.weigh_after(index);
        let flat = &mut self.flats[index];
        flat.grow(now.wall);
        let Some((band, _)) = flat.band else { return };
        let between = flat.kept.between.get_or_insert_default();
        let spoken_since = *between.spoken_since.get_or_insert(now);
        let checked = flat.kept.weighed.map_or(spoken_since, |weighed| weighed.at);
        let age = now.mono.since(checked.mono);
        let Some(spoken) = spoken else {
            flat.unknown(self.heard);
            return;
        };
        let poured = between.poured() / band.width();
        let fraction = (spoken.get() + between.apart + poured).min(spoken.get().max(1.0));
        // When it is to be checked, both together are worth nothing.
        let at_last = (TOO_UNSURE.powi(2) - speaker_error.powi(2)).max(0.0).sqrt();
        let aging = (at_last - SPOKEN_FOR).max(0.0) * (age.as_hours() / check_every.as_hours().max(1.0 / 60.0));
        let error = speaker_error.hypot(SPOKEN_FOR + aging.max(0.0));
        flat.goes_by(band.weight_at(Fraction::new(fraction), flat.plants()), Some(band.width() * error), self.heard);
        if age > check_every || error > TOO_UNSURE {
            flat.unknown(self.heard);
        }
    }

    /// By how much a flat that goes by its own weighing differs from the one that speaks for it: from there on it follows the other's
    /// course. While somebody is at the other, its weight says nothing.
    pub(super) fn set_apart(&mut self, index: usize) {
        let Some(speaker) = self.plan.flats[index].1.like else { return };
        let Some(speaker) = self.flats.get(speaker) else { return };
        let stand = speaker.stand.and_then(|stand| self.stands.get(stand)).map(|bench| &bench.stand);
        let is_at_rest = stand.is_none_or(|stand| !stand.health().is_ok() || stand.is_left_alone());
        let spoken = speaker.fraction.filter(|_| is_at_rest);
        let flat = &mut self.flats[index];
        let width = flat.band.map_or(Grams::ZERO, |(band, _)| band.width());
        if let (Some(own), Some(spoken), Some(between)) = (flat.fraction, spoken, flat.kept.between.as_deref_mut()) {
            let poured = if width > Grams::ZERO { between.poured() / width } else { 0.0 };
            between.apart = own.get() - poured - spoken.get();
        }
    }

    /// What a flat tells has moved, or is known at last: so is what it says of others.
    pub(super) fn speak_up(&mut self, speaker: usize) {
        let flat = &self.flats[speaker];
        let is_news = match (flat.sent.fraction, flat.fraction) {
            (Some(told), Some(now)) => (told.get() - now.get()).abs() >= WORTH_SAYING,
            (told, now) => told.is_some() != now.is_some(),
        };
        if !is_news {
            return;
        }
        for (index, (_, settings)) in self.plan.flats.iter().enumerate() {
            if settings.like == Some(speaker) {
                self.agenda.wish(Subject::Flat(index), self.now.mono);
            }
        }
    }
}
