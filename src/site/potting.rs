//! Potting on: the plants of a flat go on in others, which are soaked anew; the flat itself is done with. And taking that back.

use super::orders::Done;
use super::{Happening, Site, Subject};
use crate::alert::{Kind, Of};
use crate::flat::{Ledger, Plants};
use crate::moment::Wall;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use serde_json::{Map, json};

/// What a potting on has changed elsewhere, to be taken back.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Potted {
    at: Wall,
    /// The number of the event that told of it; `None` in older stores.
    #[serde(default)]
    told_by: Option<u64>,
    /// The stand it was on.
    stand: Option<String>,
    into: Vec<Before>,
}

/// A flat before plants were potted on into it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Before {
    id: String,
    lineage: Vec<String>,
    sown: Option<NaiveDate>,
    #[serde(default)]
    sown_elsewhere: Option<NaiveDate>,
    asks_soak: Option<Wall>,
    grown: Option<Box<Plants>>,
    ledger: Option<Box<Ledger>>,
}

impl Potted {
    pub(super) const fn told_by(&self) -> Option<u64> {
        self.told_by
    }
}

impl Site {
    /// `pot-on`: its plants go on in others, which are soaked anew; this one is done with.
    pub(super) fn pot_on(&mut self, index: usize, into: &[usize]) -> Done {
        let id = self.id(Subject::Flat(index)).to_owned();
        self.may_be_potted_on(index, into)?;
        let sown = self.flats[index].kept.season.day_of_sowing();
        let mut lineage = self.flats[index].kept.lineage.clone();
        lineage.push(id.clone());
        let now = self.now.wall;
        let mut before = Vec::new();
        for &other in into {
            let id = self.id(Subject::Flat(other)).to_owned();
            let kept = &mut self.flats[other].kept;
            before.push(Before {
                id,
                lineage: std::mem::replace(&mut kept.lineage, lineage.clone()),
                sown: kept.season.sown,
                sown_elsewhere: kept.season.sown_elsewhere,
                asks_soak: kept.asks_soak.replace(now),
                grown: kept.season.ends.grown.take(),
                ledger: kept.ledger.take(),
            });
            kept.season.sown_elsewhere = kept.season.sown_elsewhere.or(sown);
            kept.told.clear();
            kept.out_of_reach = None;
            self.setting_changed(other);
        }
        let ids: Vec<String> = into.iter().map(|&other| self.id(Subject::Flat(other)).to_owned()).collect();
        self.event(Subject::Flat(index), Happening::PottedOn { into: ids.clone() });
        let told_by = Some(self.seq);
        self.retire(index, before, told_by);
        Ok(Map::from_iter([("into".to_owned(), json!(ids)), ("retired".to_owned(), json!(id))]))
    }

    fn may_be_potted_on(&self, index: usize, into: &[usize]) -> Result<(), String> {
        let id = self.id(Subject::Flat(index));
        for (at, &other) in into.iter().enumerate() {
            let name = self.id(Subject::Flat(other));
            if other == index {
                return Err(format!("{name} cannot be potted on into itself"));
            }
            if into[..at].contains(&other) {
                return Err(format!("{name} is in the list twice"));
            }
            if self.is_retired(other) {
                return Err(format!("{name} is retired: give the new flat an id of its own in the file"));
            }
        }
        let is_like = |other: &usize| self.plan.flats[*other].1.like == Some(index) && !self.is_retired(*other);
        let like: Vec<&str> =
            (0..self.flats.len()).filter(is_like).map(|other| self.id(Subject::Flat(other))).collect();
        if like.is_empty() {
            return Ok(());
        }
        let (like, is) = (like.join(", "), if like.len() == 1 { "is" } else { "are" });
        Err(format!(
            "{like} {is} `like` {id}, and nothing would speak for {like} any more. Pot on those first, or give them another `like` in the file"
        ))
    }

    fn retire(&mut self, index: usize, into: Vec<Before>, told_by: Option<u64>) {
        let stand = self.flats[index].stand;
        let own = stand.filter(|&stand| !self.plan.stands[stand].1.shared);
        let id = own.map(|stand| self.id(Subject::Stand(stand)).to_owned());
        if let Some(stand) = stand.filter(|_| own.is_none()) {
            self.release(stand);
        } else if own.is_some() {
            self.assign(index, None);
        }
        let now = self.now.wall;
        let kept = &mut self.flats[index].kept;
        kept.retired = Some(now);
        kept.soak = None;
        kept.potted = Some(Box::new(Potted { at: now, told_by, stand: id, into }));
        self.leave_out_of_turns(index);
        let changes = self.board.clear_all(Of::Flat(index), "its plants have been potted on");
        self.carry_out(changes);
        self.setting_changed(index);
    }

    /// Why nothing can be commanded to a flat that is done with, and what brings it to life.
    pub(super) fn why_retired(&self, index: usize) -> String {
        let had = self.flats[index].kept.season.day_of_sowing();
        let other = had.map_or("A `sown`".to_owned(), |had| format!("Another `sown` than {had}"));
        format!(
            "it is retired: its plants have been potted on. {other} in the file starts it anew, and `undo` takes the potting on back"
        )
    }

    /// `undo` of a potting on: the flat lives again, on its stand if that is still free, and what had been asked of the others is not
    /// asked any more.
    pub(super) fn undo_potting(&mut self, index: usize) -> Option<Done> {
        self.flats[index].kept.retired.take()?;
        let id = self.id(Subject::Flat(index)).to_owned();
        let Some(potted) = self.flats[index].kept.potted.take() else {
            self.setting_changed(index);
            return Some(Ok(self.band_answer(index)));
        };
        for before in potted.into {
            self.as_before_the_potting(&id, potted.at, before);
        }
        let stand = potted.stand.and_then(|id| self.plan.stands.iter().position(|(stand, _)| *stand == id));
        let free = stand.filter(|&stand| self.stands[stand].flat.is_none());
        if free.is_some() {
            self.assign(index, free);
        }
        self.setting_changed(index);
        let mut answer = self.band_answer(index);
        answer.insert("stand".to_owned(), json!(free.map(|stand| self.id(Subject::Stand(stand)))));
        if let (Some(stand), None) = (stand, free) {
            let (stand, other) = (self.id(Subject::Stand(stand)), self.stands[stand].flat);
            let other = other.map_or("another flat", |flat| self.id(Subject::Flat(flat)));
            answer
                .insert("text".to_owned(), json!(format!("{other} is on {stand} now; `move` says who belongs there")));
        }
        Some(Ok(answer))
    }

    /// What is kept of pottings on has flats by their ids: those that the file calls otherwise now are called so there too.
    pub(super) fn follow_renamed(&mut self) {
        let plan = self.plan.clone();
        let is_gone = |former: &String| !plan.flats.iter().any(|(id, _)| id == former);
        let renamed: Vec<(&String, &String)> = plan
            .flats
            .iter()
            .filter_map(|(id, settings)| Some((settings.formerly.as_ref().filter(|former| is_gone(former))?, id)))
            .collect();
        let follow = |ids: &mut dyn Iterator<Item = &mut String>| {
            let mut changed = false;
            for id in ids {
                if let Some((_, now)) = renamed.iter().find(|(former, _)| *former == id) {
                    id.clone_from(now);
                    changed = true;
                }
            }
            changed
        };
        for index in 0..self.flats.len() {
            let kept = &mut self.flats[index].kept;
            let into = kept.potted.iter_mut().flat_map(|potted| potted.into.iter_mut());
            let before = into.flat_map(|before| std::iter::once(&mut before.id).chain(before.lineage.iter_mut()));
            if follow(&mut before.chain(kept.lineage.iter_mut())) {
                self.keep(Subject::Flat(index));
            }
        }
    }

    /// What has been recorded there since stays.
    fn as_before_the_potting(&mut self, from: &str, at: Wall, before: Before) {
        let Some(other) = self.plan.flats.iter().position(|(id, _)| *id == before.id) else { return };
        let kept = &mut self.flats[other].kept;
        if kept.lineage.last().map(String::as_str) != Some(from) {
            return;
        }
        kept.lineage = before.lineage;
        kept.season.sown = self.plan.flats[other].1.sown.or(before.sown);
        kept.season.sown_elsewhere = before.sown_elsewhere;
        if kept.asks_soak == Some(at) {
            kept.asks_soak = before.asks_soak;
            kept.season.ends.grown = kept.season.ends.grown.take().or(before.grown);
        }
        kept.ledger = kept.ledger.take().or(before.ledger);
        if kept.asks_soak.is_none() && !self.is_doubted(other) {
            let cleared =
                self.board.clear(Kind::BandDoubtful, Of::Flat(other), "the potting on was taken back".to_owned());
            self.carry_out(cleared.into_iter().collect());
        }
        self.setting_changed(other);
    }
}
