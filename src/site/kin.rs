//! What a flat's kin tell of its pace: the others that its leader leads, by their own weighings, and the others that could lead.

use super::Site;
use crate::flat::{Band, BandFrom, Kin, Leader, Pace, Prior, Shown};
use crate::units::{Fraction, Grams};

impl Site {
    /// How near two flats are.
    pub(super) fn kinship(&self, index: usize, other: usize) -> Leader {
        let [own, others] = [index, other].map(|flat| &self.plan.flats[flat].1);
        let same_fill = own.fill.is_some() && others.fill == own.fill;
        match own.like {
            Some(like) if like == other => Leader::Batch,
            _ if same_fill && others.sown == own.sown => Leader::Batch,
            _ if same_fill => Leader::Fill,
            _ => Leader::Room,
        }
    }

    /// Hears its kin; by the way of a look, and when another leads it.
    pub(super) fn hear_kin(&mut self, index: usize) {
        self.flats[index].prior = self.prior(index);
    }

    fn prior(&self, index: usize) -> Prior {
        let (nearness, leader) = self.flats[index].leader;
        let Some(leader) = leader else { return Prior::of(Leader::Clock) };
        let mut kin = Kin::default();
        kin.hear(nearness, Shown::ITSELF);
        for other in (0..self.flats.len()).filter(|&other| other != index && other != leader) {
            if let Some(shown) = self.shown_against(other, leader) {
                kin.hear(self.kinship(index, other), shown);
            }
        }
        kin.prior(nearness)
    }

    /// How much faster than a flat on a stand another has dried, as far as that is known.
    fn shown_against(&self, index: usize, leader: usize) -> Option<Shown> {
        let flat = &self.flats[index];
        if self.can_lead(index) {
            return self.beside(index, leader);
        }
        let between = flat.kept.between.as_deref().filter(|_| flat.leader.1 == Some(leader))?;
        between.pace.shown(&Prior::of(flat.leader.0))
    }

    /// The same of two that are, or were, on stands side by side.
    fn beside(&self, index: usize, leader: usize) -> Option<Shown> {
        let (flat, leader) = (self.flats.get(index)?, self.flats.get(leader)?);
        let (own, led, hours) = flat.kept.drying.beside(&leader.kept.drying, self.now);
        let share = |lost: Grams, (band, _): (Band, BandFrom)| Fraction::new(lost / band.width());
        Shown::beside(share(own, flat.band?), share(led, leader.band?), f64::from(hours))
    }

    /// A flat's pace against another leader than the one it has: what it has shown so far counts as far as the two can be compared.
    pub(super) fn pace_against(&self, index: usize, leader: Option<usize>) -> Pace {
        let flat = &self.flats[index];
        let pace = flat.kept.between.as_deref().map(|between| between.pace).unwrap_or_default();
        if leader == flat.leader.1 {
            return pace;
        }
        let known = flat.leader.1.zip(leader).and_then(|(before, leader)| self.beside(leader, before));
        known.map(|known| pace.against_another(known, &flat.prior)).unwrap_or_default()
    }
}
