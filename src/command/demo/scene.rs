//! The house that the demo plays in: whose flats, on what stands, with what troubles; and the configuration for it.
//!
//! A scenario of our own: a school glasshouse in Iceland at the end of a winter, under lamps.

use crate::moment::{Span, Wall};
use crate::sim::{
    Act, CellPlan, Doing, Drains, Evaporation, Feed, FlatPlan, Habits, HousePlan, Mix, NetworkPlan, Onto, Reports,
    RoomPlan, Shows, SimTime, Spell, Trouble, ValvePlan,
};
use crate::watering::Mode;
use std::fmt::Write as _;
use std::net::SocketAddr;
use std::path::Path;

/// Midnight of the house's day 0: 9 March 2027 in Reykjavik, where clocks are never put forward.
const DAY_0: Wall = Wall::from_millis(1_804_550_400_000);
/// The readings begin here, so that on the third morning a day of drying is known …
pub const WEIGHED_FROM: SimTime = SimTime::at(0, 15, 0);
/// … and this is when somebody begins to watch.
pub const BEGINS: SimTime = SimTime::at(2, 9, 10);
/// One reading of each stand …
const PERIOD: Span = Span::seconds(30);
/// … but more often where a valve is closed by the weight.
const UNDER_A_VALVE: Span = Span::seconds(4);

/// What a stand's device publishes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Says {
    /// `3412.3`
    Grams,
    /// `{"sensor":{"g":3412.3},"rssi":-61}`
    Json,
    /// `3.4123`
    Kilograms,
    /// `817004`: raw counts of the converter.
    Counts,
}

/// How a flat is weighed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seat {
    /// On a stand of its own.
    Stand,
    /// On the scale that flats take turns on.
    Shared,
    /// On a kitchen scale; the grower types what it says.
    Kitchen,
    /// Another flat speaks for it.
    Like(&'static str),
}

/// The scale that flats take turns on.
pub const SHARED_SCALE: &str = "bench-scale";
/// It is read so often.
const SHARED_PERIOD: Span = Span::seconds(10);

/// A flat, and what weighs it.
#[derive(Debug, Clone)]
pub struct Berth {
    /// How it is weighed.
    pub seat: Seat,
    /// The flat's id; its stand is `<id>-stand`.
    pub id: &'static str,
    /// What people call it.
    pub label: &'static str,
    /// How its device speaks.
    pub says: Says,
    /// More of the flat's configuration: lines of YAML.
    settings: &'static str,
    /// Whether the file has its capacity weight, or the demo has it recorded.
    measured: bool,
    flat: FlatPlan,
}

impl Berth {
    /// Where its stand publishes.
    #[must_use]
    pub fn topic(&self) -> String {
        format!("glasshouse/{}/scale", self.id)
    }

    /// A weight as its device writes it.
    #[must_use]
    pub fn payload(&self, value: f64) -> String {
        match self.says {
            Says::Grams => format!("{value:.1}"),
            Says::Json => format!(r#"{{"sensor":{{"g":{value:.1}}},"rssi":-61}}"#),
            Says::Kilograms => format!("{:.4}", value / 1000.0),
            Says::Counts => format!("{value:.0}"),
        }
    }

    /// The flat, on its stand or on a shelf.
    fn seated(&self, place: usize) -> FlatPlan {
        if self.seat == Seat::Stand { self.flat.on(place) } else { self.flat }
    }

    fn cell(&self, period: Span) -> CellPlan {
        let shows = if self.says == Says::Counts { Shows::Counts } else { Shows::Grams { digit: 0.1 } };
        CellPlan { period, shows, glitches: 0.001, missing: 0.01, ..CellPlan::default() }
    }

    fn write_stand(&self, yaml: &mut String) {
        let (zero, per_gram) = self.cell(PERIOD).counts;
        let unit = match self.says {
            Says::Grams => String::new(),
            Says::Json => ", value: /sensor/g".to_owned(),
            Says::Kilograms => ", unit: kg".to_owned(),
            Says::Counts => format!(", unit: counts, zero: {zero}, counts_per_gram: {per_gram}"),
        };
        let _ = writeln!(yaml, "  {}-stand: {{topic: {}{unit}}}", self.id, self.topic());
    }

    fn write_flat(&self, yaml: &mut String) {
        let _ = writeln!(yaml, "  {}:\n    label: {}", self.id, self.label);
        let _ = match self.seat {
            Seat::Stand => writeln!(yaml, "    stand: {}-stand", self.id),
            Seat::Shared => writeln!(yaml, "    stand: {SHARED_SCALE}"),
            Seat::Like(other) => writeln!(yaml, "    like: {other}"),
            Seat::Kitchen => Ok(()),
        };
        let _ = writeln!(yaml, "    dry_weight: {:.0} g", self.flat.dry_weight().get());
        if self.measured {
            let _ = writeln!(yaml, "    capacity_weight: {:.0} g", self.flat.capacity_weight().get());
        }
        for line in self.settings.lines() {
            let _ = writeln!(yaml, "    {line}");
        }
    }
}

/// A valve and the flats under it.
#[derive(Debug, Clone)]
pub struct Line {
    /// Its id.
    pub id: &'static str,
    /// What it may do by itself.
    pub mode: Mode,
    method: &'static str,
    /// The flats it feeds, and g/s to each.
    feeds: Vec<(&'static str, f64)>,
    /// More of the valve's configuration: lines of YAML.
    settings: &'static str,
}

impl Line {
    /// Where it takes orders.
    #[must_use]
    pub fn topic(&self) -> String {
        format!("glasshouse/{}/set", self.id)
    }

    /// Where it says whether it is open.
    #[must_use]
    pub fn report(&self) -> String {
        format!("glasshouse/{}", self.id)
    }

    /// The first flat it feeds.
    #[must_use]
    pub fn flat(&self) -> &'static str {
        self.feeds.first().map_or("", |(flat, _)| flat)
    }

    fn feeds(&self, flat: &str) -> bool {
        self.feeds.iter().any(|(fed, _)| *fed == flat)
    }

    fn write(&self, yaml: &mut String) {
        let feeds = self.feeds.iter().map(|(flat, grams)| format!("{flat}: {:.2} L/h", grams * 3.6));
        let feeds = feeds.collect::<Vec<_>>().join(", ");
        let _ = write!(
            yaml,
            "  {}:\n    topic: {}\n    open: '{{\"state\":\"ON\",\"on_time\":{{seconds}}}}'\n    close: \
             '{{\"state\":\"OFF\"}}'\n    report: {{topic: {}, value: /state, open: \"ON\", closed: \"OFF\"}}\n    mode: {}\n    \
             method: {}\n    feeds: {{{feeds}}}\n    max_run: 20 min\n    max_per_day: 4 L\n",
            self.id,
            self.topic(),
            self.report(),
            self.mode.name(),
            self.method
        );
        for line in self.settings.lines() {
            let _ = writeln!(yaml, "    {line}");
        }
    }
}

/// Everything that the demo plays with.
#[derive(Debug, Clone)]
pub struct Scene {
    /// In walking order.
    pub berths: Vec<Berth>,
    /// The valves.
    pub lines: Vec<Line>,
}

impl Scene {
    /// The house of the demo.
    #[must_use]
    pub fn new() -> Self {
        Self { berths: berths(), lines: lines() }
    }

    /// The flats on stands of their own, which come first; a stand has the place of its flat.
    pub fn stands(&self) -> impl Iterator<Item = &Berth> {
        self.berths.iter().filter(|berth| berth.seat == Seat::Stand)
    }

    /// The place of the shared scale among the stands.
    #[must_use]
    pub fn shared_scale(&self) -> usize {
        self.stands().count()
    }

    /// What a stand of this house publishes, and where.
    #[must_use]
    pub fn published(&self, stand: usize, value: crate::sim::Value) -> Option<(String, String)> {
        if stand == self.shared_scale() {
            let payload = value.map_or_else(|failure| failure.text().to_owned(), |value| format!("{value:.0}"));
            return Some((format!("glasshouse/{SHARED_SCALE}"), payload));
        }
        let berth = self.stands().nth(stand)?;
        Some((berth.topic(), value.map_or_else(|failure| failure.text().to_owned(), |value| berth.payload(value))))
    }

    /// The place of a flat in walking order.
    #[must_use]
    pub fn place(&self, id: &str) -> Option<usize> {
        self.berths.iter().position(|berth| berth.id == id)
    }

    /// Whether its valve fills its tray, so that a can does too.
    #[must_use]
    pub fn is_watered_from_below(&self, id: &str) -> bool {
        self.lines.iter().any(|line| line.method == "bottom" && line.feeds(id))
    }

    /// Whether a valve waters it, so that nobody has to come with a can.
    #[must_use]
    pub fn is_watered_by_valve(&self, id: &str) -> bool {
        self.lines.iter().any(|line| line.mode != Mode::Advise && line.feeds(id))
    }

    /// The physical house.
    #[must_use]
    pub fn house(&self) -> HousePlan {
        HousePlan {
            flats: self.berths.iter().enumerate().map(|(place, berth)| berth.seated(place)).collect(),
            stands: self.stands().map(|berth| self.cell(berth)).chain([shared_cell()]).collect(),
            valves: self.lines.iter().map(|line| self.valve(line)).collect(),
            room: RoomPlan { spells: vec![heat_wave()], ..RoomPlan::default() },
            network: NetworkPlan { delay: Span::from_millis(20), ..NetworkPlan::default() },
            acts: self.acts(),
            habits: Habits { looks_per_week: 2.0, ..Habits::default() },
            ..HousePlan::default()
        }
    }

    fn cell(&self, berth: &Berth) -> CellPlan {
        berth.cell(if self.is_watered_by_valve(berth.id) { UNDER_A_VALVE } else { PERIOD })
    }

    fn valve(&self, line: &Line) -> ValvePlan {
        let feed = |(flat, flow): &(&str, f64)| {
            let onto = self.place(flat).map_or(Onto::Nothing, Onto::Stand);
            Feed { onto, flow: *flow, below: line.method == "bottom" }
        };
        ValvePlan { feeds: line.feeds.iter().map(feed).collect(), reports: Reports::Relay, ..ValvePlan::default() }
    }

    /// What happens by itself; the grower goes by what tarewell says.
    fn acts(&self) -> Vec<(SimTime, Act)> {
        let mut acts = Vec::new();
        let mut flat = |id: &str, at: SimTime, doing: Doing| {
            acts.extend(self.place(id).map(|flat| (at, Act::Flat(flat, doing))));
        };
        // A visitor meant well.
        flat("basil", SimTime::at(1, 17, 30), Doing::Pour { grams: 950.0, over: Span::minutes(1), below: false });
        for day in 1..14 {
            // Hardened off outside by day.
            flat("kale", SimTime::at(day, 10, 0), Doing::Lift);
            flat("kale", SimTime::at(day, 16, 0), Doing::PutBack { stand: None });
        }
        flat("cucumber", SimTime::at(4, 9, 0), Doing::Dome { on: false });
        flat("marigold", SimTime::at(3, 11, 30), Doing::Thin { share: 0.3 });
        let mut stand = |id: &str, at: SimTime, trouble: Trouble| {
            acts.extend(self.place(id).map(|stand| (at, Act::Stand(stand, trouble))));
        };
        stand("celery", SimTime::at(2, 15, 0), Trouble::Silence { lasts: Span::hours(3) });
        stand("tomato", SimTime::at(3, 13, 0), Trouble::Freeze { lasts: Span::hours(5) });
        acts
    }

    /// The configuration of this house, with a broker and pages at these addresses.
    #[must_use]
    pub fn configuration(&self, broker: SocketAddr, web: SocketAddr, store: &Path) -> String {
        let mut yaml = format!(
            "version: 1\nsite: {{name: School glasshouse in Hveragerdi, time_zone: Atlantic/Reykjavik}}\nbroker: {{embedded: \
             {{listen: \"{broker}\"}}}}\nstore: {store:?}\nweb: \"{web}\"\n"
        );
        yaml.push_str("stands:\n");
        self.stands().for_each(|berth| berth.write_stand(&mut yaml));
        let _ = writeln!(yaml, "  {SHARED_SCALE}: {{topic: glasshouse/{SHARED_SCALE}, shared: true}}");
        yaml.push_str("flats:\n");
        self.berths.iter().for_each(|berth| berth.write_flat(&mut yaml));
        yaml.push_str("valves:\n");
        self.lines.iter().for_each(|line| line.write(&mut yaml));
        yaml
    }
}

impl Default for Scene {
    fn default() -> Self {
        Self::new()
    }
}

/// The wall time of a moment in the house.
#[must_use]
pub fn wall(at: SimTime) -> Wall {
    DAY_0 + at.since(SimTime::default())
}

/// And back.
#[must_use]
pub fn house_time(wall: Wall) -> SimTime {
    SimTime::default() + wall.since(DAY_0)
}

/// Warm, dry days from the fifth on.
fn heat_wave() -> Spell {
    Spell { from: SimTime::at(5, 8, 0), until: SimTime::at(7, 20, 0), warmer: 7.0, humidity: Some(0.4) }
}

/// A plain platform scale.
fn shared_cell() -> CellPlan {
    CellPlan { period: SHARED_PERIOD, shows: Shows::Grams { digit: 1.0 }, ..CellPlan::default() }
}

/// A glasshouse under lamps: each flat loses some 2 mm a day.
fn flat(cells: u32, fraction: f64, age: f64) -> FlatPlan {
    let evaporation = Evaporation { day: 0.11, night: 0.03, ..FlatPlan::default().evaporation };
    FlatPlan { age, evaporation, ..FlatPlan::cells(cells) }.at_fraction(fraction)
}

fn berths() -> Vec<Berth> {
    let berth =
        |id, label, says, settings, flat| Berth { seat: Seat::Stand, id, label, says, settings, measured: true, flat };
    vec![
        berth("leek", "Leek", Says::Grams, "", flat(128, 0.563, 24.0)),
        berth("lettuce", "Lettuce", Says::Json, "", flat(72, 0.70, 12.0)),
        berth("celery", "Celery", Says::Kilograms, "", flat(200, 0.92, 20.0)),
        berth("kohlrabi", "Kohlrabi", Says::Grams, "stages: standard\nsown: 2027-03-04", flat(128, 0.98, 5.0)),
        berth("basil", "Basil", Says::Json, "wet_for: 36 h", flat(72, 0.74, 15.0)),
        berth(
            "parsley",
            "Parsley",
            Says::Counts,
            "",
            FlatPlan { drains: Drains::Away, ..flat(50, 0.52, 22.0).mix(Mix::Peat) },
        ),
        berth("tomato", "Tomato", Says::Kilograms, "", flat(24, 0.80, 30.0)),
        berth("marigold", "Marigold", Says::Grams, "", flat(72, 0.90, 18.0)),
        berth(
            "kale",
            "Kale",
            Says::Grams,
            "stages:\n  - {name: growing-on}\n  - {name: hardening-off, low: 25%, water_at: 35%, target: 45%, from_day: \
             28}\nsown: 2027-02-06\nabsent_for: 8 h",
            flat(50, 0.86, 31.0),
        ),
        berth(
            "cucumber",
            "Cucumber",
            Says::Json,
            "stages: standard\nsown: 2027-03-06\ndome_weight: 180 g",
            FlatPlan { domed: true, ..flat(24, 0.97, 3.0) },
        ),
        Berth {
            measured: false,
            ..berth(
                "pansy",
                "Pansy",
                Says::Counts,
                "sown: 2027-03-11\nstages: standard",
                FlatPlan { drains: Drains::Away, ..flat(128, 0.0, 0.0).mix(Mix::Coir) },
            )
        },
        Berth { seat: Seat::Shared, ..berth("chives", "Chives", Says::Grams, "place: shelf", flat(72, 0.66, 14.0)) },
        Berth { seat: Seat::Shared, ..berth("thyme", "Thyme", Says::Grams, "place: shelf", flat(50, 0.92, 12.0)) },
        Berth { seat: Seat::Kitchen, ..berth("sorrel", "Sorrel", Says::Grams, "place: sill", flat(72, 0.85, 16.0)) },
        Berth {
            seat: Seat::Like("lettuce"),
            ..berth("lettuce-2", "Lettuce 2", Says::Json, "place: shelf", flat(72, 0.70, 12.0))
        },
    ]
}

/// One that waters by itself in its hours, one when it is told to, one that only says what it would pour.
fn lines() -> Vec<Line> {
    let drip = |id, mode, flat, settings| Line { id, mode, method: "drip", feeds: vec![(flat, 2.0)], settings };
    vec![
        drip("leek-drip", Mode::Auto, "leek", "hours: 10:00-18:00\npulse: {volume: 220 mL, rest: 45 s}"),
        drip("parsley-drip", Mode::Ask, "parsley", "pulse: {volume: 220 mL, rest: 45 s}"),
        Line {
            id: "flood-tray",
            mode: Mode::Advise,
            method: "bottom",
            feeds: vec![("celery", 2.0), ("marigold", 2.0)],
            settings: "",
        },
    ]
}
