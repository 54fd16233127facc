//! What a newcomer sees: every flat, who is dry and who is next, and what was advised and done.
//!
//! It goes by MQTT messages alone, as any client could.

use super::apart;
use super::scene::{self, Scene};
use crate::moment::Zone;
use crate::service::Addresses;
use crate::sim::SimTime;
use console::{Color, Style, Term, truncate_str};
use serde_json::Value;
use std::collections::{HashMap, HashSet, VecDeque};

/// So many of the latest happenings are shown.
const LATELY: usize = 9;
/// The bar of a flat is so wide.
const BAR: usize = 24;
/// On a narrow terminal it gives way to words, which need so many columns.
const WORDS: usize = 62;
/// It ends at this fraction.
const BAR_ENDS: f64 = 1.2;

/// What an onlooker knows.
pub struct View {
    term: Term,
    zone: Zone,
    speed: f64,
    begun: Option<SimTime>,
    /// Ids and labels, in walking order.
    flats: Vec<(&'static str, &'static str)>,
    /// Ids, and the label of a flat under each.
    valves: Vec<(&'static str, &'static str)>,
    states: HashMap<String, Value>,
    valve_states: HashMap<String, Value>,
    /// What a valve has given last, in words.
    given: HashMap<String, String>,
    /// How to speak to the broker.
    mosquitto_pub: String,
    /// Titles of what is raised, by topic.
    raised: HashMap<String, String>,
    lately: VecDeque<String>,
    /// Flats that are being soaked.
    soaking: HashSet<String>,
    /// Flats that are off their stands.
    off: HashSet<String>,
    /// Lines on the screen that the next table takes the place of.
    drawn: usize,
    tally: Tally,
    /// Nobody reads what is printed any more.
    unheard: bool,
}

/// For the last words.
#[derive(Debug, Default)]
struct Tally {
    poured: u32,
    by_valve: u32,
    millilitres: f64,
    raised: u32,
    cleared: u32,
}

impl View {
    pub fn new(scene: &Scene, zone: Zone, speed: f64) -> Self {
        Self {
            term: Term::stdout(),
            zone,
            speed,
            begun: None,
            flats: scene.berths.iter().map(|berth| (berth.id, berth.label)).collect(),
            valves: scene
                .lines
                .iter()
                .map(|line| {
                    let under = scene.berths.iter().find(|berth| berth.id == line.flat());
                    (line.id, under.map_or("", |berth| berth.label))
                })
                .collect(),
            states: HashMap::new(),
            valve_states: HashMap::new(),
            given: HashMap::new(),
            mosquitto_pub: String::new(),
            raised: HashMap::new(),
            lately: VecDeque::new(),
            soaking: HashSet::new(),
            off: HashSet::new(),
            drawn: 0,
            tally: Tally::default(),
            unheard: false,
        }
    }

    /// Whether what it prints goes nowhere: the terminal is closed, or the program behind the pipe has ended.
    pub const fn is_unheard(&self) -> bool {
        self.unheard
    }

    /// Where to look, and what to try.
    pub fn introduce(&mut self, addresses: Addresses) {
        let Some(broker) = addresses.broker else { return };
        let (host, port) = (broker.ip(), broker.port());
        self.mosquitto_pub = format!("mosquitto_pub -h {host} -p {port}");
        let mut lines = vec![
            format!(
                "A made-up glasshouse, {} times as fast as yours, with a broker on {broker}. To watch it from another window:",
                self.speed
            ),
            format!("  mosquitto_sub -h {host} -p {port} -v -t 'tarewell/#'"),
            "To command (the mark of Lettuce moves):".to_owned(),
            format!(
                "  {} -t tarewell/flats/lettuce/command -m '{{\"command\":\"set\",\"target\":0.65}}'",
                self.mosquitto_pub
            ),
        ];
        if let Some(web) = addresses.web {
            lines.push(format!(
                "All at once, as JSON: http://{web}/api/site    Ctrl-C ends it and leaves nothing behind."
            ));
        }
        lines.push(String::new());
        lines.iter().for_each(|line| self.print(line));
    }

    /// What tarewell would have poured on that flat now, in mL, if it is dry or due and stands on its stand.
    pub fn advised(&self, flat: &str) -> Option<f64> {
        let state = self.states.get(flat)?;
        if self.off.contains(flat) {
            return None;
        }
        let is_due = matches!(word(state, "condition"), "dry" | "due");
        is_due.then(|| number(state, "to_target_ml")).flatten()
    }

    /// Takes a message in.
    pub fn hear(&mut self, topic: &str, payload: &[u8], now: SimTime) {
        let mut parts = topic.split('/').skip(1);
        let json = || serde_json::from_slice::<Value>(payload).ok();
        match (parts.next(), parts.next()) {
            (Some("flats"), Some(flat)) => self.states.extend(json().map(|state| (flat.to_owned(), state))),
            (Some("valves"), Some(valve)) => self.valve_is(valve, json(), now),
            (Some("alerts"), _) => self.alert(topic, json(), now),
            (Some("events"), _) => self.happened(json(), now),
            _ => {}
        }
    }

    fn valve_is(&mut self, valve: &str, state: Option<Value>, now: SimTime) {
        let Some(state) = state else { return };
        let waited = self.waits_for_a_word(valve);
        let volume = state.get("plan").and_then(|plan| number(plan, "volume_ml"));
        self.valve_states.insert(valve.to_owned(), state);
        if let Some(volume) = volume.filter(|_| !waited && self.waits_for_a_word(valve)) {
            let command = format!("{} -t tarewell/valves/{valve}/command -m run", self.mosquitto_pub);
            let on = self.under(valve);
            self.say(
                now,
                Color::Magenta,
                &format!("asks     {valve} would pour {volume:.0} mL on {on}. To let it: {command}"),
            );
        }
    }

    /// Whether a valve that opens on command has something to pour.
    pub fn waits_for_a_word(&self, valve: &str) -> bool {
        let Some(state) = self.valve_states.get(valve) else { return false };
        let is_none = |key: &str| state.get(key).is_none_or(Value::is_null);
        let is_due = state.get("plan").and_then(|plan| plan.get("due")) == Some(&Value::Bool(true));
        let is_ready = word(state, "mode") == "ask" && word(state, "state") == "closed";
        is_ready && is_due && is_none("watering") && is_none("locked")
    }

    /// Whether a valve waters, or is open.
    pub fn water_runs(&self) -> bool {
        let runs = |state: &Value| {
            state.get("watering").is_some_and(|watering| !watering.is_null()) || word(state, "state") == "open"
        };
        self.valve_states.values().any(runs)
    }

    fn under(&self, valve: &str) -> &'static str {
        self.valves.iter().find(|(id, _)| *id == valve).map_or("", |(_, label)| label)
    }

    fn alert(&mut self, topic: &str, alert: Option<Value>, now: SimTime) {
        match alert {
            Some(alert) => {
                let title = word(&alert, "title").to_owned();
                if self.raised.insert(topic.to_owned(), title.clone()).is_none() {
                    self.tally.raised += 1;
                    let colour = if word(&alert, "severity") == "notice" { Color::Cyan } else { Color::Red };
                    self.say(now, colour, &format!("alert    {title}: {}", word(&alert, "text")));
                }
            }
            None => {
                if let Some(title) = self.raised.remove(topic) {
                    self.tally.cleared += 1;
                    self.say(now, Color::Green, &format!("ended    {title}"));
                }
            }
        }
    }

    fn happened(&mut self, event: Option<Value>, now: SimTime) {
        let Some(event) = event else { return };
        if word(&event, "of") == "valve" {
            self.valve_happened(&event, now);
            return;
        }
        let label = self.label(word(&event, "id"));
        let grams = |key| number(&event, key).unwrap_or_default();
        let said = match word(&event, "event") {
            "watered" => format!("{label} was watered: {:.0} mL, {:.0} mL stayed", grams("added_ml"), grams("kept_ml")),
            "lifted" => {
                self.off.insert(word(&event, "id").to_owned());
                format!("{label} was lifted off its stand")
            }
            "returned" => {
                self.off.remove(word(&event, "id"));
                format!("{label} is back")
            }
            // One pass after the other; the first tells it.
            "soaking" if self.soaking.insert(label.clone()) => format!("{label} takes up water"),
            "capacity-recorded" => {
                self.soaking.remove(&label);
                format!("{label} has dripped out and its capacity is recorded: {:.0} g", grams("to"))
            }
            "dome-on" => format!("{label} is under its dome"),
            "dome-off" => format!("{label} is without its dome"),
            "removed" => format!("{label} is lighter by {:.0} g", -grams("change_g")),
            "weighed" => format!("{label} weighs {:.2} kg", grams("to") / 1000.0),
            "stage-changed" => format!("{label} is {} now", word(&event, "to")),
            _ => return,
        };
        self.say(now, Color::White, &format!("seen     {said}"));
    }

    fn valve_happened(&mut self, event: &Value, now: SimTime) {
        let valve = word(event, "id").to_owned();
        let on = self.under(&valve);
        let what = number(event, "volume_ml").unwrap_or_default();
        let said = match word(event, "event") {
            "watering-started" => format!("{valve} begins: {what:.0} mL for {on}"),
            "valve-opened" => format!("{valve} opens"),
            "valve-closed" => format!("{valve} closes after {:.0} s", number(event, "for_s").unwrap_or_default()),
            "watering-ended" => {
                let poured = number(event, "delivered_ml").unwrap_or_default();
                self.tally.by_valve += 1;
                let done = format!("done, {poured:.0} mL poured ({})", word(event, "reason"));
                self.given.insert(valve.clone(), format!("{} {done}", self.clock(now)));
                format!("{valve} is {done}")
            }
            "locked" => format!("{valve} is locked: {}", word(event, "text")),
            _ => return,
        };
        self.say(now, Color::Blue, &format!("valve    {said}"));
    }

    /// The grower poured.
    pub fn poured(&mut self, now: SimTime, label: &str, millilitres: f64) {
        self.tally.poured += 1;
        self.tally.millilitres += millilitres;
        self.say(now, Color::Blue, &format!("done     the grower pours {millilitres:.0} mL on {label}, as advised"));
    }

    /// The grower does something else.
    pub fn does(&mut self, now: SimTime, what: &str) {
        self.say(now, Color::Blue, &format!("done     the grower {what}"));
    }

    /// The grower commanded.
    pub fn commanded(&mut self, now: SimTime, flat: &str, command: &str) {
        let label = self.label(flat);
        self.say(now, Color::Blue, &format!("done     the grower says {command} for {label}, and soaks it"));
    }

    fn label(&self, id: &str) -> String {
        self.flats.iter().find(|(flat, _)| *flat == id).map_or_else(|| id.to_owned(), |(_, label)| (*label).to_owned())
    }

    fn say(&mut self, now: SimTime, colour: Color, text: &str) {
        let line = format!("{} {}", self.clock(now), Style::new().fg(colour).apply_to(text));
        if !self.term.is_term() {
            self.print(&line);
        }
        self.lately.push_back(line);
        if self.lately.len() > LATELY {
            self.lately.pop_front();
        }
    }

    /// Draws the table anew, where somebody watches; else what happens is printed line by line.
    pub fn show(&mut self, now: SimTime) {
        self.begun.get_or_insert(now);
        if !self.term.is_term() || self.states.is_empty() {
            return;
        }
        let (height, width) = self.term.size();
        let mut lines = self.table(now);
        lines.extend(self.lately.iter().cloned());
        lines.truncate(usize::from(height).saturating_sub(1));
        let mut text = String::new();
        for line in &lines {
            text.push_str(&truncate_str(line, usize::from(width), "…"));
            text.push('\n');
        }
        let drawn = self.term.clear_last_lines(self.drawn).and_then(|()| self.term.write_str(&text));
        self.unheard |= drawn.is_err();
        self.drawn = lines.len();
    }

    fn table(&self, now: SimTime) -> Vec<String> {
        let mut rows: Vec<(f64, String)> = self.flats.iter().map(|(id, label)| self.row(id, label, now)).collect();
        rows.sort_by(|(one, _), (other, _)| one.total_cmp(other));
        let slowly = if self.water_runs() { "  (slower while water runs)" } else { "" };
        let heading = format!("{}  {}{slowly}", self.zone.day(scene::wall(now)), self.clock(now));
        let mut lines = vec![Style::new().bold().apply_to(heading).to_string()];
        lines.extend(rows.into_iter().map(|(_, row)| row));
        lines.extend(self.valves.iter().map(|(valve, _)| self.valve(valve)));
        lines.push(String::new());
        lines
    }

    /// A line, and how urgent it is: the hours until water is due.
    fn row(&self, id: &str, label: &str, now: SimTime) -> (f64, String) {
        let Some(state) = self.states.get(id) else { return (f64::MAX, format!("  {label:<10}")) };
        let fraction = number(state, "fraction");
        let condition = word(state, "condition");
        let due = moment(state, "due_at");
        let (urgency, what) = match (condition, fraction, due) {
            _ if self.off.contains(id) => (1e3, "off its stand: this is what it should hold by now".to_owned()),
            ("dry", Some(fraction), _) => (fraction - 1000.0, pour(state)),
            ("due", Some(fraction), _) => (fraction - 100.0, pour(state)),
            ("unknown", ..) => (1e6, word(state, "advice").to_owned()),
            ("wet", ..) => (1e5, "nothing".to_owned()),
            (_, _, Some(due)) => (due.since(now).as_hours(), format!("due in {}", apart(now, due))),
            _ => (1e4, String::new()),
        };
        let share = fraction.map_or_else(|| "    ".to_owned(), |fraction| format!("{:>3.0} %", 100.0 * fraction));
        let style = match condition {
            "dry" => Style::new().red().bold(),
            "due" => Style::new().yellow(),
            "wet" => Style::new().blue(),
            "unknown" => Style::new().dim(),
            _ => Style::new().green(),
        };
        let line = format!(
            "  {label:<10} {} {share}  {}  {what}",
            style.apply_to(bar(fraction, number(state, "target"), self.bar_width())),
            style.apply_to(format!("{condition:<7}"))
        );
        (urgency, line)
    }

    fn bar_width(&self) -> usize {
        let (_, width) = self.term.size();
        if self.term.is_term() { usize::from(width).saturating_sub(WORDS).clamp(6, BAR) } else { BAR }
    }

    fn valve(&self, id: &str) -> String {
        let state = self.valve_states.get(id);
        let mode = state.map_or("", |state| word(state, "mode"));
        let waters = state.and_then(|state| state.get("watering")).filter(|watering| !watering.is_null());
        let said = match (waters, state) {
            (Some(watering), _) => self.waters(watering),
            (None, Some(state)) => self.planned(id, state),
            (None, None) => String::new(),
        };
        format!("  {:<13} {mode:<6} {said}", format!("{id}:"))
    }

    /// `pulse 1 of 2: 124 of 331 mL`
    fn waters(&self, watering: &Value) -> String {
        let count = |key: &str| number(watering, key).unwrap_or_default();
        let (poured, volume) = (count("delivered_ml"), count("volume_ml"));
        let style = Style::new().blue().bold();
        let bar = bar(Some(poured / volume * BAR_ENDS), None, self.bar_width().min(BAR / 2));
        let phase = format!("{:<8}", word(watering, "phase"));
        let (pulse, pulses) = (count("pulse"), count("pulses"));
        format!(
            "{} pulse {pulse:.0} of {pulses:.0}  {} {poured:.0} of {volume:.0} mL",
            style.apply_to(phase),
            style.apply_to(bar)
        )
    }

    fn planned(&self, id: &str, state: &Value) -> String {
        if let Some(lock) = state.get("locked").filter(|lock| !lock.is_null()) {
            return format!("locked: {}", word(lock, "text"));
        }
        let given = self.given.get(id).cloned();
        let Some(plan) = state.get("plan").filter(|plan| !plan.is_null()) else {
            return given.unwrap_or_else(|| "nothing to pour".to_owned());
        };
        let is_due = plan.get("due") == Some(&Value::Bool(true));
        if let Some(given) = given.filter(|_| !is_due) {
            return given;
        }
        let would = match word(state, "mode") {
            "auto" if is_due => "will pour",
            "ask" if is_due => "waits for `run`:",
            _ if is_due => "now:",
            _ => "could pour",
        };
        let volume = number(plan, "volume_ml").unwrap_or_default();
        format!("{would} {volume:.0} mL, open for {:.0} s", number(plan, "run_time_s").unwrap_or_default())
    }

    /// Last words.
    pub fn end(&mut self, now: SimTime) {
        let passed = self.begun.map_or_else(String::new, |begun| apart(begun, now));
        let Tally { poured, by_valve, millilitres, raised, cleared } = self.tally;
        self.print(&format!(
            "\n{passed} passed. Alerts raised: {raised}, ended: {cleared}. Waterings by hand, as advised: {poured}, {:.1} L in all; by \
             valves: {by_valve}.",
            millilitres / 1000.0
        ));
    }

    fn clock(&self, now: SimTime) -> String {
        self.zone.stamp(scene::wall(now)).get(11..16).unwrap_or_default().to_owned()
    }

    fn print(&mut self, line: &str) {
        self.unheard |= self.term.write_line(line).is_err();
    }
}

fn word<'a>(state: &'a Value, key: &str) -> &'a str {
    state.get(key).and_then(Value::as_str).unwrap_or_default()
}

fn number(state: &Value, key: &str) -> Option<f64> {
    state.get(key).and_then(Value::as_f64)
}

fn moment(state: &Value, key: &str) -> Option<SimTime> {
    let at = chrono::DateTime::parse_from_rfc3339(state.get(key)?.as_str()?).ok()?;
    Some(scene::house_time(crate::moment::Wall::from_millis(at.timestamp_millis())))
}

fn pour(state: &Value) -> String {
    match (number(state, "to_target_ml"), number(state, "target_weight_g")) {
        (Some(volume), Some(weight)) => format!("pour {volume:.0} mL, stop at {:.2} kg", weight / 1000.0),
        _ => String::new(),
    }
}

/// What is left, and where the target is, in so many steps: `━━━━━━━━┃┄┄┄┄`.
fn bar(fraction: Option<f64>, target: Option<f64>, steps: usize) -> String {
    let place = |fraction: f64| (0..steps).take_while(|step| position(*step, steps) < fraction).count();
    let (filled, mark) = (fraction.map_or(0, place), target.map(place));
    (0..steps)
        .map(|step| match step {
            _ if mark == Some(step) => '┃',
            _ if step < filled => '━',
            _ => '┄',
        })
        .collect()
}

/// The fraction at the middle of a step of the bar.
fn position(step: usize, steps: usize) -> f64 {
    let number = |count: usize| f64::from(u32::try_from(count).unwrap_or(1));
    (number(step) + 0.5) / number(steps) * BAR_ENDS
}

#[cfg(test)]
mod tests {
    use super::*;

    fn view() -> View {
        View::new(&Scene::new(), Zone::named("Atlantic/Reykjavik").unwrap(), 480.0)
    }

    #[test]
    fn dry_flats_come_first_then_those_that_are_due_next() {
        let mut view = view();
        let now = SimTime::at(2, 9, 0);
        let moist = |due: &str| format!(r#"{{"condition":"moist","fraction":0.6,"target":0.5,"due_at":"{due}"}}"#);
        view.hear("tarewell/flats/leek", moist("2027-03-12T09:00:00+00:00").as_bytes(), now);
        view.hear("tarewell/flats/kale", moist("2027-03-11T15:00:00+00:00").as_bytes(), now);
        let dry = br#"{"condition":"dry","fraction":0.29,"target":0.5,"to_target_ml":351.2,"target_weight_g":2130.0}"#;
        view.hear("tarewell/flats/basil", dry, now);
        let table: Vec<String> =
            view.table(now).iter().map(|line| console::strip_ansi_codes(line).into_owned()).collect();
        assert!(table[1].contains("Basil") && table[1].contains("pour 351 mL, stop at 2.13 kg"), "{table:#?}");
        assert!(table[2].contains("Kale") && table[2].contains("due in 6 h"), "{table:#?}");
        assert!(table[3].contains("Leek") && table[3].contains("due in 24 h"), "{table:#?}");
        assert_eq!((view.advised("basil"), view.advised("leek")), (Some(351.2), None));
    }

    #[test]
    fn an_alert_is_told_once_and_its_end_too() {
        let mut view = view();
        let now = SimTime::at(2, 9, 0);
        let alert = br#"{"severity":"warning","title":"Leek is dry","text":"Pour 300 mL."}"#;
        view.hear("tarewell/alerts/dry/leek", alert, now);
        view.hear("tarewell/alerts/dry/leek", alert, now);
        view.hear("tarewell/alerts/dry/leek", b"", now);
        assert_eq!((view.lately.len(), view.tally.raised, view.tally.cleared), (2, 1, 1));
        assert!(console::measure_text_width(&view.lately[0]) > 20);
    }

    #[test]
    fn the_bar_shows_what_is_left_and_the_target() {
        let bar = bar(Some(0.25), Some(0.5), BAR);
        assert_eq!(bar.chars().count(), BAR);
        assert_eq!(bar.chars().filter(|&step| step == '━').count(), 5, "a quarter of 1.2 in 24 steps: {bar}");
        assert_eq!(bar.chars().position(|step| step == '┃'), Some(10));
    }
}
