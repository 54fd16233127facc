//! What was probably meant: the nearest of the known words.

/// The candidate nearest to `word`, unless all of them are too far to be a slip of the hand.
///
/// Case and `_` for `-` count for nothing; otherwise up to a third of the letters may be wrong: of two letters none, for where one of them
/// differs the other is the same by chance.
pub fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word = plain(word);
    let allowed = word.len() / 3;
    candidates
        .into_iter()
        .map(|candidate| (distance(&word, &plain(candidate)), candidate))
        .filter(|(distance, _)| *distance <= allowed)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

/// `; did you mean …?`, or nothing.
pub(super) fn hint<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> String {
    nearest(word, candidates).map_or_else(String::new, |found| format!("; did you mean `{found}`?"))
}

fn plain(word: &str) -> Vec<char> {
    // Nothing that is known is longer; a longer word cannot be near, and must not cost a long table.
    word.chars().take(80).map(|c| if c == '_' { '-' } else { c.to_ascii_lowercase() }).collect()
}

/// Insertions, deletions, substitutions and swaps of neighbours (optimal string alignment).
fn distance(a: &[char], b: &[char]) -> usize {
    let mut before: Vec<usize> = Vec::new();
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.iter().enumerate() {
        let mut row = Vec::with_capacity(b.len() + 1);
        row.push(i + 1);
        for (j, y) in b.iter().enumerate() {
            let mut best = (last[j] + usize::from(x != y)).min(last[j + 1] + 1).min(row[j] + 1);
            if i > 0 && j > 0 && *x == b[j - 1] && a[i - 1] == *y {
                best = best.min(before[j - 1] + 1);
            }
            row.push(best);
        }
        before = std::mem::replace(&mut last, row);
    }
    last[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_slips_and_leaves_strangers() {
        let words = ["record-dry", "record-capacity", "zero", "span"];
        assert_eq!(nearest("record_dry", words), Some("record-dry"));
        assert_eq!(nearest("reocrd-dry", words), Some("record-dry"));
        assert_eq!(nearest("Zeroo", words), Some("zero"));
        assert_eq!(nearest("water", words), None);
        assert_eq!(nearest("", words), None);
        // Found by a new user: `k1` had left the file.
        assert_eq!(nearest("k1", ["a1", "b1", "k"]), None);
        assert_eq!(nearest("A1", ["a1", "b1"]), Some("a1"));
    }
}
