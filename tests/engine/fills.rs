//! Fills: what measured flats tell of the others of their fill, and which of them is out of line.

use chrono::NaiveDate;
use serde_json::{Value, json};
use std::sync::Arc;
use tarewell::alert::Kind;
use tarewell::flat::{Band, FillSettings, FlatSettings};
use tarewell::moment::{Moment, Span, Wall, Zone};
use tarewell::site::{
    Answer, Command, Event, Happening, Input, Order, Output, Part, Plan, Saved, Site, Subject, Ticket, Was,
};
use tarewell::stand::StandSettings;
use tarewell::units::{Grams, POUND, Words};

/// A Wednesday in April, 08:00 UTC.
const START: Wall = Wall::from_millis(1_775_635_200_000);
/// The flat that lives on the only stand.
const ON_STAND: usize = 0;

/// Seven flats of one fill, of whose band the file knows nothing; the first on a stand of its own.
fn plan() -> Plan {
    let flat = |number: usize| {
        let settings = FlatSettings {
            label: format!("Flat {number}"),
            fill: Some(0),
            stand: (number == ON_STAND).then_some(0),
            ..FlatSettings::default()
        };
        (format!("flat-{number}"), settings)
    };
    let fill = FillSettings {
        id: "forty".to_owned(),
        tare: Some(Grams::new(300.0)),
        cells: Some(40),
        ..FillSettings::default()
    };
    Plan {
        name: "Test".to_owned(),
        zone: Zone::UTC,
        words: Words::Metric,
        base_topic: "t".to_owned(),
        fills: vec![fill],
        stands: vec![("stand".to_owned(), StandSettings::default())],
        flats: (0..7).map(flat).collect(),
        valves: Vec::new(),
        supplies: Vec::new(),
    }
}

fn moment(seconds: f64) -> Moment {
    Moment::recorded(START + Span::from_seconds(seconds))
}

struct Bench {
    plan: Arc<Plan>,
    site: Site,
    seconds: f64,
    events: Vec<Event>,
    answers: Vec<Answer>,
}

impl Bench {
    fn new(plan: Plan) -> Self {
        let plan = Arc::new(plan);
        let site = Site::new(plan.clone(), &Saved::default(), moment(0.0));
        Self { plan, site, seconds: 0.0, events: Vec::new(), answers: Vec::new() }
    }

    /// The same with what the store has kept, five minutes later.
    fn restarted(self) -> Self {
        let facts = (0..self.plan.flats.len()).filter_map(|flat| self.site.fact(Subject::Flat(flat))).collect();
        let seconds = self.seconds + 300.0;
        let site = Site::new(self.plan.clone(), &Saved { facts, ..Saved::default() }, moment(seconds));
        let mut again = Self { plan: self.plan, site, seconds, events: Vec::new(), answers: Vec::new() };
        again.wait(120.0);
        again
    }

    fn handle(&mut self, input: Input) {
        self.site.handle(input, moment(self.seconds));
        while let Some(output) = self.site.poll() {
            match output {
                Output::Event(event) => self.events.push(event),
                Output::Answer(_, answer) => self.answers.push(answer),
                _ => {}
            }
        }
    }

    fn wait(&mut self, seconds: f64) {
        let until = self.seconds + seconds;
        while let Some(wake) = self.site.next_wake().filter(|wake| wake.at <= moment(until).mono) {
            self.seconds = self.seconds.max(wake.at.since(moment(0.0).mono).as_seconds());
            self.handle(Input::Tick);
        }
        self.seconds = until;
        self.handle(Input::Tick);
    }

    fn flat(&mut self, flat: usize, command: Command) -> Answer {
        self.orders(flat, command);
        self.answers.pop().expect("what needs no weight is answered at once")
    }

    fn orders(&mut self, flat: usize, command: Command) {
        self.handle(Input::Order(Order {
            to: Subject::Flat(flat),
            word: "test".to_owned(),
            command: Ok(command),
            id: None,
            time: None,
            retained: false,
            ticket: Some(Ticket(1)),
        }));
    }

    fn types(&mut self, flat: usize, grams: f64) {
        self.flat(flat, Command::Weigh { weight: Grams::new(grams), at: None, sure: true }).unwrap();
    }

    fn measures(&mut self, flat: usize, dry: f64, capacity: f64) {
        for (weight, command) in [(dry, Command::RecordDry), (capacity, Command::RecordCapacity { now: true })] {
            if flat == ON_STAND {
                self.reads(weight, 900);
                self.orders(flat, command);
                self.reads(weight, 10);
            } else {
                self.types(flat, weight);
                self.orders(flat, command);
            }
            self.answers.pop().expect("an answer").unwrap();
            self.wait(60.0);
        }
    }

    /// On the stand, once a second.
    fn reads(&mut self, grams: f64, seconds: u32) {
        for second in 0..seconds {
            // A digit of noise, or the stand would count as frozen.
            let value = Ok(grams + f64::from(second % 3) * 0.01);
            self.handle(Input::Reading { stand: 0, part: Part::Whole, value, retained: false });
            self.wait(1.0);
        }
    }

    /// Ten cells are taken out of the flat on the stand, and that is said.
    fn loses_ten_cells(&mut self) {
        self.reads(2600.0, 300);
        self.reads(2200.0, 900);
        let is_lighter = |event: &&Event| {
            event.subject == Subject::Flat(ON_STAND)
                && matches!(event.what, Happening::Removed { .. } | Happening::Visited { .. })
        };
        let seq = self.events.iter().rev().find(is_lighter).expect("a step").seq;
        self.flat(ON_STAND, Command::Correct { seq, was: Was::MixLost, cells: Some(10) }).unwrap();
    }

    fn of(&self, flat: usize, key: &str) -> Value {
        let mut state = Vec::new();
        self.site.write_state(Subject::Flat(flat), &mut state);
        serde_json::from_slice::<Value>(&state).unwrap()[key].clone()
    }

    fn band(&self, flat: usize) -> (Value, Value) {
        (self.of(flat, "dry_weight_g"), self.of(flat, "capacity_weight_g"))
    }

    /// The text of the flat's `band-doubtful`, if that is raised.
    fn doubt(&self, flat: usize) -> Option<String> {
        let doubtful = (Kind::BandDoubtful, Subject::Flat(flat));
        self.site.alerts().find(|alert| *alert == doubtful)?;
        let mut alert = Vec::new();
        self.site.write_alert(doubtful.0, doubtful.1, &mut alert);
        serde_json::from_slice::<Value>(&alert).unwrap()["text"].as_str().map(str::to_owned)
    }
}

#[test]
fn a_flat_goes_by_the_band_of_three_others_as_the_trade_reckons() {
    // Dry 7 lb, capacity 11 lb, as the trade has it (common practice, no source): 8 lb is a quarter, 9 lb a half, and a pound of
    // water at 20 °C is 454.407 mL (Tanaka 2001, computed).
    let mut bench = Bench::new(plan());
    for (flat, off) in [(1, 0.0), (2, 60.0), (3, -60.0)] {
        bench.measures(flat, 7.0 * POUND + off, 11.0 * POUND + off);
    }
    for (pounds, fraction, millilitres) in [(8.0, 0.25, 454.4), (9.0, 0.5, 0.0), (10.0, 0.75, 0.0)] {
        bench.types(4, pounds * POUND);
        assert_eq!((bench.of(4, "fraction"), bench.of(4, "to_target_ml")), (json!(fraction), json!(millilitres)));
        assert_eq!(bench.of(4, "band_from"), "fill");
    }
    // Deviations from the median of the dry weights: 0, 60, 60 g; 60 g in standard deviations of a normal distribution is
    // 60 / 0.6745 = 88.96 g. In the middle of the band it counts from both ends: 88.96 × √½ / 1814.4 = 0.0347.
    bench.types(4, 9.0 * POUND);
    let error = bench.of(4, "fraction_error").as_f64().unwrap();
    assert!((error - 0.0347).abs() < 0.0015, "{error}");
}

#[test]
fn a_first_weight_is_held_against_those_of_its_fill_and_says_so() {
    let mut plan = plan();
    plan.fills[0].dry_weight = Some(Grams::new(1600.0));
    plan.fills[0].capacity_weight = Some(Grams::new(2700.0));
    let mut bench = Bench::new(plan);
    bench.wait(60.0);
    let says = |bench: &mut Bench, weight: f64| {
        let weigh = Command::Weigh { weight: Grams::new(weight), at: None, sure: false };
        bench.flat(1, weigh).unwrap_err()
    };
    let light = says(&mut bench, 700.0);
    assert!(light.contains("dry as filled flats of its fill weigh 1.60 kg"), "{light}");
    let heavy = says(&mut bench, 4700.0);
    assert!(heavy.contains("soaked through flats of its fill weigh 2.70 kg"), "{heavy}");
}

#[test]
fn the_files_numbers_go_before_what_was_measured_and_a_known_end_before_the_median() {
    let mut plan = plan();
    plan.flats[4].1.dry_weight = Some(Grams::new(2200.0));
    plan.flats[5].1.capacity_weight = Some(Grams::new(3300.0));
    let measured = |plan: Plan| {
        let mut bench = Bench::new(plan);
        for (flat, dry) in [(1, 2000.0), (2, 2010.0), (3, 1990.0)] {
            bench.measures(flat, dry, dry + 1000.0);
        }
        bench
    };
    let bench = measured(plan.clone());
    assert_eq!(bench.band(6), (json!(2000.0), json!(3000.0)), "the median");
    assert_eq!(bench.band(4), (json!(2200.0), json!(3200.0)), "the width, on top of its own dry weight");
    assert_eq!(bench.band(5), (json!(2300.0), json!(3300.0)), "the width, below its own capacity weight");
    let error = |bench: &mut Bench| {
        bench.types(6, 2500.0);
        bench.of(6, "fraction_error").as_f64().unwrap()
    };
    plan.fills[0].dry_weight = Some(Grams::new(2100.0));
    let mut by_dry = measured(plan.clone());
    assert_eq!(by_dry.band(6), (json!(2100.0), json!(3100.0)), "the file's dry weight, the width of those measured");
    plan.fills[0].capacity_weight = Some(Grams::new(2900.0));
    let mut by_file = measured(plan);
    assert_eq!(by_file.band(6), (json!(2100.0), json!(2900.0)), "both are meant");
    assert!(error(&mut by_file) < error(&mut by_dry) * 1.3, "what is meant has no spread");
}

#[test]
fn each_is_held_against_its_batch_before_its_fill() {
    let mut plan = plan();
    let day = |day| NaiveDate::from_ymd_opt(2026, 4, day);
    for (number, (_, flat)) in plan.flats.iter_mut().enumerate() {
        flat.sown = day(if number < 4 { 1 } else { 8 });
    }
    let mut bench = Bench::new(plan);
    // The second batch was filled with another mix.
    for (flat, dry, width) in [(1, 2000.0, 1000.0), (2, 2010.0, 1020.0), (3, 1990.0, 990.0)] {
        bench.measures(flat, dry, dry + width);
    }
    for (flat, dry, width) in [(4, 2000.0, 700.0), (5, 2010.0, 690.0), (6, 1990.0, 710.0)] {
        bench.measures(flat, dry, dry + width);
    }
    bench.wait(3600.0);
    // Each has two others of its batch, which is too few, so it is held against all five; two of those are like it.
    assert!((1..7).all(|flat| bench.doubt(flat).is_none()), "there are two kinds, none of them odd");
    bench.measures(ON_STAND, 2000.0, 2700.0);
    bench.wait(120.0);
    let text = bench.doubt(ON_STAND).expect("like the second batch, but sown with the first");
    assert!(text.contains("700 g") && text.contains("3 others filled alike hold about 1.00 kg"), "{text}");
    assert!((1..7).all(|flat| bench.doubt(flat).is_none()));
}

#[test]
fn a_dry_weight_out_of_line_is_told_and_told_again_after_a_restart() {
    let mut bench = Bench::new(plan());
    for (flat, dry) in [(1, 2000.0), (2, 2010.0), (3, 1990.0), (4, 2290.0)] {
        bench.measures(flat, dry, dry + 1000.0);
    }
    bench.wait(120.0);
    assert!((1..=4).all(|flat| bench.doubt(flat).is_none()), "14 % heavier may be");
    bench.measures(5, 2500.0, 3500.0);
    bench.wait(120.0);
    let text = bench.doubt(5).expect("a quarter heavier as filled, with the same width");
    for part in ["As filled it weighed 2.50 kg", "4 others", "about 2.00 kg", "undo"] {
        assert!(text.contains(part), "{part:?} in {text}");
    }
    let mut bench = bench.restarted();
    assert_eq!(bench.doubt(5), Some(text));
    assert_eq!(bench.band(6), (json!(2010.0), json!(3010.0)), "and the fill's band is there again");
    bench.flat(5, Command::ForgetBand).unwrap();
    bench.wait(48.0 * 3600.0);
    assert_eq!(bench.doubt(5), None);
}

#[test]
fn a_flat_that_lost_cells_is_no_outlier_and_tells_its_fill_what_it_held_before() {
    let mut bench = Bench::new(plan());
    for (flat, dry) in [(ON_STAND, 2000.0), (1, 2000.0), (2, 2010.0), (3, 1990.0)] {
        bench.measures(flat, dry, dry + 1000.0);
    }
    let before = bench.band(6);
    bench.loses_ten_cells();
    bench.wait(600.0);
    // A quarter of 40 cells: a quarter of what is not the 300 g of tray.
    assert_eq!(bench.band(ON_STAND), (json!(1575.0), json!(2325.0)));
    assert_eq!(bench.doubt(ON_STAND), None, "a quarter narrower, and that is known");
    assert_eq!(bench.band(6), before);
    let mut bench = bench.restarted();
    assert_eq!((bench.band(6), bench.doubt(ON_STAND)), (before.clone(), None));
    bench.flat(ON_STAND, Command::Undo).unwrap();
    assert_eq!((bench.band(ON_STAND), bench.band(6)), ((json!(2000.0), json!(3000.0)), before));
}

#[test]
fn a_flat_that_was_out_of_line_stays_so_when_it_loses_cells() {
    let mut bench = Bench::new(plan());
    for (flat, capacity) in [(1, 3000.0), (2, 3010.0), (3, 2990.0), (ON_STAND, 2700.0)] {
        bench.measures(flat, 2000.0, capacity);
    }
    bench.wait(120.0);
    assert!(bench.doubt(ON_STAND).is_some());
    bench.loses_ten_cells();
    bench.wait(26.0 * 3600.0);
    let text = bench.doubt(ON_STAND).expect("what was wrong with its band still is");
    assert!(text.contains("700 g"), "{text}");
}

#[test]
fn cells_taken_from_a_flat_that_goes_by_its_fill_shrink_its_band() {
    let mut bench = Bench::new(plan());
    for (flat, dry) in [(1, 2000.0), (2, 2010.0), (3, 1990.0)] {
        bench.measures(flat, dry, dry + 1000.0);
    }
    bench.loses_ten_cells();
    assert_eq!(bench.band(ON_STAND), (json!(1575.0), json!(2325.0)));
    // It was never measured itself, so it is none of those that tell of the fill.
    bench.flat(3, Command::ForgetBand).unwrap();
    assert_eq!(bench.band(6), (Value::Null, Value::Null), "two are left");
    let mut bench = bench.restarted();
    assert_eq!(bench.band(ON_STAND), (json!(1575.0), json!(2325.0)), "kept");
    bench.flat(ON_STAND, Command::Undo).unwrap();
    assert_eq!(bench.band(ON_STAND), (Value::Null, Value::Null));
}

#[test]
fn a_band_of_what_a_plug_tray_holds_is_not_doubted_and_that_of_two_trays_is() {
    // Cells and mL from the table of the Ontario Ministry of Agriculture ("Growing Vegetable Transplants in Plug Trays"); all water
    // at 60 to 70 % by volume, in lb (computed).
    for (cells, least, most) in [(50, 4.4, 5.1), (72, 4.1, 4.8), (128, 3.9, 4.5), (200, 2.9, 3.4), (288, 2.7, 3.1)] {
        let fill = FillSettings { cells: Some(cells), tare: Some(Grams::new(300.0)), ..FillSettings::default() };
        let band = |width: f64| Band::new(Grams::new(1500.0), Grams::new(1500.0 + width * POUND)).unwrap();
        assert_eq!((band(least).doubt(Some(&fill)), band(most).doubt(Some(&fill))), (None, None), "{cells} cells");
        let text = band(2.5 * most).doubt(Some(&fill)).expect("more than the tray has room for");
        assert!(text.contains(&format!("{cells} cells")), "{text}");
    }
}
