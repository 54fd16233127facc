//! What all readers share: where problems and notes are gathered, and which lines must not be printed.

use super::problem::{Place, Problem, Problems, nearest};
use super::source_lines;
use super::tree::{Content, Node};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// What the configuration reads besides its own text; the caller does the reading.
pub struct Surroundings<'a> {
    /// A variable of the environment, for `${VAR}`.
    pub environment: &'a dyn Fn(&str) -> Option<String>,
    /// The text of a file such as `password_file`, as written; relative ones are the caller's to place. Its error
    /// is printed.
    pub read_file: &'a dyn Fn(&Path) -> Result<String, String>,
    /// The machine's time zone by its IANA name, if it is known.
    pub machine_zone: Option<String>,
}

/// Gathers what is wrong, and what is worth knowing.
pub(super) struct Reader<'a> {
    pub around: &'a Surroundings<'a>,
    problems: RefCell<Vec<Problem>>,
    notes: RefCell<Vec<String>>,
    /// Keys of parts not yet built: what is told of them, and the lines they stand on.
    later: RefCell<BTreeMap<(&'static str, &'static str), BTreeSet<usize>>>,
    /// Stretches of lines that hold secrets.
    secret: RefCell<Vec<Place>>,
}

impl<'a> Reader<'a> {
    pub fn new(around: &'a Surroundings<'a>) -> Self {
        Self {
            around,
            problems: RefCell::default(),
            notes: RefCell::default(),
            later: RefCell::default(),
            secret: RefCell::default(),
        }
    }

    pub fn tell(&self, place: Place, text: &str, wrong: String, would: String, hint: Option<String>) {
        let Place { line, column, width } = place;
        let text = text.to_owned();
        let problem = Problem { line, column, text, wrong, would, hint, width, source: None };
        self.problems.borrow_mut().push(problem);
    }

    /// Whether so much is wrong that searching for what was meant would take longer than it helps.
    pub fn told_much(&self) -> bool {
        self.problems.borrow().len() > 200
    }

    /// The id that was probably meant.
    pub fn nearest_id<'i>(&self, text: &str, ids: &[&'i str]) -> Option<&'i str> {
        if self.told_much() { None } else { nearest(text, ids.iter().copied()) }
    }

    pub fn whole_file(&self, wrong: &str, would: &str, hint: &str) {
        self.tell(Place::default(), "", wrong.to_owned(), would.to_owned(), Some(hint.to_owned()));
    }

    pub fn note(&self, note: String) {
        let mut notes = self.notes.borrow_mut();
        if !notes.contains(&note) {
            notes.push(note);
        }
    }

    pub fn later(&self, key: &'static str, told: &'static str, line: usize) {
        self.later.borrow_mut().entry((key, told)).or_default().insert(line);
    }

    /// Keeps every text in `node` out of what is printed.
    pub fn hide(&self, node: &Node) {
        match &node.content {
            // What is broken may have been broken by one unknown variable in the midst of a secret.
            Content::Text(_) | Content::Broken => self.secret.borrow_mut().push(node.place),
            Content::List(items) => items.iter().for_each(|item| self.hide(item)),
            Content::Map(entries) => entries.iter().for_each(|entry| self.hide(&entry.value)),
            Content::Nothing => {}
        }
    }

    /// For a line that could not be read, and so may hold anything.
    pub fn hide_line_with_secret(&self, number: usize, line: &str) {
        if may_hold_secret(line) {
            self.secret.borrow_mut().push(Place { line: number, column: 1, width: line.chars().count() });
        }
    }

    /// All problems, with their lines of `text`, secrets blotted out; `None` when there are none.
    pub fn problems(&self, file: &str, text: &str) -> Option<Problems> {
        let mut list = self.problems.take();
        if list.is_empty() {
            return None;
        }
        list.sort_by_key(|problem| (problem.line, problem.column));
        list.dedup();
        let lines = self.needed_lines(&list, text);
        for problem in &mut list {
            if self.secret.borrow().iter().any(|place| (place.line, place.column) == (problem.line, problem.column)) {
                "***".clone_into(&mut problem.text);
            }
            problem.source = lines.get(&problem.line).cloned();
            let room =
                problem.source.as_ref().map_or(1, |line| line.chars().count().saturating_sub(problem.column - 1));
            problem.width = problem.width.clamp(1, room.max(1));
        }
        Some(Problems { file: file.to_owned(), list })
    }

    fn needed_lines(&self, list: &[Problem], text: &str) -> BTreeMap<usize, String> {
        let wanted: BTreeSet<usize> = list.iter().map(|problem| problem.line).collect();
        let lines = source_lines(text).enumerate().map(|(index, line)| (index + 1, line));
        let mut lines: BTreeMap<usize, String> =
            lines.filter(|(number, _)| wanted.contains(number)).map(|(n, line)| (n, line.to_owned())).collect();
        for place in self.secret.borrow().iter() {
            if let Some(line) = lines.get_mut(&place.line) {
                *line = blotted(line, place);
            }
        }
        lines
    }

    /// Notes, the plain ones before those of parts not yet built.
    pub fn notes(&self) -> Vec<String> {
        let mut notes = self.notes.take();
        for ((key, told), lines) in self.later.take() {
            let lines: Vec<String> = lines.iter().map(usize::to_string).collect();
            let shown = lines.get(..lines.len().min(5)).unwrap_or_default().join(", ");
            let more = if lines.len() > 5 { format!(" and {} more", lines.len() - 5) } else { String::new() };
            let word = if lines.len() == 1 { "line" } else { "lines" };
            notes.push(format!("`{key}` ({word} {shown}{more}): {told}"));
        }
        notes
    }
}

/// Whether a line that could not be read may hold something secret.
pub(super) fn may_hold_secret(line: &str) -> bool {
    let line = line.to_ascii_lowercase();
    ["pass", "token", "authorization", "secret", "bearer", "users"].iter().any(|word| line.contains(word))
}

/// The line with stars where the secret stands; the length stays, so that carets stay right.
fn blotted(line: &str, place: &Place) -> String {
    let (from, to) = (place.column - 1, place.column - 1 + place.width);
    line.chars().enumerate().map(|(at, c)| if (from..to).contains(&at) { '*' } else { c }).collect()
}
