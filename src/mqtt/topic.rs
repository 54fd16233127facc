//! What a topic may look like (MQTT 5.0, sections 1.5.4, 4.7.1 and 4.7.3).

/// The longest topic or filter, in bytes of UTF-8.
const LONGEST: usize = 65_535;

/// Whether this can be published to: not empty, no wildcard, no NUL, at most 65,535 bytes.
#[must_use]
pub fn is_topic(text: &str) -> bool {
    is_name(text) && !text.contains(['+', '#'])
}

/// Whether this can be subscribed to: `+` fills a level alone, `#` fills the last level alone.
#[must_use]
pub fn is_filter(text: &str) -> bool {
    let mut levels = text.split('/').peekable();
    is_name(text)
        && std::iter::from_fn(|| levels.next().map(|level| (level, levels.peek().is_none()))).all(|(level, last)| {
            match level {
                "+" => true,
                "#" => last,
                _ => !level.contains(['+', '#']),
            }
        })
}

fn is_name(text: &str) -> bool {
    (1..=LONGEST).contains(&text.len()) && !text.contains('\0')
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The examples of MQTT 5.0, sections 4.7.1.2, 4.7.1.3 and 4.7.3.
    #[test]
    fn the_examples_of_the_standard() {
        for good in ["sport/tennis/player1", "/finance", "/", "Accounts payable", "$SYS/monitor/Clients", "ü/x"] {
            assert!(is_topic(good) && is_filter(good), "{good}");
        }
        for filter in ["sport/tennis/player1/#", "#", "+", "+/tennis/#", "sport/+/player1", "/+", "+/+"] {
            assert!(is_filter(filter) && !is_topic(filter), "{filter}");
        }
        for bad in ["", "sport/tennis#", "sport/tennis/#/ranking", "sport+", "a\0b"] {
            assert!(!is_filter(bad) && !is_topic(bad), "{bad}");
        }
    }

    #[test]
    fn the_longest_has_65535_bytes() {
        assert!(is_topic(&"x".repeat(65_535)));
        assert!(!is_topic(&"x".repeat(65_536)));
        assert!(!is_filter(&"ü".repeat(32_768)));
    }
}
