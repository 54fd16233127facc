//! `tarewell amount`: how much to pour, for someone with a kitchen scale.

use crate::flat::{Limits, SomeLimits};
use crate::units::{Flow, Fraction, Grams, Millilitres, Words, parse_flow, parse_fraction, parse_mass};
use clap::{Args, ValueEnum};
use serde::Serialize;
use std::fmt::Display;
use std::io::Write;

/// What `tarewell amount` is given.
#[derive(Debug, Clone, Args)]
pub struct AmountArgs {
    /// Weight of the flat as filled and sown, before any water, such as "2.9 kg"
    #[arg(long, value_name = "WEIGHT", allow_hyphen_values = true)]
    pub dry: String,
    /// Weight of the flat soaked through and drained, such as "4.5 kg"
    #[arg(long, value_name = "WEIGHT", allow_hyphen_values = true)]
    pub capacity: String,
    /// Weight of the flat now
    #[arg(long, value_name = "WEIGHT", allow_hyphen_values = true)]
    pub now: String,
    /// Below it the flat is dry [default: 30%]
    #[arg(long, value_name = "FRACTION", allow_hyphen_values = true)]
    pub low: Option<String>,
    /// Below it a watering is due [default: 40%]
    #[arg(long, value_name = "FRACTION", allow_hyphen_values = true)]
    pub water_at: Option<String>,
    /// What a watering lifts it to [default: 50%]
    #[arg(long, value_name = "FRACTION", allow_hyphen_values = true)]
    pub target: Option<String>,
    /// Above it nothing should water it [default: 75%]
    #[arg(long, value_name = "FRACTION", allow_hyphen_values = true)]
    pub high: Option<String>,
    /// What reaches the flat while its valve is open, such as "2 L/h"; for a run time
    #[arg(long, value_name = "FLOW", allow_hyphen_values = true)]
    pub flow: Option<String>,
    /// Units of the sentence; JSON is metric always
    #[arg(long, value_enum, default_value_t = UnitsArg::Metric)]
    pub units: UnitsArg,
    /// Print one JSON object instead of a sentence
    #[arg(long)]
    pub json: bool,
}

/// Which units a sentence is in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum UnitsArg {
    /// Grams, kilograms, millilitres, litres
    Metric,
    /// Pounds and ounces, US fluid ounces, US gallons
    Us,
}

/// The answer, as its JSON has it. Masses to 0.1 g, volumes to 0.1 mL, the fraction to 0.001.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Amount {
    /// Share of the band that is left.
    pub fraction: f64,
    /// `dry`, `due`, `moist` or `wet`.
    pub condition: &'static str,
    /// Water above the dry weight; negative below it.
    pub water_g: f64,
    /// What is missing to the target; 0 at or above it.
    pub to_target_g: f64,
    /// The same as a volume of water at 20 °C.
    pub to_target_ml: f64,
    /// The weight at which to stop.
    pub target_weight_g: f64,
    /// Seconds that a valve must be open for it, rounded up; `None` without a flow.
    pub run_time_s: Option<u64>,
}

/// Prints the answer; gives back the exit code: 0, or 2 where something asked is wrong.
#[must_use]
pub fn run(args: &AmountArgs) -> i32 {
    let asked = match Asked::read(args) {
        Ok(asked) => asked,
        Err(problems) => {
            for problem in &problems {
                eprintln!("error: {problem}");
            }
            return 2;
        }
    };
    if let Some(note) = asked.doubt() {
        eprintln!("note: {note}");
    }
    let text = if args.json { asked.json() } else { asked.sentence() };
    i32::from(writeln!(std::io::stdout(), "{text}").is_err())
}

/// The question, read and checked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Asked {
    dry: Grams,
    capacity: Grams,
    now: Grams,
    limits: Limits,
    flow: Option<Flow>,
    words: Words,
}

impl Asked {
    /// Reads the question.
    ///
    /// # Errors
    /// Everything that is wrong with it, a sentence each.
    pub fn read(args: &AmountArgs) -> Result<Self, Vec<String>> {
        let mut problems = Problems::default();
        let dry = problems.weight("--dry", &args.dry);
        let capacity = problems.weight("--capacity", &args.capacity);
        let now = problems.weight("--now", &args.now);
        let flow = args.flow.as_deref().and_then(|text| problems.above_zero("--flow", text, parse_flow, Flow::get));
        let given = SomeLimits {
            low: problems.fraction("--low", args.low.as_deref()),
            water_at: problems.fraction("--water-at", args.water_at.as_deref()),
            target: problems.fraction("--target", args.target.as_deref()),
            high: problems.fraction("--high", args.high.as_deref()),
        };
        let limits = Limits::default().with(&given);
        let words = if args.units == UnitsArg::Us { Words::Us } else { Words::Metric };
        if let (Some(dry), Some(capacity)) = (dry, capacity)
            && capacity <= dry
        {
            let (dry, capacity) = (words.weight(dry), words.weight(capacity));
            problems.add(format!("--capacity {capacity} is not above --dry {dry}: a soaked flat weighs more than a dry one; are the two swapped?"));
        }
        if problems.0.is_empty()
            && let Some(pair) = limits.out_of_order()
        {
            problems.add(out_of_order(&limits, &given, pair));
        }
        match (dry, capacity, now) {
            (Some(dry), Some(capacity), Some(now)) if problems.0.is_empty() => {
                Ok(Self { dry, capacity, now, limits, flow, words })
            }
            _ => Err(problems.0),
        }
    }

    fn band(&self) -> Grams {
        self.capacity - self.dry
    }

    fn weight_at(&self, fraction: Fraction) -> Grams {
        self.dry + self.band() * fraction.get()
    }

    fn fraction(&self) -> Fraction {
        Fraction::new((self.now - self.dry) / self.band()).rounded()
    }

    fn missing(&self) -> Grams {
        (self.weight_at(self.limits.target) - self.now).max(Grams::ZERO)
    }

    fn volume(&self) -> Millilitres {
        self.missing().of_water()
    }

    fn condition(&self) -> &'static str {
        let fraction = self.fraction();
        if fraction < self.limits.low {
            "dry"
        } else if fraction < self.limits.water_at {
            "due"
        } else if fraction <= self.limits.high {
            "moist"
        } else {
            "wet"
        }
    }

    /// Whole seconds, rounded up; a hair of rounding in the division does not make one more.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative; saturates")]
    fn run_time(&self) -> Option<u64> {
        let seconds = self.volume().get() / self.flow?.get();
        Some((seconds - 1e-6).ceil().max(0.0) as u64)
    }

    /// The answer in numbers.
    #[must_use]
    pub fn amount(&self) -> Amount {
        Amount {
            fraction: self.fraction().get() + 0.0,
            condition: self.condition(),
            water_g: tenths((self.now - self.dry).get()),
            to_target_g: tenths(self.missing().get()),
            to_target_ml: tenths(self.volume().get()),
            target_weight_g: tenths(self.weight_at(self.limits.target).get()),
            run_time_s: self.run_time(),
        }
    }

    fn json(&self) -> String {
        serde_json::to_string(&self.amount()).unwrap_or_default()
    }

    /// The answer as a person reads it.
    #[must_use]
    pub fn sentence(&self) -> String {
        let words = self.words;
        let percent = self.fraction().percent();
        let left = match self.condition() {
            "dry" => format!("Dry: {percent:.0} % of its water is left."),
            "due" => format!("Due: {percent:.0} % of its water is left."),
            "moist" => format!("Moist: {percent:.0} % of its water is left."),
            _ => format!("Wet: it holds {percent:.0} % of its water. Do not water it."),
        };
        if self.missing() > Grams::ZERO {
            let run = self.run_time().map_or_else(String::new, |time| format!(" A valve runs {} for it.", clock(time)));
            let stop = words.weight(self.weight_at(self.limits.target));
            let when = if self.condition() == "moist" { "No need yet; to fill it up, pour" } else { "Pour" };
            return format!("{left} {when} {}; stop at {stop}.{run}", words.volume(self.volume()));
        }
        format!(
            "{left} Nothing to pour; water it when it is down to {}.",
            words.weight(self.weight_at(self.limits.water_at))
        )
    }

    /// A weight that these two bounds do not explain; the answer is given all the same.
    #[must_use]
    pub fn doubt(&self) -> Option<String> {
        let words = self.words;
        let now = words.weight(self.now);
        let fraction = self.fraction();
        if fraction < Fraction::new(-0.1) {
            let dry = words.weight(self.dry);
            return Some(format!("{now} is lighter than its dry weight of {dry}; is it the same flat, mix and tray?"));
        }
        (fraction > Fraction::new(1.15)).then(|| {
            let capacity = words.weight(self.capacity);
            format!(
                "{now} is more than its capacity of {capacity}; is water standing in the tray, or is it another flat?"
            )
        })
    }
}

/// Every problem, as it turns up.
#[derive(Default)]
struct Problems(Vec<String>);

impl Problems {
    fn add(&mut self, problem: String) {
        self.0.push(problem);
    }

    fn weight(&mut self, key: &str, text: &str) -> Option<Grams> {
        self.above_zero(key, text, parse_mass, Grams::get)
    }

    fn above_zero<T: Copy, E: Display>(
        &mut self,
        key: &str,
        text: &str,
        parse: impl Fn(&str) -> Result<T, E>,
        number: impl Fn(T) -> f64,
    ) -> Option<T> {
        match parse(text) {
            Ok(value) if number(value) > 0.0 => return Some(value),
            Ok(_) => self.add(format!("{key} `{text}` must be above 0")),
            Err(error) => self.add(format!("{key}: {error}")),
        }
        None
    }

    fn fraction(&mut self, key: &str, text: Option<&str>) -> Option<Fraction> {
        let text = text?;
        match parse_fraction(text) {
            Ok(value) if value < Fraction::ZERO => self.add(format!("{key} `{text}` must be 0 or more")),
            Ok(value) if value > Fraction::new(2.0) => {
                self.add(format!("{key} `{text}` is far beyond capacity; percent are written `{text}%`"));
            }
            Ok(value) => return Some(value),
            Err(error) => self.add(format!("{key}: {error}")),
        }
        None
    }
}

/// What is out of order, and the key that would put it right.
fn out_of_order(limits: &Limits, given: &SomeLimits, (lower, upper): (&str, &str)) -> String {
    let find = |key| match key {
        "low" => (limits.low, given.low.is_some(), "--low"),
        "water_at" => (limits.water_at, given.water_at.is_some(), "--water-at"),
        "target" => (limits.target, given.target.is_some(), "--target"),
        _ => (limits.high, given.high.is_some(), "--high"),
    };
    let ((low, low_given, low_key), (high, high_given, high_key)) = (find(lower), find(upper));
    let said = |value: Fraction, given, key| {
        format!("{key} {:.0}%{}", value.percent(), if given { "" } else { " (the default)" })
    };
    let (low, high) = (said(low, low_given, low_key), said(high, high_given, high_key));
    let fix = match (low_given, high_given) {
        (true, false) => format!("; add {high_key}"),
        (false, true) => format!("; add {low_key}"),
        _ => String::new(),
    };
    format!("limits out of order: {low} should lie below {high} (0 ≤ low < water at < target ≤ high){fix}")
}

/// `42 s`, `12 min 2 s`, `1 h 5 min`.
fn clock(seconds: u64) -> String {
    let (hours, minutes, rest) = (seconds / 3600, seconds / 60 % 60, seconds % 60);
    match (hours, minutes) {
        (0, 0) => format!("{rest} s"),
        (0, _) if rest == 0 => format!("{minutes} min"),
        (0, _) => format!("{minutes} min {rest} s"),
        _ => format!("{hours} h {minutes} min"),
    }
}

fn tenths(value: f64) -> f64 {
    (value * 10.0).round() / 10.0 + 0.0
}
