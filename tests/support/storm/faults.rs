//! Everything that goes wrong in a storm, drawn beforehand, so that it does not depend on what the engine does.

use super::dice::Dice;
use super::scenario::{BEGINS, Weather};
use tarewell::moment::Span;
use tarewell::sim::{Act, Doing, FlatPlan, Glitch, Mishap, SimTime, Trouble};
use tarewell::site::Plan;

/// What happens beside what the house does of itself.
#[derive(Debug, Clone, PartialEq)]
pub enum Happens {
    /// To the house.
    Act(Act),
    /// The grower goes round, and does what is advised.
    Round,
    /// The program ends without a word and is down for a while; what it had not yet written is lost if `lossy`.
    Killed { down: Span, lossy: bool },
    /// The wall clock jumps.
    Jump(Span),
    /// The connection comes up anew without having been seen to go.
    Reconnected,
    /// A reading that the broker had kept from some time before.
    Retained { stand: usize, share: f64 },
    /// A stand reports at another pace from now on: its readings are thinned to one in so many.
    Thinned { stand: usize, to_one_in: u32 },
    /// A command as text, on a topic below the base.
    Command { topic: String, payload: String, retained: bool },
    /// The last command with an id again.
    Repeat,
    /// Somebody has pulled a plant, weighed it and counted the rest: what the plants of a flat weigh is told by number.
    PlantsTold { flat: usize, off_by: f64 },
    /// Somebody looks after valves that are locked, and after the tank.
    Caretaker,
    /// The store cannot be written for a while.
    DiskFull(Span),
    /// A valve's own connection is lost for a while.
    LinkLost { valve: usize, lasts: Span },
    /// An order to a valve from somebody else; kept by the broker, or not.
    ForeignOrder { valve: usize, closes: bool, retained: bool },
    /// The program is killed so long after it will have opened that valve next.
    KilledWhilePouring { valve: usize, after: Span },
}

impl Happens {
    /// Whether a flat, or the stand of its number, may notice.
    pub fn concerns(&self, flat: usize) -> bool {
        match self {
            Self::Act(Act::Flat(of, Doing::Swap { with })) => *of == flat || *with == flat,
            Self::Act(Act::Flat(of, _) | Act::Stand(of, _))
            | Self::Retained { stand: of, .. }
            | Self::Thinned { stand: of, .. } => *of == flat,
            Self::Act(_) | Self::Round | Self::Killed { .. } | Self::Jump(_) | Self::Reconnected => true,
            Self::Command { topic, .. } => {
                [format!("flats/f{flat}/"), format!("stands/s{flat}/")].iter().any(|name| topic.contains(name))
            }
            Self::PlantsTold { flat: of, .. } => *of == flat,
            Self::Repeat
            | Self::Caretaker
            | Self::DiskFull(_)
            | Self::LinkLost { .. }
            | Self::ForeignOrder { .. }
            | Self::KilledWhilePouring { .. } => true,
        }
    }

    /// The name it is counted under.
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Act(Act::Flat(_, doing)) => match doing {
                Doing::Lift | Doing::Look { .. } | Doing::ToTheSink => "lifted",
                Doing::PutBack { .. } => "put back",
                Doing::Swap { .. } => "swapped",
                Doing::Pour { .. } => "watered by somebody",
                Doing::WaterAtTheSink { .. } => "watered at the sink",
                Doing::Soak { .. } => "soaked",
                Doing::EmptyTray => "tray emptied",
                Doing::Thin { .. } => "thinned",
                Doing::Dome { .. } => "dome on or off",
                Doing::Weigh { .. } => "weighed on a shared scale",
            },
            Self::Act(Act::Stand(_, trouble)) => match trouble {
                Trouble::Bump { .. } => "bumped",
                Trouble::Shift { .. } => "zero shifted",
                Trouble::Load { .. } => "something put on the stand",
                Trouble::Freeze { .. } => "frozen",
                Trouble::Silence { .. } => "silent",
                Trouble::Restart { .. } => "device restarted",
                Trouble::Shake { .. } => "shaken",
                Trouble::Garble { .. } => "garbled",
            },
            Self::Act(Act::Valve(_, mishap)) => match mishap {
                Mishap::StuckOpen => "valve stuck open",
                Mishap::StuckClosed => "valve stuck closed",
                Mishap::Clogged { .. } => "emitters clogged",
                Mishap::Leaks { .. } => "valve leaks",
                Mishap::Mended => "valve mended",
                Mishap::PowerCut { .. } => "power cut at the valve",
                Mishap::Unreachable { .. } => "valve unreachable",
                Mishap::OpenedByOther { .. } => "opened by somebody else",
            },
            Self::Act(Act::Refill { .. }) => "tank filled",
            Self::Act(Act::BrokerGone(_)) => "broker gone",
            Self::Round => "grower's rounds",
            Self::Killed { .. } => "program killed",
            Self::Jump(_) => "wall clock jumped",
            Self::Reconnected => "reconnected",
            Self::Retained { .. } => "retained reading",
            Self::Thinned { .. } => "slower readings",
            Self::Command { .. } => "command",
            Self::Repeat => "command repeated",
            Self::PlantsTold { .. } => "plants told by number",
            Self::Caretaker => "caretaker's rounds",
            Self::DiskFull(_) => "store not writable",
            Self::LinkLost { .. } => "valve's connection lost",
            Self::ForeignOrder { retained: true, .. } => "retained order to a valve",
            Self::ForeignOrder { .. } => "order of somebody else",
            Self::KilledWhilePouring { .. } => "ambushes laid",
        }
    }
}

/// Everything of a run, in order.
pub fn agenda(
    dice: &mut Dice,
    weather: Weather,
    wildness: f64,
    days: i64,
    plan: &Plan,
    pots: &[FlatPlan],
) -> Vec<(SimTime, Happens)> {
    let mut made = Agenda { dice, end: BEGINS + Span::days(days), events: Vec::new() };
    for day in 0..=days {
        for hour in [8, 13, 18] {
            made.at(SimTime::at(day, hour, 0) + Span::seconds(40 * day), Happens::Round);
        }
    }
    for (flat, pot) in pots.iter().enumerate() {
        match weather {
            Weather::Nominal => made.somebody_waters(flat),
            Weather::Storm => {
                made.on_flat(flat, pots.len(), pot, wildness);
                made.on_stand(flat, wildness);
            }
        }
    }
    if weather == Weather::Storm {
        made.on_program(plan, wildness);
    }
    let mut events = made.events;
    events.sort_by_key(|(at, _)| *at);
    events
}

struct Agenda<'d> {
    dice: &'d mut Dice,
    end: SimTime,
    events: Vec<(SimTime, Happens)>,
}

impl Agenda<'_> {
    fn at(&mut self, at: SimTime, what: Happens) {
        if at > BEGINS && at < self.end {
            self.events.push((at, what));
        }
    }

    /// At random times, on average so often a day.
    fn times(&mut self, per_day: f64, mut make: impl FnMut(&mut Self, SimTime)) {
        let mut at = BEGINS;
        loop {
            at = at + Span::from_seconds(self.dice.wait(86_400.0 / per_day.max(1e-6)));
            if at >= self.end {
                return;
            }
            make(self, at);
        }
    }

    fn act(&mut self, at: SimTime, act: Act) {
        self.at(at, Happens::Act(act));
    }

    fn lasting(&mut self, least: f64, most: f64) -> Span {
        Span::from_seconds(self.dice.scale(least, most))
    }

    /// Somebody else waters twice a week, and means well.
    fn somebody_waters(&mut self, flat: usize) {
        self.times(2.0 / 7.0, |made, at| {
            let grams = made.dice.between(50.0, 200.0);
            made.act(at, Act::Flat(flat, Doing::Pour { grams, over: Span::from_seconds(grams / 40.0), below: false }));
        });
    }

    fn on_flat(&mut self, flat: usize, flats: usize, pot: &FlatPlan, wildness: f64) {
        let band = pot.capacity - pot.filled_with;
        self.times(0.3 * wildness, |made, at| {
            let lasts = made.lasting(20.0, 900.0);
            made.act(at, Act::Flat(flat, Doing::Look { lasts }));
        });
        self.times(0.08 * wildness, |made, at| {
            let away = made.lasting(3600.0, 200_000.0);
            made.act(at, Act::Flat(flat, Doing::Lift));
            made.act(at + away, Act::Flat(flat, Doing::PutBack { stand: None }));
        });
        if flat + 1 < flats {
            self.times(0.03 * wildness, |made, at| {
                let swap = Act::Flat(flat, Doing::Swap { with: flat + 1 });
                let until = at + made.lasting(1800.0, 100_000.0);
                made.act(at, swap);
                made.act(until, swap);
            });
        }
        self.times(0.15 * wildness, |made, at| {
            let grams = made.dice.scale(10.0, 1.2 * band);
            let over = Span::from_seconds(grams / made.dice.scale(5.0, 100.0));
            let below = made.dice.chance(0.25);
            made.act(at, Act::Flat(flat, Doing::Pour { grams, over, below }));
        });
        self.times(0.08 * wildness, |made, at| {
            let (grams, drips) = (made.dice.scale(50.0, band), made.lasting(60.0, 1500.0));
            made.act(at, Act::Flat(flat, Doing::WaterAtTheSink { grams, drips }));
        });
        self.times(0.03 * wildness, |made, at| {
            let at_the_sink = made.dice.chance(0.5);
            let (rest, drips) = (Span::minutes(10), made.lasting(600.0, 3600.0));
            let soak = Doing::Soak { passes: 5, grams: 0.4 * band, rest, drips, at_the_sink };
            if made.dice.chance(0.5) {
                made.command(at, format!("flats/f{flat}"), "record-capacity".to_owned());
            }
            made.act(at + Span::minutes(1), Act::Flat(flat, soak));
        });
        self.times(0.06 * wildness, |made, at| {
            let share = made.dice.between(0.05, 0.5);
            made.act(at, Act::Flat(flat, Doing::Thin { share }));
        });
        self.times(0.04 * wildness, |made, at| {
            let lasts = made.lasting(1800.0, 100_000.0);
            made.act(at, Act::Flat(flat, Doing::Dome { on: true }));
            made.act(at + lasts, Act::Flat(flat, Doing::Dome { on: false }));
        });
        self.times(0.04 * wildness, |made, at| made.act(at, Act::Flat(flat, Doing::EmptyTray)));
    }

    fn on_stand(&mut self, stand: usize, wildness: f64) {
        self.times(0.9 * wildness, |made, at| {
            let trouble = match made.dice.below(16) {
                0..=3 => {
                    let grams = made.dice.scale(20.0, 1000.0) * made.dice.pick(&[-1.0, 1.0]);
                    Trouble::Bump { grams, lasts: made.lasting(0.2, 60.0) }
                }
                4 => Trouble::Shift { grams: made.dice.scale(1.0, 200.0) * made.dice.pick(&[-1.0, 1.0]) },
                5 => {
                    let lasts = made.lasting(300.0, 20_000.0);
                    made.act(at + lasts, Act::Stand(stand, Trouble::Load { grams: 0.0 }));
                    Trouble::Load { grams: made.dice.scale(20.0, 3000.0) }
                }
                6 | 7 => Trouble::Freeze { lasts: made.lasting(300.0, 40_000.0) },
                8..=10 => Trouble::Silence { lasts: made.lasting(30.0, 30_000.0) },
                11 | 12 => Trouble::Restart { lasts: made.lasting(3.0, 300.0) },
                13 => Trouble::Shake { factor: made.dice.scale(3.0, 40.0), lasts: made.lasting(60.0, 8000.0) },
                _ => Trouble::Garble { glitch: made.dice.pick(&GLITCHES), lasts: made.lasting(30.0, 8000.0) },
            };
            made.act(at, Act::Stand(stand, trouble));
        });
        self.times(0.1 * wildness, |made, at| {
            let share = made.dice.between(0.1, 1.3);
            made.at(at, Happens::Retained { stand, share });
        });
        self.times(0.03 * wildness, |made, at| {
            let until = at + made.lasting(1800.0, 40_000.0);
            let to_one_in = 2 + made.dice.below(30) as u32;
            made.at(at, Happens::Thinned { stand, to_one_in });
            made.at(until, Happens::Thinned { stand, to_one_in: 1 });
        });
    }

    fn on_program(&mut self, plan: &Plan, wildness: f64) {
        self.times(0.8 * wildness, |made, at| {
            let down = match made.dice.below(4) {
                0 => Span::from_millis(1 + made.dice.below(2000) as i64),
                1 | 2 => made.lasting(2.0, 300.0),
                _ => made.lasting(300.0, 100_000.0),
            };
            let lossy = made.dice.chance(0.3);
            made.at(at, Happens::Killed { down, lossy });
        });
        self.times(0.15 * wildness, |made, at| {
            let by = made.lasting(2.0, 200_000.0);
            let by = if made.dice.chance(0.5) { by } else { Span::ZERO - by };
            made.at(at, Happens::Jump(by));
            if made.dice.chance(0.7) {
                let later = at + made.lasting(60.0, 40_000.0);
                made.at(later, Happens::Jump(Span::ZERO - by));
            }
        });
        self.times(0.3 * wildness, |made, at| {
            let lasts = made.lasting(5.0, 8000.0);
            made.act(at, Act::BrokerGone(lasts));
        });
        self.times(0.3 * wildness, |made, at| made.at(at, Happens::Reconnected));
        let (flats, stands) = (plan.flats.len(), plan.stands.len());
        self.times(1.5 * wildness, |made, at| {
            let (topic, payload) = command(made.dice, flats, stands, plan.valves.len());
            made.command(at, topic, payload);
            if made.dice.chance(0.3) {
                let again = at + made.lasting(0.5, 3600.0);
                made.at(again, Happens::Repeat);
            }
        });
        self.times(0.2 * wildness, |made, at| {
            let (topic, payload) = command(made.dice, flats, stands, plan.valves.len());
            made.at(at, Happens::Command { topic: format!("tarewell/{topic}/command"), payload, retained: true });
        });
    }

    fn command(&mut self, at: SimTime, topic: String, payload: String) {
        self.at(at, Happens::Command { topic: format!("tarewell/{topic}/command"), payload, retained: false });
    }
}

const GLITCHES: [Glitch; 10] = [
    Glitch::Ones(23),
    Glitch::Ones(22),
    Glitch::Ones(21),
    Glitch::Zero,
    Glitch::MinusOne,
    Glitch::Overload,
    Glitch::NotANumber,
    Glitch::Null,
    Glitch::Empty,
    Glitch::Unavailable,
];

/// A command to somebody, sensible or not. Those that say what is not so (a wrong band, a wrong stand) are rare, since what is
/// told of such a flat from then on can be held against truth no more.
fn command(dice: &mut Dice, flats: usize, stands: usize, valves: usize) -> (String, String) {
    let flat = format!("flats/f{}", dice.below(flats));
    let stand = format!("stands/s{}", dice.below(stands));
    let id = dice.below(1_000_000);
    let percent = |dice: &mut Dice| (dice.between(-5.0, 115.0)).round() / 100.0;
    match dice.below(26) {
        0..=2 => {
            let (a, b) = (percent(dice), percent(dice));
            let key = dice.pick(&["low", "water_at", "target", "high"]);
            (flat, format!(r#"{{"command":"set","{key}":{a},"high":{b},"id":"c{id}"}}"#))
        }
        3 => (flat, format!(r#"{{"command":"set","low":0.3,"water_at":0.4,"target":0.5,"high":0.75,"id":"c{id}"}}"#)),
        4 => (flat, r#"{"command":"set","low":null,"water_at":null,"target":null,"high":null}"#.to_owned()),
        5 | 6 => (flat, format!(r#"{{"command":"set","plant_mass_g":{},"id":"c{id}"}}"#, dice.below(120))),
        7..=9 => (flat, format!(r#"{{"command":"shelve","for_h":{},"id":"c{id}"}}"#, dice.below(30))),
        10 => (flat, format!(r#"{{"command":"forget-band","id":"c{id}"}}"#)),
        11 => (flat, format!(r#"{{"command":"undo","id":"c{id}"}}"#)),
        12 => (flat, format!(r#"{{"command":"record-dry","id":"c{id}"}}"#)),
        13 => (flat, format!(r#"{{"command":"record-capacity","now":true,"id":"c{id}"}}"#)),
        14 => (flat, format!(r#"{{"command":"move","stand":"s{}","id":"c{id}"}}"#, dice.below(stands))),
        15 => (stand, format!(r#"{{"command":"zero","id":"c{id}"}}"#)),
        16 => (stand, format!(r#"{{"command":"span","mass_g":{},"id":"c{id}"}}"#, dice.below(3000))),
        17 => (stand, format!(r#"{{"command":"holds","flat":"f{}","id":"c{id}"}}"#, dice.below(flats))),
        18 => (stand, r#"{"command":"forget-calibration"}"#.to_owned()),
        19 if valves > 0 => {
            (format!("valves/v{}", dice.below(valves)), format!(r#"{{"command":"run","volume_ml":500,"id":"c{id}"}}"#))
        }
        20 => (flat, format!(r#"{{"command":"dome","on":true,"id":"c{id}"}}"#)),
        21 => (flat, r#"{"command":"shelve","for_h":1,"time":"2020-01-01T00:00:00Z"}"#.to_owned()),
        22 => ("flats/nobody".to_owned(), "undo".to_owned()),
        23 => (flat, String::from_utf8_lossy(&garbage(dice)).into_owned()),
        24 => (stand, format!(r#"{{"command":"zero","zero":{}}}"#, "9".repeat(400))),
        _ => (flat, r#"{"command":"set","low":1e400}"#.to_owned()),
    }
}

fn garbage(dice: &mut Dice) -> Vec<u8> {
    (0..dice.below(60)).map(|_| dice.below(256) as u8).collect()
}
