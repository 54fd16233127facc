//! Held against truth: which alerts are so, which should have come, how the crop fares.

use super::checks::{Check, Checks};
use super::scenario::{BEGINS, Scenario};
use super::states::Shown;
use super::tally::{Tally, Verdict};
use super::truths::{Post, Pot};
use std::collections::BTreeMap;
use std::sync::Arc;
use tarewell::alert::Kind;
use tarewell::moment::Span;
use tarewell::sim::{Deed, House, Message, Place, SimTime, Trouble};
use tarewell::site::{Plan, Site, Subject};
use tarewell::store::{Of, Write};
use tarewell::watering::Mode;

/// The crop is looked at so often.
const SAMPLE_EVERY: Span = Span::minutes(10);
/// A fraction this far below low is dry for certain, whatever the noise.
const CLEARLY: f64 = 0.012;

/// Of a stand that was not heard for so long, no fault can be told in its time.
const UNHEARD: Span = Span::minutes(30);

/// An alert that should have come by the end of a time.
#[derive(Debug, Clone)]
struct Owed {
    kind: Kind,
    stand: usize,
    from: SimTime,
    until: SimTime,
    /// A device that restarts in a moment and tares itself looks just like one whose flat is lifted: there that the flat is
    /// absent is what can be told.
    like_lifted: bool,
    /// Whether it was raised when last looked at: what another trouble has raised, and stands to the end, need not rise again.
    stands: bool,
    /// Nothing was heard of the stand for so long that nothing could be told in time.
    unheard: bool,
    why: String,
}

/// A night that was said to end dry.
#[derive(Debug, Clone, Copy)]
struct Night {
    flat: usize,
    raised: SimTime,
    morning: SimTime,
    /// Where it would have been by morning, when it was watered before.
    watered: Option<f64>,
}

/// What is known in truth.
pub struct Judge {
    plan: Arc<Plan>,
    seed: u64,
    pub posts: Vec<Post>,
    pub pots: Vec<Pot>,
    deeds: usize,
    owed: Vec<Owed>,
    nights: Vec<Night>,
    raised: BTreeMap<(Kind, Subject), SimTime>,
    before: Option<Before>,
    next_sample: SimTime,
    up_since: SimTime,
    jumped: SimTime,
}

/// What was so when the program was killed.
struct Before {
    flats: Vec<Option<Shown>>,
    stands: Vec<Option<String>>,
}

impl Judge {
    pub fn new(scenario: &Scenario) -> Self {
        let posts = scenario.house.stands.iter().map(Post::new).collect();
        let pots = scenario.house.flats.iter().map(|_| Pot::default()).collect();
        Self {
            plan: scenario.plan.clone(),
            seed: scenario.seed,
            posts,
            pots,
            deeds: 0,
            owed: Vec::new(),
            nights: Vec::new(),
            raised: BTreeMap::new(),
            before: None,
            next_sample: BEGINS,
            up_since: BEGINS,
            jumped: BEGINS - Span::days(9),
        }
    }

    // ---- what happens

    pub fn heard(&mut self, message: &Message, at: SimTime, up: bool) {
        match message {
            Message::Reading { stand, retained: false, value } if up => self.posts[*stand].hears(*value, at),
            Message::Available { stand, online, .. } => self.posts[*stand].online = *online,
            Message::Disconnected => self.posts.iter_mut().for_each(|post| post.gone = true),
            Message::Connected => {
                for post in self.posts.iter_mut().filter(|post| post.gone) {
                    post.gone = false;
                    post.troubled(at, Span::minutes(5));
                }
            }
            _ => {}
        }
    }

    pub fn paced(&mut self, stand: usize, to_one_in: u32, at: SimTime) {
        let post = &mut self.posts[stand];
        post.period = Span::from_millis(post.own_period.millis() * i64::from(to_one_in));
        post.troubled(at, Span::from_millis(post.period.millis() * 12) + Span::minutes(10));
    }

    /// Who says what may not be so makes truth useless for what the engine says.
    pub fn commanded(&mut self, topic: &str, payload: &str) {
        let place = |mark: &str| {
            let rest = topic.split(mark).nth(1)?;
            rest.split('/').next()?.parse::<usize>().ok()
        };
        let bends = [
            "dome",
            "move",
            "holds",
            "zero",
            "span",
            "forget-calibration",
            "record",
            "plant_mass",
            "undo",
            "forget-band",
        ];
        if !bends.iter().any(|word| payload.contains(word)) {
            return;
        }
        let everybody = payload.contains("move") || payload.contains("holds");
        for (number, post) in self.posts.iter_mut().enumerate() {
            let it = place("flats/f") == Some(number) || place("stands/s") == Some(number);
            post.bent |= everybody || it;
        }
    }

    pub fn clock_jumped(&mut self, at: SimTime) {
        self.jumped = at;
    }

    pub fn killed(&mut self, site: &Site, plan: &Plan, lost: &[Write]) {
        let is_lost = |kind: Of, id: &str| {
            lost.iter().any(|write| matches!(write, Write::Fact { of, id: lost, .. } if *of == kind && lost == id))
        };
        let flats =
            plan.flats.iter().enumerate().map(|(at, (id, _))| {
                site.flat_state(at).filter(|_| !is_lost(Of::Flat, id)).map(|state| Shown::of(&state))
            });
        let stands = plan.stands.iter().enumerate().map(|(at, (id, _))| {
            site.stand_state(at).filter(|_| !is_lost(Of::Stand, id)).and_then(|state| state.flat.map(str::to_owned))
        });
        self.before = Some(Before { flats: flats.collect(), stands: stands.collect() });
    }

    pub fn started(&mut self, checks: &mut Checks, site: &Site, now: SimTime) {
        self.up_since = now;
        for post in &mut self.posts {
            post.troubled(now, Span::minutes(2));
        }
        let Some(before) = self.before.take() else { return };
        for (at, before) in before.flats.iter().enumerate() {
            let (Some(before), Some(state)) = (before, site.flat_state(at)) else { continue };
            let after = Shown::of(&state);
            // A stage, and its limits, may have changed by the calendar meanwhile.
            let mut same = before.dry == after.dry && before.capacity == after.capacity;
            same &= before.stand == after.stand;
            // Plants grow on meanwhile, by the wall clock, which may have moved either way.
            let width = before.dry.zip(before.capacity).map_or(0.0, |(dry, capacity)| (capacity - dry).max(0.0));
            same &= (before.plants - after.plants).abs() <= 0.1 * width;
            same &= before.stage != after.stage || (before.low() == after.low() && before.high() == after.high());
            // Time goes on while the program is down, and so does drying.
            let drifted = before.fraction != after.fraction;
            same &= before.condition == after.condition || drifted || before.stage != after.stage;
            checks.that(Check::Kept, same, || format!("flat {at}: {before:?}, after the restart {after:?}"));
        }
        for (at, before) in before.stands.iter().enumerate() {
            let Some(before) = before else { continue };
            let after = site.stand_state(at).and_then(|state| state.flat.map(str::to_owned));
            checks.that(Check::Kept, after.as_ref() == Some(before), || {
                format!("stand {at} held {before}, after the restart {after:?}")
            });
        }
    }

    // ---- alerts

    #[expect(clippy::too_many_arguments, reason = "truth is in many places")]
    pub fn raised(
        &mut self,
        site: &Site,
        house: &House,
        now: SimTime,
        kind: Kind,
        subject: Subject,
        shown: &[Option<Shown>],
        tally: &mut Tally,
    ) {
        self.raised.insert((kind, subject), now);
        let place = match subject {
            Subject::Flat(place) | Subject::Stand(place) => place,
            _ => return,
        };
        if kind == Kind::DryOvernight {
            let hours = 24.0 + 9.0 - now.hour();
            let morning = now + Span::from_seconds(3600.0 * if hours > 24.0 { hours - 24.0 } else { hours });
            self.nights.push(Night { flat: place, raised: now, morning, watered: None });
            return;
        }
        self.follow(house);
        let so = self.is_so(site, house, now, kind, place, shown);
        let post = &self.posts[place];
        let grace = match kind {
            Kind::NotDrying | Kind::Outgrown => Span::hours(30),
            Kind::WeighDue => Span::hours(3),
            _ => Span::hours(2),
        };
        let shaken = now.since(self.up_since).min(now.since(self.jumped)) < grace && self.up_since > BEGINS;
        let verdict = if so {
            Verdict::True
        } else if post.is_explained(now, grace) || shaken || now.since(self.jumped) < grace {
            Verdict::Explained
        } else {
            let what = shown.get(place).and_then(Option::as_ref);
            let truth = house.truth(place).map(|truth| truth.fraction);
            let fraction = what.and_then(|shown| shown.fraction);
            tally.notes.push(format!(
                "false: seed {}, day {} {:.2} h: {} of {place}; fraction {fraction:?}, in truth {truth:.3?}",
                self.seed,
                now.day(),
                now.hour(),
                kind.name()
            ));
            Verdict::False
        };
        tally.judged(kind.name(), verdict);
    }

    fn is_so(
        &self,
        site: &Site,
        house: &House,
        now: SimTime,
        kind: Kind,
        place: usize,
        shown: &[Option<Shown>],
    ) -> bool {
        let (post, pot) = (&self.posts[place], &self.pots[place]);
        let Some(truth) = house.truth(place) else { return false };
        let settings = &self.plan.flats[place].1;
        let state = site.flat_state(place);
        let known = state.as_ref().map(Shown::of).or_else(|| shown[place].clone()).unwrap_or_default();
        let fraction = self.weighed(house, place, &known).or_else(|| known.fraction_of(truth.weight)).unwrap_or(0.5);
        let band = truth.capacity_weight - truth.dry_weight;
        let a_day = pot.lost_24h(truth.evaporated);
        match kind {
            Kind::Dry => fraction <= known.low() + 0.008,
            Kind::TooWet => {
                let so_long = pot
                    .wet_since
                    .is_some_and(|since| now.since(since).millis() * 100 >= settings.wet_for.millis() * 45);
                fraction > known.high() - 0.03 && so_long
            }
            Kind::NotDrying => a_day.is_some_and(|lost| lost < 20.0),
            Kind::Outgrown => a_day.is_some_and(|lost| (1.0 - known.low()) * band / lost.max(1.0) < 1.9),
            Kind::FlatAbsent => {
                pot.off_since.is_some_and(|since| now.since(since) + Span::minutes(5) >= settings.absent_for)
            }
            Kind::FlatChanged => house.stand(place).is_some_and(|stand| stand.flat != Some(place)) || post.load != 0.0,
            Kind::WeighDue => pot.off_since.is_some() || now.since(post.last_heard) > Span::hours(1),
            Kind::StandSilent => {
                let stale = site.stand_state(place).and_then(|stand| stand.period_s).unwrap_or(0.0) * 2.8;
                now.since(post.last_heard.max(self.up_since)).as_seconds() >= stale.max(580.0) || !post.online
            }
            Kind::StandFault => post.tared || now <= post.bad_until || post.is_bad_cell,
            _ => false,
        }
    }

    // ---- the look at the end of each slice

    pub fn look(
        &mut self,
        house: &House,
        now: SimTime,
        site: Option<&Site>,
        shown: &[Option<Shown>],
        checks: &mut Checks,
        tally: &mut Tally,
    ) {
        self.follow(house);
        for place in 0..self.pots.len() {
            self.note(house, now, place, shown);
            if let Some(site) = site {
                self.owe(house, now, site, place, shown, checks, tally);
            }
        }
        self.follow_owed(now, site);
        self.settle(now, tally);
        if now >= self.next_sample {
            self.next_sample = now + SAMPLE_EVERY;
            for place in 0..self.pots.len() {
                self.sample(house, now, place, site.is_some(), shown, tally);
            }
        }
    }

    /// What was done to the house since.
    fn follow(&mut self, house: &House) {
        let deeds = house.injected();
        while let Some(done) = deeds.get(self.deeds) {
            self.deeds += 1;
            let at = done.at;
            match done.what {
                Deed::Lifted { flat, stand } => {
                    self.pots[flat].off_since = Some(at);
                    self.posts[stand].handled(at);
                }
                Deed::PutBack { flat, stand, .. } => {
                    if stand == flat {
                        self.pots[flat].off_since = None;
                    }
                    self.posts[stand].handled(at);
                }
                Deed::Swapped { flat, with } => {
                    for place in [flat, with] {
                        let home = house.stand(place).is_some_and(|stand| stand.flat == Some(place));
                        self.pots[place].off_since = if home { None } else { Some(at) };
                        self.posts[place].handled(at);
                        self.posts[place].troubled(at, Span::minutes(10));
                    }
                }
                Deed::Poured { flat, over, .. } => {
                    self.posts[flat].watered_until = at + over;
                    // What the night would have come to is settled by how the flat stood before.
                    for night in self.nights.iter_mut().filter(|night| night.flat == flat && night.watered.is_none()) {
                        let pot = &self.pots[flat];
                        let hours = night.morning.since(at).as_hours().max(0.0);
                        night.watered = pot.fraction.map(|fraction| fraction - pot.per_hour * hours);
                    }
                }
                Deed::Soaked { flat } | Deed::EmptiedTray { flat, .. } | Deed::Thinned { flat, .. } => {
                    self.posts[flat].handled(at);
                }
                Deed::Dome { flat, .. } => self.posts[flat].domed(at),
                Deed::Stand { stand, trouble } => self.trouble(stand, trouble, at),
                _ => {}
            }
        }
    }

    fn trouble(&mut self, stand: usize, trouble: Trouble, at: SimTime) {
        self.owe_a_freeze(stand, trouble, at);
        let post = &mut self.posts[stand];
        // A tare is seen by the flat that seems to be lifted, and then dries to below zero. Where the flat is away there is
        // nothing to lift, and a stand that has tared itself before has nothing right to compare with.
        let is_hidden =
            matches!(trouble, Trouble::Restart { .. }) && (post.tared || self.pots[stand].off_since.is_some());
        if let Some(lasts) = post.suffer(trouble, at).filter(|_| !is_hidden) {
            let why = format!("{trouble:?} at day {} {:.2} h", at.day(), at.hour());
            // A gap is one that is longer than a minute and three periods: with a reading every two minutes nobody can tell a
            // restart of one and a half from somebody who lifts the flat, until the weight is far below zero.
            let unnoticed = Span::from_millis(post.period.millis() * 3).max(Span::seconds(60));
            let like_lifted = matches!(trouble, Trouble::Restart { lasts } if lasts <= unnoticed);
            let absent_for = self.plan.flats[stand].1.absent_for;
            let until = at + lasts + if like_lifted { absent_for } else { Span::ZERO };
            let kind = Kind::StandFault;
            self.owed.push(Owed { kind, stand, from: at, until, like_lifted, stands: false, unheard: false, why });
        }
    }

    /// A reading that stands still while drying should have taken three divisions (contract, `stand-fault`). The rate is that of the
    /// last day, and at night a quarter of it: where that comes to six divisions in time, it must be told.
    fn owe_a_freeze(&mut self, stand: usize, trouble: Trouble, at: SimTime) {
        let Trouble::Freeze { lasts } = trouble else { return };
        let (post, pot) = (&self.posts[stand], &self.pots[stand]);
        let (settings, flat) = (&self.plan.stands[stand].1, &self.plan.flats[stand].1);
        let band = flat.dry_weight.zip(flat.capacity_weight).map_or(0.0, |(dry, capacity)| (capacity - dry).get());
        let slowest = pot.per_hour * band / 4.0;
        let hours = 6.0 * settings.division.get() / slowest;
        let is_hidden = post.tared
            || post.bent
            || post.load != 0.0
            || pot.off_since.is_some()
            || at.since(post.dome_until) < Span::hours(30);
        let limit = if post.counts { Span::minutes(10) } else { Span::hours(2) };
        let due = limit.max(Span::from_seconds(hours.min(1e6) * 3600.0)) + Span::hours(1);
        if !hours.is_finite() || is_hidden || lasts < due || at.since(BEGINS) < Span::hours(30) {
            return;
        }
        // A flat that is just being handled may be off its stand in the reading that stays.
        let like_lifted = at.since(post.handled_at) < Span::from_millis(post.period.millis() * 3);
        let why = format!("{trouble:?} at day {} {:.2} h", at.day(), at.hour());
        let (kind, until) = (Kind::StandFault, at + lasts);
        self.owed.push(Owed { kind, stand, from: at, until, like_lifted, stands: false, unheard: false, why });
    }

    fn weighed(&self, house: &House, place: usize, known: &Shown) -> Option<f64> {
        let stand = house.stand(place).filter(|stand| stand.flat == Some(place))?;
        known.fraction_of(stand.shown + self.posts[place].shift)
    }

    fn note(&mut self, house: &House, now: SimTime, place: usize, shown: &[Option<Shown>]) {
        let Some(known) = &shown[place] else { return };
        let fraction = self.weighed(house, place, known);
        let margin = CLEARLY + 4.0 * self.posts[place].noise / known.band();
        let pot = &mut self.pots[place];
        let is_dry = fraction.is_some_and(|fraction| fraction < known.low() - margin);
        // What the dome weighs is not water.
        let is_domed = house.truth(place).is_some_and(|truth| truth.domed);
        let is_wet = fraction.is_some_and(|fraction| fraction > known.high() + 0.02) && !is_domed;
        let nearly_wet = fraction.is_some_and(|fraction| fraction > known.high() - 0.03);
        // What moves from reading to reading, as under a valve that leaks, is no weight that anybody can go by yet.
        let moves = match (pot.fraction, fraction, pot.noted) {
            (Some(before), Some(fraction), Some(noted)) if now > noted => {
                let share = self.posts[place].period.as_seconds().max(1.0) / now.since(noted).as_seconds();
                let moved = 4.0 * (fraction - before).abs() * known.band() * share;
                moved > (6.0 * self.posts[place].noise).max(2.0 * self.plan.stands[place].1.division.get())
            }
            _ => false,
        };
        pot.noted = Some(now);
        pot.fraction = fraction.or(pot.fraction);
        pot.low = known.low();
        pot.dry_since = match pot.dry_since {
            Some(since) if is_dry && !moves => Some(since),
            _ => is_dry.then_some(now),
        };
        pot.clearly_wet_since = if is_wet { pot.clearly_wet_since.or(Some(now)) } else { None };
        pot.wet_since = if nearly_wet || fraction.is_none() { pot.wet_since.or(Some(now)) } else { None };
    }

    /// Alerts that must be raised by now.
    #[expect(clippy::too_many_arguments, reason = "truth is in many places")]
    fn owe(
        &mut self,
        house: &House,
        now: SimTime,
        site: &Site,
        place: usize,
        shown: &[Option<Shown>],
        checks: &mut Checks,
        tally: &mut Tally,
    ) {
        let flat = Subject::Flat(place);
        let is_raised = |kind: Kind, of: Subject| site.alert_state(kind, of).is_some();
        let (post, pot) = (&self.posts[place], &mut self.pots[place]);
        let quiet = now.since(post.last_heard.max(self.up_since));
        if quiet > Span::minutes(13) {
            let period = site.stand_state(place).and_then(|stand| stand.period_s).unwrap_or(0.0);
            let late = quiet.as_seconds() > 180.0 + (3.0 * period).max(600.0);
            let told = is_raised(Kind::StandSilent, Subject::Stand(place))
                || is_raised(Kind::StandFault, Subject::Stand(place));
            checks.that(Check::SilenceTold, !late || told, || {
                let state = site.stand_state(place).map(|state| serde_json::to_string(&state).unwrap_or_default());
                format!("stand {place}: not heard for {:.0} s, period {period:.0} s: {state:?}", quiet.as_seconds())
            });
        }
        if post.bent || post.tared {
            return;
        }
        let settings = &self.plan.flats[place].1;
        let three = Span::from_millis(post.period.millis() * 3);
        let honest = now.since(post.honest_from.max(post.last_heard - Span::minutes(1)));
        if let Some(dry) = pot.dry_since
            && quiet <= three
        {
            // The first that can be steady: a step is believed once four lie behind it, and four more then have to agree.
            let first = dry.max(post.honest_from) + Span::from_millis(post.period.millis() * 9);
            let due =
                first + Span::minutes(1).max(three) + Span::from_millis(post.period.millis() * 2) + Span::minutes(1);
            if now >= due {
                let told = is_raised(Kind::Dry, flat) || is_raised(Kind::FlatChanged, flat);
                checks.that(Check::DryTold, told, || {
                    let state = site.flat_state(place).map(|state| serde_json::to_string(&state).unwrap_or_default());
                    let stand = site.stand_state(place).map(|state| serde_json::to_string(&state).unwrap_or_default());
                    let before = now.since(first).as_seconds();
                    format!("flat {place} dry, steady since {before:.0} s; {:?}: {state:?} {stand:?}", pot.fraction)
                });
            }
        }
        let since_up = |since: SimTime| now.since(since.max(self.up_since));
        let late = Span::minutes(10) + three;
        if let Some(off) = pot.off_since
            && !pot.absence_judged
            && since_up(off) >= settings.absent_for + late
            && quiet <= three
        {
            pot.absence_judged = true;
            let is_empty = house.stand(place).is_some_and(|stand| stand.flat.is_none());
            if is_empty && post.load == 0.0 && honest > late {
                let told = is_raised(Kind::FlatAbsent, flat) || is_raised(Kind::FlatChanged, flat);
                owed(tally, Kind::FlatAbsent, told, self.seed, now, place);
            }
        }
        pot.absence_judged &= pot.off_since.is_some();
        if let Some(wet) = pot.clearly_wet_since
            && !pot.wetness_judged
            && since_up(wet.max(post.troubled_until)) >= settings.wet_for + late
            && quiet <= three
        {
            pot.wetness_judged = true;
            let meant = shown[place].as_ref().is_some_and(|shown| shown.stage.as_deref() == Some("germinating"));
            if !meant {
                let told = is_raised(Kind::TooWet, flat) || is_raised(Kind::FlatChanged, flat);
                owed(tally, Kind::TooWet, told, self.seed, now, place);
            }
        }
        pot.wetness_judged &= pot.clearly_wet_since.is_some();
    }

    /// What is still owed: whether it stands, and whether anybody could tell.
    fn follow_owed(&mut self, now: SimTime, site: Option<&Site>) {
        for owed in &mut self.owed {
            let (stand, flat) = (Subject::Stand(owed.stand), Subject::Flat(owed.stand));
            let is_raised = |kind, of| site.is_some_and(|site| site.alert_state(kind, of).is_some());
            owed.unheard |= now.since(self.posts[owed.stand].last_heard) > UNHEARD;
            if now < owed.until {
                owed.stands = is_raised(owed.kind, stand) || (owed.like_lifted && is_raised(Kind::FlatAbsent, flat));
            }
        }
    }

    /// What was owed by now, and nights that are over.
    fn settle(&mut self, now: SimTime, tally: &mut Tally) {
        let (over, still): (Vec<Owed>, Vec<Owed>) =
            std::mem::take(&mut self.owed).into_iter().partition(|owed| owed.until <= now);
        self.owed = still;
        for owed in over {
            let Owed { kind, stand, from, until, like_lifted, stands, unheard, why } = owed;
            let post = &self.posts[stand];
            // The program was down, nothing was heard, or the flat was away: nobody could tell.
            if self.up_since > from || post.gone || unheard || post.bent {
                continue;
            }
            let (fault, absent) = ((kind, Subject::Stand(stand)), (Kind::FlatAbsent, Subject::Flat(stand)));
            let within = |raised: Option<&SimTime>| raised.is_some_and(|at| *at >= from && *at <= until);
            let is_told = |alert| within(self.raised.get(&alert));
            let told = stands || is_told(fault) || (like_lifted && is_told(absent));
            tally.owed(kind.name(), told);
            if !told {
                tally.notes.push(format!("missed: seed {}: {} of {stand}, {why}", self.seed, kind.name()));
            }
        }
        let (over, still): (Vec<Night>, Vec<Night>) =
            std::mem::take(&mut self.nights).into_iter().partition(|night| night.morning <= now);
        self.nights = still;
        for night in over {
            self.judge_night(night, now, tally);
        }
    }

    fn judge_night(&self, night: Night, at: SimTime, tally: &mut Tally) {
        let pot = &self.pots[night.flat];
        let hours = night.morning.since(at).as_hours().max(0.0);
        let projected = night.watered.or_else(|| pot.fraction.map(|fraction| fraction - pot.per_hour * hours));
        let explained = self.posts[night.flat].is_explained(at, Span::hours(30))
            || (self.up_since > BEGINS && night.raised.since(self.up_since) < Span::hours(30))
            || night.raised.since(self.jumped) < Span::hours(30);
        // The alert goes by the early end of an 80 % range, so that being near counts.
        let so = projected.is_some_and(|fraction| fraction < pot.low + 0.06);
        let verdict = match (so, explained) {
            (true, _) => Verdict::True,
            (false, true) => Verdict::Explained,
            (false, false) => {
                tally.notes.push(format!(
                    "false: seed {}, day {} {:.2} h: dry-overnight of {}; by morning {projected:.3?}, low {}",
                    self.seed,
                    night.raised.day(),
                    night.raised.hour(),
                    night.flat,
                    pot.low
                ));
                Verdict::False
            }
        };
        tally.judged(Kind::DryOvernight.name(), verdict);
    }

    fn sample(
        &mut self,
        house: &House,
        now: SimTime,
        place: usize,
        up: bool,
        shown: &[Option<Shown>],
        tally: &mut Tally,
    ) {
        let (Some(truth), Some(known)) = (house.truth(place), &shown[place]) else { return };
        let pot = &mut self.pots[place];
        let band = truth.capacity_weight - truth.dry_weight;
        pot.remember(now, truth.evaporated, band);
        tally.samples[0] += 1;
        let at = match truth.fraction {
            f if f < known.low() => 2,
            f if f <= known.high() => 1,
            _ => 3,
        };
        tally.samples[at] += 1;
        pot.inside |= at == 1;
        let alone = self
            .plan
            .valves
            .iter()
            .any(|valve| valve.mode == Mode::Auto && valve.feeds.len() == 1 && valve.feeds[0].flat == place);
        if alone && pot.inside {
            tally.own[0] += 1;
            tally.own[1] += u64::from(at == 1);
        }
        let post = &self.posts[place];
        let calm = now.since(post.honest_from.max(post.troubled_until)) > Span::minutes(40)
            && now.since(post.watered_until) > Span::minutes(40)
            && post.offset() == 0.0
            && !post.bent
            && !post.tared
            && now.since(post.last_heard) < Span::minutes(10)
            && matches!(truth.place, Place::Stand(stand) if stand == place)
            && !truth.domed;
        if let (Some(fraction), true, true) = (known.fraction, calm, up) {
            if let Some(should) = known.fraction_of(truth.weight) {
                tally.weighing.add(fraction - should);
            }
            tally.watering.add(fraction - truth.fraction);
        }
    }

    pub fn close(&mut self, house: &House, tally: &mut Tally) {
        for night in std::mem::take(&mut self.nights) {
            self.judge_night(night, house.now(), tally);
        }
        for place in 0..self.pots.len() {
            if let Some(truth) = house.truth(place) {
                tally.water[0] += truth.arrived;
                tally.water[1] += truth.evaporated + truth.taken_up;
                tally.water[2] += truth.ran_off;
                let held = truth.arrived - truth.evaporated - truth.taken_up - truth.ran_off;
                tally.water[3] += held;
            }
        }
    }
}

fn owed(tally: &mut Tally, kind: Kind, told: bool, seed: u64, now: SimTime, place: usize) {
    tally.owed(kind.name(), told);
    if !told {
        let (day, hour) = (now.day(), now.hour());
        tally.notes.push(format!("missed: seed {seed}, day {day} {hour:.2} h: {} of {place}", kind.name()));
    }
}
