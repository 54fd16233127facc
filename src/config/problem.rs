//! What is wrong with a file, told so that it can be mended: place, text, consequence, and what was probably meant.

use std::fmt;

/// A place in the file, in characters from 1; `width` is how much of the line to point at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub(super) struct Place {
    pub line: usize,
    pub column: usize,
    pub width: usize,
}

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Line of the file, from 1; 0 when it is the file as a whole.
    pub line: usize,
    /// Column in characters, from 1; 0 when it is the file as a whole.
    pub column: usize,
    /// The offending text as it stands in the file; `***` for a secret.
    pub text: String,
    /// What is wrong.
    pub wrong: String,
    /// What it would do.
    pub would: String,
    /// What was probably meant.
    pub hint: Option<String>,
    pub(super) width: usize,
    pub(super) source: Option<String>,
}

/// Everything that is wrong with one file, in the file's order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problems {
    /// The file's name as it is to be printed.
    pub file: String,
    /// What is wrong; never empty.
    pub list: Vec<Problem>,
}

impl fmt::Display for Problem {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{}; {}.", self.wrong, self.would)?;
        if let Some(hint) = &self.hint {
            write!(out, " {hint}")?;
        }
        let Some(source) = &self.source else { return Ok(()) };
        let number = self.line.to_string();
        let margin = " ".repeat(number.len());
        let (shown, offset) = window(source, self.column);
        let carets = "^".repeat(self.width.clamp(1, 80));
        write!(out, "\n  {number} | {shown}\n  {margin} | {}{carets}", " ".repeat(offset))
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, problem) in self.list.iter().enumerate() {
            if index > 0 {
                writeln!(out)?;
            }
            if problem.line == 0 {
                write!(out, "{}: {problem}", self.file)?;
            } else {
                write!(out, "{}:{}:{}: {problem}", self.file, problem.line, problem.column)?;
            }
        }
        Ok(())
    }
}

impl std::error::Error for Problems {}

/// The part of a line that is worth printing, and how far in the caret stands; control characters become spaces.
fn window(source: &str, column: usize) -> (String, usize) {
    const WIDE: usize = 140;
    let offset = column.saturating_sub(1);
    let skip = if offset > WIDE * 3 / 4 { offset - WIDE / 2 } else { 0 };
    let shown = source.chars().skip(skip).take(WIDE).map(|c| if c.is_control() { ' ' } else { c });
    (shown.collect(), offset - skip)
}

/// The candidate that `text` was probably meant to be: nearest by edits, else one that it abbreviates.
pub(super) fn nearest<'a>(text: &str, candidates: impl Iterator<Item = &'a str> + Clone) -> Option<&'a str> {
    // Nobody mistypes a word of more than this length; the search stays cheap whatever is in the file.
    if text.is_empty() || text.len() > 64 {
        return None;
    }
    let plain = plain(text);
    let close = candidates.clone().map(|candidate| (edits(&plain, &self::plain(candidate)), candidate));
    // A third of the letters may be wrong, but never all of them.
    let near = |distance: usize, candidate: &str| {
        let longer = candidate.chars().count().max(text.chars().count());
        distance <= (longer / 3).clamp(1, 3) && distance < longer
    };
    let by_edits = close.filter(|&(distance, candidate)| near(distance, candidate)).min_by_key(|&(d, _)| d);
    by_edits.map(|(_, candidate)| candidate).or_else(|| {
        let mut abbreviated = candidates.filter(|c| plain.len() >= 3 && self::plain(c).contains(&plain));
        abbreviated.next()
    })
}

fn plain(text: &str) -> String {
    text.chars().filter(|c| !matches!(c, '_' | '-' | ' ')).flat_map(char::to_lowercase).collect()
}

/// Edits (insert, drop, change, swap neighbours) from one text to the other: optimal string alignment distance.
fn edits(from: &str, to: &str) -> usize {
    let from: Vec<char> = from.chars().collect();
    let to: Vec<char> = to.chars().collect();
    let at = |list: &[char], index: usize| list.get(index).copied();
    let mut before: Vec<usize> = Vec::new();
    let mut above: Vec<usize> = (0..=to.len()).collect();
    for (i, &a) in from.iter().enumerate() {
        let mut row = Vec::with_capacity(to.len() + 1);
        row.push(i + 1);
        for (j, &b) in to.iter().enumerate() {
            let cell = |list: &[usize], index: usize| list.get(index).copied().unwrap_or(usize::MAX / 2);
            let mut best = (cell(&above, j) + usize::from(a != b)).min(cell(&above, j + 1) + 1).min(cell(&row, j) + 1);
            let swapped = i > 0 && j > 0 && at(&from, i - 1) == Some(b) && at(&to, j - 1) == Some(a);
            if swapped {
                best = best.min(cell(&before, j - 1) + 1);
            }
            row.push(best);
        }
        before = std::mem::replace(&mut above, row);
    }
    above.last().copied().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn swapped_letters_count_once() {
        // The usual example of the distance, from memory: CA to ABC is 3 where a substring is edited only once.
        assert_eq!(edits("ca", "abc"), 3);
        assert_eq!(edits("wieght", "weight"), 1);
        assert_eq!(edits("", "abc"), 3);
    }

    #[test]
    fn the_nearest_word_is_found_and_a_far_one_is_not() {
        let keys = ["dry_weight", "capacity_weight", "dome_weight", "label"];
        let near = |text| nearest(text, keys.iter().copied());
        assert_eq!(near("dry-wieght"), Some("dry_weight"));
        assert_eq!(near("capacity"), Some("capacity_weight"));
        assert_eq!(near("Lable"), Some("label"));
        assert_eq!(near("voltage"), None);
    }
}
