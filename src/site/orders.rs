//! Commands: each is answered once, and changes something or nothing.

use super::repeats::number_of;
use super::{Answer, Command, Happening, Input, Order, Output, Site, Subject, Ticket};
use crate::flat::HEAVIEST;
use crate::moment::{Mono, Span};
use crate::stand::Stand;
use crate::units::Grams;
use serde_json::{Map, Value};

/// A command that waits for a stand to stand still.
#[derive(Debug)]
pub(super) struct Pending {
    pub until: Mono,
    /// If no reading comes by then, the weight stands as it was when the command came.
    pub as_it_was: Option<Mono>,
    /// Readings since the command.
    newer: u8,
    what: Awaited,
    pub receipt: Receipt,
    /// The lightest and the heaviest it was meanwhile.
    range: Option<(Grams, Grams)>,
}

#[derive(Debug, Clone, Copy)]
enum Awaited {
    RecordDry(usize),
    RecordCapacity(usize),
    Zero { force: bool },
    Span { mass: Grams, force: bool },
}

/// Whom to answer, and how the command is remembered.
#[derive(Debug, Clone)]
pub(super) struct Receipt {
    pub to: Subject,
    word: String,
    pub id: Option<String>,
    /// What was commanded, as a number; only where there is an id.
    pub says: Option<u64>,
    /// More than one where a command that still waits was repeated.
    pub tickets: Vec<Ticket>,
}

/// Readings come fast where they come at least so often.
const FAST_PERIOD: Span = Span::seconds(5);
/// So many readings after a command, the filter has let go of what was there before.
const ENOUGH_NEWER: u8 = 4;
/// If none comes for two periods, and at least so long, there is none to wait for.
const WAIT_FOR_NEWER: Span = Span::seconds(2);
/// So long is waited for steadiness.
const PATIENCE: Span = Span::seconds(30);
/// A command given longer ago than this is late.
const LATEST: Span = Span::seconds(30);
/// The clock of who gives a command may be ahead by so much. Water is stopped whatever that clock says.
const EARLIEST: Span = Span::minutes(1);
/// Above capacity there is water in the tray, a dome, and plants: all of them together weigh less than so many bands, where a band
/// counts as no narrower than this share of the capacity (judgements).
const MOST_BANDS_ABOVE: f64 = 20.0;
const NARROWEST: f64 = 0.05;

pub(super) type Done = Result<Map<String, Value>, String>;

impl Awaited {
    const fn needs_grams(self) -> bool {
        matches!(self, Self::RecordDry(_) | Self::RecordCapacity(_))
    }

    /// Whether a stand stands still enough for it: one that has lost its zero can only be given one.
    fn can_be_had_of(self, stand: &Stand) -> bool {
        stand.is_still() || matches!(self, Self::Zero { .. }) && stand.may_be_zeroed()
    }
}

impl Site {
    pub(super) fn order(&mut self, order: Order) {
        let Order { to, word, command, id, time, retained, ticket } = order;
        let says = id.as_ref().map(|_| number_of(&word, &command));
        let mut receipt = Receipt { to, word, id, says, tickets: ticket.into_iter().collect() };
        if retained {
            self.out.push_back(Output::ClearCommand(to));
            let error = "it was kept by the broker (retained), so nobody can say when it was meant; it has been cleared. \
                         Send commands without the retain flag";
            self.finish(receipt, Err(error.to_owned()));
            return;
        }
        if self.is_used_by_another(&receipt) {
            // It must not take the place of the answer that belongs to the id.
            let id = receipt.id.take().unwrap_or_default();
            if !matches!(command, Ok(Command::Stop)) {
                let error = format!(
                    "the id {id:?} has been given to another command within 24 h, so this is no repeat of it; nothing was done. \
                     Give each command an id of its own"
                );
                return self.finish(receipt, Err(error));
            }
        }
        if let Some(first) = self.first_answer(&receipt) {
            self.answer(receipt.tickets, &first);
            return;
        }
        if self.waits_already(&receipt) {
            return;
        }
        if let Some(late) = time.map(|time| self.now.wall.since(time)).filter(|&age| age > LATEST) {
            let error = format!("it was given {:.0} s ago, more than 30 s; nothing was done", late.as_seconds());
            self.finish(receipt, Err(error));
            return;
        }
        if let Some(ahead) = time.map(|time| time.since(self.now.wall)).filter(|&ahead| ahead > EARLIEST)
            && !matches!(command, Ok(Command::Stop))
        {
            let ahead = crate::alert::spell(ahead);
            let error = format!("its `time` is {ahead} in the future: a clock is wrong; nothing was done");
            self.finish(receipt, Err(error));
            return;
        }
        match command {
            Err(error) => self.finish(receipt, Err(error)),
            Ok(command) => self.obey(receipt, command),
        }
    }

    fn answer(&mut self, tickets: Vec<Ticket>, answer: &Answer) {
        self.out.extend(tickets.into_iter().map(|ticket| Output::Answer(ticket, answer.clone())));
    }

    fn obey(&mut self, receipt: Receipt, command: Command) {
        if let (Subject::Flat(flat), true) = (receipt.to, is_for_the_living(&command))
            && self.flats.get(flat).is_some_and(|flat| flat.kept.retired.is_some())
        {
            let error = self.why_retired(flat);
            return self.finish(receipt, Err(error));
        }
        let done = match (receipt.to, command) {
            (Subject::Flat(flat), command) if flat < self.flats.len() => match command {
                Command::RecordDry => return self.wait_for_flat(flat, Awaited::RecordDry(flat), receipt),
                // Without a stand of its own there is nothing to watch: what was weighed a moment ago, or lies on the scale in its turn,
                // has drained elsewhere.
                Command::RecordCapacity { now } if now || !self.has_own_stand(flat) => {
                    return self.wait_for_flat(flat, Awaited::RecordCapacity(flat), receipt);
                }
                Command::RecordCapacity { .. } => self.begin_soak(flat),
                Command::ForgetBand => self.forget_band(flat),
                Command::Undo => self.undo(flat),
                Command::Set(set) => self.set(flat, &set),
                Command::Move { stand } => self.move_flat(flat, stand),
                Command::Shelve { time } => self.shelve(flat, time),
                Command::Weigh { weight, at, sure } => match self.is_no_flat(flat, weight) {
                    Some(why) => Err(why),
                    None => self.weigh_typed(flat, weight, at, sure),
                },
                Command::Watered { volume, at, sure } => self.watered_typed(flat, volume, at, sure),
                Command::Stage { name } => self.stage(flat, &name),
                Command::Emerged => self.emerged(flat),
                Command::Dome { on } => self.dome(flat, on),
                Command::Correct { seq, was, cells } => self.correct(flat, seq, was, cells),
                Command::CellsTaken { cells } => self.cells_taken(flat, cells),
                Command::PotOn { into } => self.pot_on(flat, &into),
                Command::Note { kind, text } => self.note(flat, kind, text),
                Command::Water { volume } => self.water_flat(flat, volume),
                Command::Stop => self.stop_flat(flat),
                _ => Err(not_yet(&receipt.word)),
            },
            (Subject::Stand(stand), command) if stand < self.stands.len() => match command {
                Command::Zero { force } => return self.wait_for(stand, Awaited::Zero { force }, receipt),
                Command::Span { mass, force } => return self.wait_for(stand, Awaited::Span { mass, force }, receipt),
                Command::ForgetCalibration => self.forget_calibration(stand),
                Command::Holds { flat } => self.holds(stand, flat),
                Command::Restore { flat } => self.restore(stand, flat),
                command => self.command_turns(stand, &command, None).unwrap_or_else(|| Err(not_yet(&receipt.word))),
            },
            (Subject::Valve(valve), command) => {
                self.command_valve(valve, &command).unwrap_or_else(|| Err(not_yet(&receipt.word)))
            }
            (Subject::Site, command) => self.command_site(&command).unwrap_or_else(|| Err(not_yet(&receipt.word))),
            _ => Err(not_yet(&receipt.word)),
        };
        self.finish(receipt, done);
    }

    /// Answers, remembers the answer, and tells of a refusal.
    fn finish(&mut self, receipt: Receipt, done: Done) {
        if let Err(error) = &done {
            self.refuse_event(receipt.to, &receipt.word, error.clone());
        }
        self.remember_answer(&receipt, &done);
        self.answer(receipt.tickets, &done);
    }

    pub(super) fn refuse_event(&mut self, subject: Subject, word: &str, error: String) {
        self.event(subject, Happening::CommandRefused { command: word.to_owned(), error });
    }

    // ---- commands that wait for a stand to stand still

    fn wait_for_flat(&mut self, flat: usize, what: Awaited, receipt: Receipt) {
        if self.flats[flat].stand.is_none() {
            let weight = self.watered_since(flat).map_or_else(|| self.just_weighed(flat), Err);
            let done = weight.and_then(|weight| match what {
                Awaited::RecordDry(_) => self.record_dry(flat, weight),
                _ => self.record_capacity_now(flat, weight),
            });
            return self.finish(receipt, done);
        }
        if let Err(error) = self.stand_of(flat).map(|stand| self.wait_for(stand, what, receipt.clone())) {
            self.finish(receipt, Err(error));
        }
    }

    /// Why its last weight is not what it weighs now, though it may have been weighed a moment ago.
    fn watered_since(&self, flat: usize) -> Option<String> {
        let kept = &self.flats[flat].kept;
        let poured = kept.between.as_ref().filter(|between| between.poured() > Grams::ZERO)?.poured();
        let (id, poured) = (self.id(Subject::Flat(flat)), self.plan.words.volume(poured.of_water()));
        kept.weighed?;
        Some(format!(
            "{id} has been watered since it was last weighed ({poured}): `weigh` it again, then say this again"
        ))
    }

    /// Why no flat can have this weight, however sure somebody is.
    fn is_no_flat(&self, flat: usize, weight: Grams) -> Option<String> {
        let words = self.plan.words;
        let shown = words.weight(weight);
        if weight > HEAVIEST {
            return Some(format!("{shown} is no flat: no scale for flats weighs more than {}", words.weight(HEAVIEST)));
        }
        let (band, _) = self.flats[flat].band?;
        let width = band.width().max(band.capacity() * NARROWEST);
        (weight > band.capacity() + width * MOST_BANDS_ABOVE).then(|| {
            format!(
                "{shown} is more than {MOST_BANDS_ABOVE:.0} times its band above its capacity ({}), which no water explains; nothing was done. Is it \
                 a slip of the pen? If it is right, the band is wrong: mend it in the file, or `forget-band`, and record it anew",
                words.weight(band.capacity())
            )
        })
    }

    /// Whether it stays on a stand: on a shared scale it is a guest.
    pub(super) fn has_own_stand(&self, flat: usize) -> bool {
        let stand = self.flats.get(flat).and_then(|flat| self.plan.stands.get(flat.stand?));
        stand.is_some_and(|(_, settings)| !settings.shared)
    }

    /// The stand that the flat sits on now.
    fn stand_of(&self, flat: usize) -> Result<usize, String> {
        let id = self.id(Subject::Flat(flat));
        let Some(stand) = self.flats.get(flat).and_then(|flat| flat.stand) else {
            return Err(format!("{id} has no stand; `move` puts it on one"));
        };
        // With something in its place, whoever commands says that this is the flat.
        let kept = &self.flats[flat].kept;
        if kept.off_since.is_some() && kept.misfit.is_none() {
            return Err(format!(
                "{id} is off its stand ({}); put it back and try again",
                self.id(Subject::Stand(stand))
            ));
        }
        Ok(stand)
    }

    fn wait_for(&mut self, stand: usize, what: Awaited, receipt: Receipt) {
        let is_mended = matches!(what, Awaited::Zero { .. }) && self.stands[stand].stand.has_lost_its_zero();
        if let Some(problem) = self.stand_trouble(stand, what.needs_grams()).filter(|_| !is_mended) {
            self.finish(receipt, Err(problem));
            return;
        }
        let until = self.now.mono + PATIENCE;
        let fresh = self.is_fresh(stand);
        let bench = &mut self.stands[stand];
        // Where readings come fast, those from before the command may be of something else, taken off a moment ago.
        let is_fast = bench.stand.period().is_some_and(|period| period <= FAST_PERIOD);
        let two_periods = bench.stand.period().map_or(Span::ZERO, |period| period + period);
        let as_it_was = (is_fast && fresh).then(|| self.now.mono + two_periods.max(WAIT_FOR_NEWER));
        bench.pending.push(Pending { until, what, receipt, range: None, newer: 0, as_it_was });
        let is_low = is_mended && bench.stand.may_be_zeroed();
        if (fresh || is_low) && !is_fast {
            self.carry_out_waiting(stand);
        }
        self.wish_stand(stand);
    }

    fn stand_trouble(&self, stand: usize, needs_grams: bool) -> Option<String> {
        let id = self.id(Subject::Stand(stand));
        let bench = &self.stands[stand];
        match bench.stand.health() {
            crate::stand::Health::Ok if bench.stand.reading_at().is_none() => {
                Some(format!("nothing has been heard of {id} yet"))
            }
            crate::stand::Health::Ok if needs_grams && !bench.stand.is_calibrated() => Some(format!(
                "nobody knows yet what the counts of {id} weigh: `zero` it empty, then `span` a known mass"
            )),
            crate::stand::Health::Ok => None,
            crate::stand::Health::Silent { .. } => Some(format!("{id} is silent; nothing can be weighed on it")),
            crate::stand::Health::Fault { fault, .. } => Some(format!("{id} has a fault: {fault}")),
        }
    }

    /// Heard within two reporting periods.
    fn is_fresh(&self, stand: usize) -> bool {
        let stand = &self.stands[stand].stand;
        let two_periods = stand.period().unwrap_or(Span::ZERO) + stand.period().unwrap_or(Span::ZERO);
        let longest = two_periods.max(Span::seconds(10));
        stand.is_still() && stand.reading_at().is_some_and(|read| self.now.mono.since(read.mono) <= longest)
    }

    /// A reading came: carries out what waits for this stand, if it stands still.
    pub(super) fn carry_on_waiting(&mut self, stand: usize) {
        let Some(bench) = self.stands.get_mut(stand) else { return };
        let live = bench.shown;
        for pending in &mut bench.pending {
            pending.newer = pending.newer.saturating_add(1);
            if let Some(live) = live {
                let (low, high) = pending.range.unwrap_or((live, live));
                pending.range = Some((low.min(live), high.max(live)));
            }
        }
        let is_fast = bench.stand.period().is_some_and(|period| period <= FAST_PERIOD);
        if !is_fast || bench.pending.iter().all(|pending| pending.newer >= ENOUGH_NEWER) {
            self.carry_out_waiting(stand);
        }
    }

    fn carry_out_waiting(&mut self, stand: usize) {
        let Some(bench) = self.stands.get_mut(stand) else { return };
        let pending = std::mem::take(&mut bench.pending);
        let (due, waiting): (Vec<_>, _) =
            pending.into_iter().partition(|pending| pending.what.can_be_had_of(&bench.stand));
        bench.pending = waiting;
        for pending in due {
            let done = match pending.what {
                Awaited::RecordDry(flat) => self.lies_on(stand).and_then(|weight| self.record_dry(flat, weight)),
                Awaited::RecordCapacity(flat) => {
                    self.lies_on(stand).and_then(|weight| self.record_capacity_now(flat, weight))
                }
                Awaited::Zero { force } => self.zero(stand, force),
                Awaited::Span { mass, force } => self.span(stand, mass, force),
            };
            self.finish(pending.receipt, done);
        }
    }

    /// The steady weight of what lies on a stand.
    pub(super) fn lies_on(&self, stand: usize) -> Result<Grams, String> {
        let id = self.id(Subject::Stand(stand));
        let stand = &self.stands[stand].stand;
        let weight = stand.steady().ok_or_else(|| format!("{id} has no weight to go by"))?;
        if stand.is_loaded() {
            Ok(weight)
        } else {
            Err(format!("nothing lies on {id}: it reads {:.0} g", weight.get()))
        }
    }

    /// Refuses what has waited for too long.
    pub(super) fn give_up_waiting(&mut self, stand: usize) {
        let now = self.now.mono;
        let is_quiet = |pending: &Pending| pending.newer == 0 && pending.as_it_was.is_some_and(|at| now >= at);
        if self.stands.get(stand).is_some_and(|bench| bench.pending.iter().any(is_quiet)) {
            self.carry_out_waiting(stand);
        }
        let Some(bench) = self.stands.get_mut(stand) else { return };
        let (over, waiting) = std::mem::take(&mut bench.pending).into_iter().partition(|pending| now >= pending.until);
        bench.pending = waiting;
        let id = self.id(Subject::Stand(stand)).to_owned();
        for pending in over {
            let Pending { receipt, range, .. } = pending;
            let begun = pending.until - PATIENCE;
            let bench = &self.stands[stand].stand;
            let heard = bench.has_lost_its_zero() || bench.reading_at().is_some_and(|read| read.mono >= begun);
            let error = match range {
                _ if !heard => format!("nothing was heard of {id} within 30 s"),
                Some((low, high)) => format!(
                    "{id} did not stand still within 30 s: it moved by {:.0} g. Is somebody touching it, or a fan blowing on it?",
                    (high - low).get()
                ),
                None => {
                    format!("{id} did not stand still within 30 s. Is somebody touching it, or a fan blowing on it?")
                }
            };
            self.finish(receipt, Err(error));
        }
    }

    /// Works out anew what follows from the settings, and tells it.
    pub(super) fn setting_changed(&mut self, index: usize) {
        self.settle(index);
        self.forecast_anew(index);
        let flat = &mut self.flats[index];
        if let Some(weight) = flat.present.or(flat.kept.weighed.map(|weighed| weighed.weight)) {
            flat.goes_by(weight, flat.error, self.heard);
        }
        if let Some(stand) = flat.stand {
            self.refresh_scene(stand);
        }
        self.look(index);
        self.publish_flat(index);
        self.keep(Subject::Flat(index));
    }
}

/// Notes may be made of a flat that is retired, and `undo` brings it back.
const fn is_for_the_living(command: &Command) -> bool {
    !matches!(command, Command::Note { .. } | Command::Undo | Command::Stop | Command::NotYet)
}

fn not_yet(word: &str) -> String {
    format!("`{word}` is not built yet; nothing was done")
}

/// An order as an input.
impl From<Order> for Input {
    fn from(order: Order) -> Self {
        Self::Order(order)
    }
}
