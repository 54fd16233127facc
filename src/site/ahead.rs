//! Where a flat's drying leads: by its own hours on a stand, by those of the flat that leads it, or by the clock.

use super::Site;
use super::flats::Flat;
use crate::flat::{Asked, Forecast, usual};
use crate::moment::{Moment, Span};
use crate::units::{Grams, GramsPerHour};

/// Half of an 80 % range in standard errors.
const RANGE: f64 = 1.2816;
/// Further ahead nothing is forecast.
const FURTHEST: Span = Span::days(14);

/// What a flat's drying is asked of.
pub(super) enum Ahead {
    /// Its own hours.
    Own(Asked),
    /// Those of another flat.
    Led {
        asked: Asked,
        /// The other's band in grams for each gram that this flat loses of its own, at its pace.
        scale: f64,
        band: Grams,
        spread: f64,
    },
    /// The same each hour.
    Steady { now: Moment, per_hour: Grams, spread: f64 },
}

impl Ahead {
    pub fn rate(&self) -> Option<GramsPerHour> {
        match self {
            Self::Own(asked) => asked.rate().map(|rate| rate.per_hour),
            Self::Led { asked, scale, .. } => asked.rate().map(|rate| rate.per_hour * (1.0 / scale)),
            Self::Steady { per_hour, .. } => GramsPerHour::checked(per_hour.get()),
        }
    }

    pub fn known_hours(&self) -> u32 {
        match self {
            Self::Own(asked) | Self::Led { asked, .. } => asked.known_hours(),
            Self::Steady { .. } => 0,
        }
    }

    /// What it lost itself in the last `span`, waterings set aside.
    pub fn lost_in_last(&self, span: Span) -> Option<Grams> {
        match self {
            Self::Own(asked) => asked.lost_in_last(span),
            Self::Led { .. } | Self::Steady { .. } => None,
        }
    }

    /// When `water` grams will have fallen to `until`, in a band of `width`.
    pub fn reaches(&self, water: Grams, until: Grams, width: Grams) -> Option<Forecast> {
        match self {
            Self::Own(asked) => asked.reaches(water, until, width),
            Self::Led { asked, scale, band, spread } => {
                let at = |scale: f64| asked.reaches(water * scale, until * scale, *band);
                let expected = at(*scale)?;
                let off = (RANGE * spread).exp();
                let early = at(scale / off).map_or(expected.early, |sooner| sooner.early);
                let late = at(scale * off).map_or_else(|| expected.late, |later| later.late);
                Some(Forecast {
                    early: early.min_by_mono(expected.at),
                    late: late.max_by_mono(expected.at),
                    ..expected
                })
            }
            Self::Steady { now, per_hour, spread } => {
                let need = water - until;
                let hours = need / *per_hour;
                if need <= Grams::ZERO || !hours.is_finite() {
                    return None;
                }
                let off = (RANGE * spread).exp();
                let after = |hours: f64| {
                    let span = Span::from_seconds(hours * 3600.0).min(FURTHEST);
                    Moment { mono: now.mono + span, wall: now.wall + span }
                };
                if hours > FURTHEST.as_hours() {
                    return None;
                }
                Some(Forecast { at: after(hours), early: after(hours / off), late: after(hours * off) })
            }
        }
    }
}

impl Ahead {
    /// The early end of the 80 % range of that alone: it may be within 14 days where what is expected is not.
    pub fn earliest(&self, water: Grams, until: Grams, width: Grams) -> Option<Moment> {
        match self {
            Self::Own(asked) => asked.earliest(water, until, width),
            Self::Led { asked, scale, band, spread } => {
                let scale = scale / (RANGE * spread).exp();
                asked.earliest(water * scale, until * scale, *band)
            }
            Self::Steady { now, per_hour, spread } => {
                let hours = (water - until) / *per_hour / (RANGE * spread).exp();
                let span = (hours > 0.0 && hours <= FURTHEST.as_hours()).then(|| Span::from_seconds(hours * 3600.0))?;
                Some(Moment { mono: now.mono + span, wall: now.wall + span })
            }
        }
    }
}

/// The earlier or later of two moments.
trait Either {
    fn min_by_mono(self, other: Self) -> Self;
    fn max_by_mono(self, other: Self) -> Self;
}

impl Either for Moment {
    fn min_by_mono(self, other: Self) -> Self {
        if other.mono < self.mono { other } else { self }
    }

    fn max_by_mono(self, other: Self) -> Self {
        if other.mono > self.mono { other } else { self }
    }
}

impl Site {
    /// What the drying of this flat is asked of now.
    pub(super) fn ahead(&self, index: usize) -> Ahead {
        let hour = self.local_hour(self.now.wall);
        let flat = &self.flats[index];
        let own = || Ahead::Own(flat.kept.drying.ask(self.now, hour));
        let like = self.plan.flats[index].1.like;
        if like.is_none() && !self.is_between(index) {
            return own();
        }
        let Some((band, _)) = flat.band else { return own() };
        let between = flat.kept.between.as_deref();
        let pace = between.map(|between| between.pace).unwrap_or_default();
        let by_clock = between.map(|between| between.by_clock).unwrap_or_default();
        let by = like.or(flat.leader.1);
        let led = by.and_then(|by| self.led(by, band.width(), pace.ratio(&flat.prior), pace.spread(&flat.prior)));
        led.unwrap_or_else(|| Ahead::Steady {
            now: self.now,
            per_hour: band.width() * (usual::PER_HOUR * by_clock.ratio(&usual::BY_CLOCK)),
            spread: by_clock.spread(&usual::BY_CLOCK),
        })
    }

    fn led(&self, by: usize, own: Grams, ratio: f64, spread: f64) -> Option<Ahead> {
        let leader: &Flat = self.flats.get(by)?;
        let (band, _) = leader.band?;
        let asked = leader.kept.drying.ask(self.now, self.local_hour(self.now.wall));
        asked.rate()?;
        Some(Ahead::Led { asked, scale: band.width() / own / ratio, band: band.width(), spread })
    }
}
