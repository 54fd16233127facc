//! A stand with its scene, and all it has said; and a command.
#![allow(dead_code, reason = "each test uses a part of it")]

use tarewell::moment::{Moment, Span, Wall};
use tarewell::site::{Command, Input, Order, Subject};
use tarewell::stand::{FlatScene, Handling, Heard, Part, Said, Scene, Stand, StandSettings};

const START: i64 = 1_772_000_000_000;

pub fn at(seconds: f64) -> Moment {
    Moment::recorded(Wall::from_millis(START) + Span::from_seconds(seconds))
}

/// A command as it arrives, with nothing but itself.
pub fn order(to: Subject, command: Command) -> Input {
    Input::Order(Order {
        to,
        word: "test".to_owned(),
        command: Ok(command),
        id: None,
        time: None,
        retained: false,
        ticket: None,
    })
}

/// A stand with its scene, and all it has said.
pub struct Bench {
    pub stand: Stand,
    pub scene: Scene,
    pub said: Vec<(f64, Said)>,
}

impl Bench {
    pub fn new(settings: StandSettings, flat: Option<FlatScene>) -> Self {
        Self { stand: Stand::new(settings), scene: Scene { flat, ..Scene::default() }, said: Vec::new() }
    }

    pub fn plain() -> Self {
        Self::new(StandSettings::default(), Some(FlatScene::default()))
    }

    pub fn read(&mut self, seconds: f64, value: f64) -> Heard {
        self.hear(seconds, Part::Whole, value)
    }

    pub fn hear(&mut self, seconds: f64, part: Part, value: f64) -> Heard {
        let mut said = Vec::new();
        while self.stand.next_wake().is_some_and(|wake| wake <= at(seconds).mono) {
            self.stand.tick(at(seconds), &self.scene, &mut said);
        }
        let heard = self.stand.reading(part, Ok(value), false, at(seconds), &self.scene, &mut said);
        self.said.extend(said.into_iter().map(|said| (seconds, said)));
        heard
    }

    pub fn handled(&self) -> Vec<(f64, Handling)> {
        self.said
            .iter()
            .filter_map(|(seconds, said)| match said {
                Said::Handled(handling) => Some((*seconds, *handling)),
                _ => None,
            })
            .collect()
    }
}
