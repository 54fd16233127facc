//! What must survive of a site, and how it is taken up again.

use super::flats::{Flat, Kept, Sent};
use super::repeats::Answered;
use super::rounds::GuestKept;
use super::stands::Bench;
use super::turn::TurnKept;
use super::{Happening, Output, Site, Subject};
use crate::alert::{Alert, Change, Kind, Of};
use crate::flat::{Replaced, Season};
use crate::moment::{Mono, Span, Wall};
use crate::stand::{Scene, Stand, StandFacts};
use crate::units::Grams;
use serde::{Deserialize, Serialize};
use std::collections::HashMap;

/// What is kept of one subject: `of` and `id` as in events, and JSON that only the engine reads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fact {
    /// `flat`, `stand` or `site`.
    pub of: String,
    /// Its id; empty for the site.
    pub id: String,
    /// The rest.
    pub json: String,
}

/// What a store gives back at start.
#[derive(Debug, Clone, Default)]
pub struct Saved {
    /// One for each subject.
    pub facts: Vec<Fact>,
    /// Raised alerts: the kind's name, `of`, id, and the record.
    pub alerts: Vec<(String, String, String, String)>,
    /// The number of the last event.
    pub last_seq: u64,
}

/// What is kept of the site as a whole.
#[derive(Debug, Default, Serialize, Deserialize)]
#[serde(default)]
struct SiteFacts {
    plans_made: u64,
    #[serde(skip_serializing_if = "Option::is_none")]
    paused_until: Option<Mono>,
    answered: HashMap<String, Answered>,
    /// The flats of the file; `None` in older stores.
    #[serde(skip_serializing_if = "Option::is_none")]
    flats: Option<Vec<String>>,
    /// The stands that the file has those flats on; `None` in older stores.
    #[serde(skip_serializing_if = "Option::is_none")]
    stands: Option<Vec<Option<String>>>,
}

/// What the file of the last run said of a flat's stand, by the flat's id.
type StoodThen = HashMap<String, Option<String>>;

/// What was kept, by `of` and id.
type Facts<'a> = HashMap<(&'a str, &'a str), &'a str>;

/// Where the flats of the last run stood at its end, by command or by the file: flat and stand, in the order of that file.
#[derive(Debug, Default)]
struct LastRun {
    stood: Vec<(String, Option<String>)>,
}

impl LastRun {
    /// On a shared stand no flat stays.
    fn of(facts: &Facts, flats: &[String], by_file: &StoodThen, is_shared: impl Fn(&str) -> bool) -> Self {
        let mut stood: Vec<(String, Option<String>)> = Vec::with_capacity(flats.len());
        for id in flats {
            let kept = facts.get(&("flat", id.as_str())).and_then(|json| serde_json::from_str::<Kept>(json).ok());
            let moved = kept.and_then(|kept| kept.season.stand).map(|over| over.value);
            let stand = moved.or_else(|| by_file.get(id).cloned()).flatten().filter(|stand| !is_shared(stand));
            // Two may have been meant for one stand: the first had it.
            let free = stand.filter(|stand| !stood.iter().any(|(_, taken)| taken.as_ref() == Some(stand)));
            stood.push((id.clone(), free));
        }
        Self { stood }
    }

    /// Where this flat stood; `None`: nobody knows.
    fn stand_of(&self, flat: &str, formerly: Option<&str>) -> Option<Option<&str>> {
        let of = |id: &str| self.stood.iter().find(|(flat, _)| flat == id).map(|(_, stand)| stand.as_deref());
        of(flat).or_else(|| of(formerly?))
    }

    /// The flat that stood there.
    fn flat_on(&self, stand: &str) -> Option<&str> {
        self.stood.iter().find(|(_, there)| there.as_deref() == Some(stand)).map(|(flat, _)| flat.as_str())
    }
}

/// What is kept of a stand, and of the turns on it if it is shared.
#[derive(Debug, Serialize, Deserialize)]
struct BenchFacts {
    #[serde(flatten)]
    stand: StandFacts,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    turn: Option<TurnKept>,
    /// What was taken for a flat's, while that lies there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    last_taken: Option<Grams>,
    /// The flat that lies there, if it is shared.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    guest: Option<GuestKept>,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    waits_for_empty: bool,
}

impl Site {
    fn bench_facts(&self, stand: usize) -> Option<BenchFacts> {
        let bench = self.stands.get(stand)?;
        Some(BenchFacts {
            stand: bench.stand.facts(),
            turn: self.turn_kept(stand),
            last_taken: bench.last_taken.filter(|_| bench.turn.is_some()),
            guest: self.guest_kept(stand),
            waits_for_empty: bench.waits_for_empty && bench.turn.is_some(),
        })
    }

    /// What must survive of a subject, as JSON; `None` where there is nothing.
    #[must_use]
    pub fn fact(&self, subject: Subject) -> Option<Fact> {
        let json = match subject {
            Subject::Flat(flat) => serde_json::to_string(&self.flats.get(flat)?.kept),
            Subject::Stand(stand) => serde_json::to_string(&self.bench_facts(stand)?),
            Subject::Site => {
                let (plans_made, paused_until) = (self.plans_made, self.paused_until);
                let flats = Some(self.plan.flats.iter().map(|(id, _)| id.clone()).collect());
                let stands = Some(self.stands_of_the_file());
                let answered = self.answered.clone();
                serde_json::to_string(&SiteFacts { plans_made, paused_until, answered, flats, stands })
            }
            Subject::Valve(valve) => self.valve_fact(valve)?,
            Subject::Supply(supply) => serde_json::to_string(self.supplies.get(supply)?),
        };
        Some(Fact { of: subject.of().to_owned(), id: self.id(subject).to_owned(), json: json.ok()? })
    }

    /// When this season of a flat took the place of an earlier one; `None` in its first.
    #[must_use]
    pub fn season_begun(&self, flat: usize) -> Option<Wall> {
        self.flats.get(flat)?.kept.begun
    }

    /// What must survive of an alert, as JSON; `None` once it is forgotten.
    #[must_use]
    pub fn alert_fact(&self, kind: Kind, subject: Subject) -> Option<String> {
        serde_json::to_string(self.board.get(kind, Of::try_from(subject).ok()?)?).ok()
    }

    /// What must survive of this subject has changed.
    pub(super) fn keep(&mut self, subject: Subject) {
        // What is kept twice between two polls is kept once.
        if !self.out.contains(&Output::Keep(subject)) {
            self.out.push_back(Output::Keep(subject));
        }
    }

    /// Takes up what was kept.
    pub(super) fn recall(&mut self, saved: &Saved) {
        let plan = self.plan.clone();
        let facts: Facts =
            saved.facts.iter().map(|fact| ((fact.of.as_str(), fact.id.as_str()), fact.json.as_str())).collect();
        let mut before = None;
        let mut stood_then = None;
        if let Some(site) = facts.get(&("site", "")).and_then(|json| serde_json::from_str::<SiteFacts>(json).ok()) {
            self.plans_made = site.plans_made;
            self.answered = site.answered;
            self.paused_until = site.paused_until;
            before = site.flats;
            stood_then = site.stands;
        }
        self.tell_of_ids(before.as_deref());
        if stood_then.as_ref() != Some(&self.stands_of_the_file()) {
            self.keep(Subject::Site);
        }
        let is_known = stood_then.is_some();
        let flats_then = before.unwrap_or_default();
        let stood_then: StoodThen = flats_then.iter().cloned().zip(stood_then.into_iter().flatten()).collect();
        let is_shared = |id: &str| plan.stands.iter().any(|(stand, settings)| stand == id && settings.shared);
        let last_run = is_known.then(|| LastRun::of(&facts, &flats_then, &stood_then, is_shared));
        let (mut turns, mut guests) = (Vec::new(), Vec::new());
        for (id, settings) in &plan.stands {
            let facts = facts.get(&("stand", id)).and_then(|json| self.taken_up::<BenchFacts>("stand", id, json));
            let index = self.stands.len();
            let (mut last_taken, mut waits_for_empty) = (None, false);
            let (stand, replaced) = match facts {
                Some(facts) => {
                    turns.extend(facts.turn.map(|turn| (index, turn)));
                    guests.extend(facts.guest.map(|guest| (index, guest)));
                    (last_taken, waits_for_empty) = (facts.last_taken, facts.waits_for_empty);
                    Stand::restore(settings.clone(), facts.stand)
                }
                None => (Stand::new(settings.clone()), Vec::new()),
            };
            self.stands.push(Bench {
                stand,
                scene: Scene::default(),
                flat: None,
                shown: None,
                sent: Sent::default(),
                pending: Vec::new(),
                watch: None,
                turn: None,
                last_taken,
                shown_last: None,
                rested: None,
                waits_for_empty,
                is_recalled: false,
            });
            for replaced in replaced {
                let what = Happening::SettingReplaced {
                    what: replaced.key.to_owned(),
                    from: serde_json::json!(replaced.from),
                    to: serde_json::json!(replaced.to),
                };
                self.event(Subject::Stand(index), what);
                self.keep(Subject::Stand(index));
            }
        }
        let mut anew = Vec::new();
        for (index, (id, settings)) in plan.flats.iter().enumerate() {
            let mut known =
                |id: &str| facts.get(&("flat", id)).and_then(|json| self.taken_up::<Kept>("flat", id, json));
            let former = settings.formerly.as_deref();
            let kept = known(id)
                .or_else(|| known(former?))
                .unwrap_or_else(|| Kept { season: Season::begin(settings), ..Kept::default() });
            self.flats.push(Flat::new(kept));
            if self.meet_file(index, &stood_then) {
                anew.push(index);
            }
        }
        self.follow_renamed();
        self.load_stands(last_run.as_ref(), &anew);
        self.recall_alerts(saved);
        for flat in anew {
            let changes = self.board.clear_all(Of::Flat(flat), "sown anew");
            self.carry_out(changes);
        }
        self.recall_fills();
        for flat in 0..self.flats.len() {
            self.settle(flat);
        }
        for flat in 0..self.flats.len() {
            self.recall_leader(flat);
        }
        for flat in 0..self.flats.len() {
            let before = self.flats[flat].kept.condition;
            self.carry_on(flat);
            if self.flats[flat].kept.condition != before {
                self.keep(Subject::Flat(flat));
            }
            self.agenda.wish(Subject::Flat(flat), self.now.mono + Span::from_millis(1));
        }
        self.recall_valves(&facts);
        for (stand, kept) in turns {
            self.take_up_turn(stand, kept);
        }
        for (stand, kept) in guests {
            self.take_up_guest(stand, kept);
        }
        for stand in 0..self.stands.len() {
            self.refresh_scene(stand);
            self.wish_stand(stand);
        }
    }

    fn stands_of_the_file(&self) -> Vec<Option<String>> {
        let stand = |stand: usize| self.plan.stands.get(stand).map(|(id, _)| id.clone());
        self.plan.flats.iter().map(|(_, settings)| settings.stand.and_then(stand)).collect()
    }

    /// Flats that have another id since the last run, or have left the file.
    fn tell_of_ids(&mut self, before: Option<&[String]>) {
        let plan = self.plan.clone();
        let is_same = before.is_some_and(|before| plan.flats.iter().map(|(id, _)| id).eq(before));
        if is_same {
            return;
        }
        self.keep(Subject::Site);
        for gone in before.unwrap_or_default().iter().filter(|gone| !plan.flats.iter().any(|(id, _)| id == *gone)) {
            let to = plan.flats.iter().position(|(_, settings)| settings.formerly.as_ref() == Some(gone));
            match to {
                Some(flat) => {
                    let (from, to) = (gone.clone(), plan.flats[flat].0.clone());
                    self.event(Subject::Flat(flat), Happening::Renamed { from, to });
                }
                None => self.event(Subject::Site, Happening::Retired { flat: gone.clone() }),
            }
        }
    }

    /// What was kept of a subject, or a note that it cannot be read.
    pub(super) fn taken_up<T: serde::de::DeserializeOwned>(&mut self, of: &str, id: &str, json: &str) -> Option<T> {
        match serde_json::from_str(json) {
            Ok(taken) => Some(taken),
            Err(error) => {
                self.notes.push(format!("what was kept of {of} `{id}` cannot be read, so it starts anew: {error}"));
                None
            }
        }
    }

    /// Holds what was kept of a flat against the file, and puts it on its stand. Whether it starts anew.
    fn meet_file(&mut self, index: usize, stood_then: &StoodThen) -> bool {
        let plan = self.plan.clone();
        let (id, settings) = &plan.flats[index];
        let fill = settings.fill.and_then(|fill| plan.fills.get(fill));
        let stand_id = settings.stand.and_then(|stand| plan.stands.get(stand)).map(|(id, _)| id.as_str());
        let subject = Subject::Flat(index);
        let kept = &self.flats[index].kept;
        let starts_anew = kept.season.is_over(settings, kept.retired.is_some());
        if starts_anew {
            let before = self.flats[index].kept.season.day_of_sowing();
            let (season, begun) = (Season::begin(settings), Some(self.now.wall));
            self.flats[index] = Flat::new(Kept { season, begun, ..Kept::default() });
            let day = |day: Option<chrono::NaiveDate>| serde_json::json!(day);
            let what =
                Happening::SettingReplaced { what: "sown".to_owned(), from: day(before), to: day(settings.sown) };
            self.event(subject, what);
            self.keep(subject);
        }
        if self.flats[index].kept.season.take_up_older(self.now.wall) {
            self.keep(subject);
        }
        if self.flats[index].kept.season.is_sown(settings) {
            // By that day, and not by the one of the next record, it is known whether the file has another.
            self.keep(subject);
        }
        let kept = &mut self.flats[index].kept;
        let before = kept.season.ends.clone();
        let mut replaced = kept.season.meet_file(settings, fill, stand_id, self.now.wall);
        let has_met = kept.season.ends != before;
        // The stand it was moved to may be gone from the file: then it belongs where the file has it.
        let is_gone = |id: &String| !plan.stands.iter().any(|(stand, _)| stand == id);
        if let Some(id) = kept.season.stand.as_ref().and_then(|over| over.value.clone()).filter(is_gone) {
            kept.season.stand = None;
            replaced.push(Replaced { key: "stand", from: id.into(), to: serde_json::json!(stand_id) });
        }
        let moved = kept.season.stand.as_ref().map(|over| over.value.clone());
        let then = stood_then.get(id).or_else(|| stood_then.get(settings.formerly.as_ref()?));
        let is_told = moved.is_some() || replaced.iter().any(|replaced| replaced.key == "stand");
        if let Some(from) = then.filter(|then| !is_told && then.as_deref() != stand_id) {
            self.event(subject, Happening::Moved { from: from.clone(), to: stand_id.map(str::to_owned) });
        }
        if has_met {
            self.keep(subject);
        }
        if !replaced.is_empty() {
            // What an event moved rests on what the file said then.
            self.flats[index].kept.ledger = None;
        }
        for replaced in replaced {
            let what =
                Happening::SettingReplaced { what: replaced.key.to_owned(), from: replaced.from, to: replaced.to };
            self.event(subject, what);
            self.keep(subject);
        }
        let stand = match moved {
            Some(Some(id)) => plan.stands.iter().position(|(stand, _)| *stand == id),
            Some(None) => None,
            None => settings.stand,
        };
        let free = stand.filter(|&stand| self.stands[stand].flat.is_none() && !plan.stands[stand].1.shared);
        let flat = &mut self.flats[index];
        flat.stand = free;
        flat.on_stand = free.is_some() && flat.kept.off_since.is_none() && flat.kept.misfit.is_none();
        flat.present = flat.kept.weighed.map(|weighed| weighed.weight);
        if let Some(stand) = free {
            self.stands[stand].flat = Some(index);
        }
        starts_anew
    }

    /// The file may have put flats on other stands than they stood on, or begun one anew: what its stand was last weighed with is
    /// not this flat's, and it is carried there as by `move`.
    fn load_stands(&mut self, last_run: Option<&LastRun>, anew: &[usize]) {
        let plan = self.plan.clone();
        let Some(last_run) = last_run else { return };
        for (index, (id, settings)) in plan.flats.iter().enumerate() {
            let here = self.flats[index].stand.map(|stand| self.id(Subject::Stand(stand)));
            let there = last_run.stand_of(id, settings.formerly.as_deref());
            if !anew.contains(&index) && there.is_some_and(|there| there != here) {
                self.is_carried(index);
                self.keep(Subject::Flat(index));
            }
        }
        for (stand, (id, _)) in plan.stands.iter().enumerate().filter(|(_, (_, settings))| !settings.shared) {
            let then = last_run.flat_on(id);
            let flat = self.stands[stand].flat;
            let is_same = match flat.map(|flat| &plan.flats[flat]) {
                Some((id, settings)) => {
                    then.is_some_and(|then| then == id || settings.formerly.as_deref() == Some(then))
                }
                None => then.is_none(),
            };
            if !is_same || flat.is_some_and(|flat| anew.contains(&flat)) {
                self.stands[stand].stand.forget_load();
                self.keep(Subject::Stand(stand));
            }
        }
    }

    fn recall_alerts(&mut self, saved: &Saved) {
        for (kind, of, id, json) in &saved.alerts {
            let subject = self.subject(of, id);
            let kind = Kind::ALL.iter().copied().find(|known| known.name() == kind);
            let (Some(kind), Some(subject)) = (kind, subject) else { continue };
            let alert = serde_json::from_str::<Alert>(json).ok();
            if let (Some(alert), Ok(of)) = (alert, Of::try_from(subject)) {
                // The file may have been rearranged since: the id holds, not the place.
                let mut alert = Alert { kind, of, ..alert };
                let label = match of {
                    Of::Flat(flat) => self.plan.flats.get(flat).map(|(_, settings)| settings.label.as_str()),
                    _ => None,
                };
                let is_news = label.is_some_and(|label| alert.relabel(label));
                self.board.restore(alert);
                self.carry_out(is_news.then_some(Change::Reworded(kind, of)).into_iter().collect());
            }
        }
    }

    /// A subject by the words of events: `of` and id.
    #[must_use]
    pub fn subject(&self, of: &str, id: &str) -> Option<Subject> {
        let plan = &self.plan;
        match of {
            "flat" => plan.flats.iter().position(|(flat, _)| flat == id).map(Subject::Flat),
            "stand" => plan.stands.iter().position(|(stand, _)| stand == id).map(Subject::Stand),
            "valve" => plan.valves.iter().position(|valve| valve.id == id).map(Subject::Valve),
            "supply" => plan.supplies.iter().position(|supply| supply.id == id).map(Subject::Supply),
            _ => None,
        }
    }

    /// Works out band, stage and limits of a flat anew.
    pub(super) fn settle(&mut self, index: usize) {
        let plan = self.plan.clone();
        let Some((_, settings)) = plan.flats.get(index) else { return };
        let recipe = self.recipe(index);
        let stage = self.flats[index].stage;
        self.flats[index].settle(settings, recipe.as_ref().map(|(fill, _)| fill), plan.zone, self.now.wall);
        self.flats[index].band_spread = recipe.map_or(Grams::ZERO, |(_, spread)| spread);
        let band = self.flats[index].band.map(|(band, _)| (band.dry() + self.flats[index].plants(), band.width()));
        self.flats[index].kept.drying.set_band(band);
        let now = self.flats[index].stage;
        if let (Some(before), true) = (stage, stage != now) {
            let name =
                |stage: Option<usize>| stage.and_then(|at| settings.stages.get(at)).map(|stage| stage.name.clone());
            self.event(Subject::Flat(index), Happening::StageChanged { from: name(Some(before)), to: name(now) });
        }
    }

    /// The fill of a flat with the band that this one goes by where it has none of its own, and the spread of that.
    pub(super) fn recipe(&self, index: usize) -> Option<(crate::flat::FillSettings, Grams)> {
        let like = self.plan.flats.get(index)?.1.like;
        let fill = match self.fill(index) {
            Some(fill) => fill.clone(),
            None => like.map(|_| crate::flat::FillSettings::default())?,
        };
        let known = self.known_ends(index);
        let (dry_weight, capacity_weight) = (known.dry, known.capacity);
        Some((crate::flat::FillSettings { dry_weight, capacity_weight, ..fill }, known.spread))
    }

    pub(super) fn fill(&self, index: usize) -> Option<&crate::flat::FillSettings> {
        let fill = self.plan.flats.get(index)?.1.fill?;
        self.plan.fills.get(fill)
    }
}
