//! A person has said what is on the stand: whatever it weighs now is right.

use super::episode::{Shift, Yardstick};
use super::handling::Handler;
use super::reading::Stand;
use crate::moment::Span;
use crate::units::{Grams, GramsPerHour};

/// g²: of a single reading, until that of the stand is known.
const USUAL_VARIANCE: f64 = 1.0;

impl Stand {
    /// Takes what is on the stand now for the flat that is said to be on it, however much it weighs. What the weights
    /// said before this moment is forgotten: the next step is judged from here.
    pub fn accept_load(&mut self) {
        self.handler.accept();
    }

    /// The same where the weight is known by which it was taken, also in the midst of a pour: that has been counted, and is not told
    /// once more.
    pub fn accept_load_at(&mut self, weight: Grams) {
        self.accept_load();
        if let (true, Some(at)) = (self.is_loaded(), self.reading_at()) {
            let variance = self.noise().map_or(USUAL_VARIANCE, |noise| noise.get() * noise.get());
            self.handler.resume(weight.get(), at.mono, variance);
        }
    }

    /// Whether something lies on it.
    #[must_use]
    pub fn is_loaded(&self) -> bool {
        self.handler.place == super::handling::Place::Loaded
    }

    /// What stood there before something began that is not over yet; `None` while nothing goes on.
    #[must_use]
    pub fn stood_at(&self) -> Option<Grams> {
        let level = self.handler.trend.as_ref().filter(|_| self.is_loaded() && !self.handler.is_left_alone())?.level();
        Grams::checked(level)
    }

    /// From which rest to which its weight has gone in what is not over yet, the oldest first.
    #[must_use]
    pub fn shifts(&self) -> Vec<Shift> {
        let Some(episode) = self.handler.episode.as_deref().filter(|_| self.is_loaded()) else { return Vec::new() };
        let division = self.division().get();
        let period = self.period().map_or(0.0, Span::as_seconds);
        episode.shifts(&Yardstick { variance: self.noise.cautious(division), division, period })
    }

    /// So much of a shift is known for what it was: what else is going on is judged as if the weight had been so before.
    pub fn take_out(&mut self, shift: &Shift, change: Grams) {
        self.handler.take_out(shift, change.get());
    }

    /// How fast what stands there has dried of late, by its own levels; `None` before an hour of them.
    #[must_use]
    pub fn drying(&self) -> Option<GramsPerHour> {
        self.handler.drying.and_then(GramsPerHour::checked)
    }

    /// Whether nothing is being done to what is on it, as far as its weights tell: no water coming or draining, no
    /// hand on it. What the weight does otherwise says nothing of drying.
    #[must_use]
    pub fn is_left_alone(&self) -> bool {
        self.handler.is_quiet()
    }
}

impl Handler {
    fn take_out(&mut self, shift: &Shift, change: f64) {
        if let Some(episode) = &mut self.episode {
            episode.take_out(shift, change);
            self.trend = self.trend.map(|trend| trend.rescaled(-change, 1.0));
        }
    }

    fn accept(&mut self) {
        // An episode that has begun belongs to what was there before.
        self.rescale(0.0, 1.0);
        self.misfit = false;
        self.before = None;
    }
}
