//! Text in HTTP headers: RFC 2047 encoded words, and the base64 they need (RFC 4648).

/// The longest encoded word, RFC 2047 section 2.
const LONGEST: usize = 75;
const BEFORE: &str = "=?UTF-8?B?";
const AFTER: &str = "?=";

/// A text as the value of a header: as it is when that is safe, else as encoded words parted by spaces.
///
/// Control characters become spaces, so no text can begin another header.
pub fn value(text: &str) -> String {
    let text: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let text = text.trim();
    if text.is_ascii() && !text.contains("=?") {
        return text.to_owned();
    }
    let most = (LONGEST - BEFORE.len() - AFTER.len()) / 4 * 3;
    let words: Vec<_> = pieces(text, most).map(|piece| format!("{BEFORE}{}{AFTER}", base64(piece))).collect();
    words.join(" ")
}

/// Cuts a text into pieces of at most so many bytes, between characters.
fn pieces(text: &str, most: usize) -> impl Iterator<Item = &str> {
    let mut rest = text;
    std::iter::from_fn(move || {
        let end = (0..=most.min(rest.len())).rev().find(|end| rest.is_char_boundary(*end)).unwrap_or(0);
        let (piece, after) = rest.split_at(end);
        rest = after;
        (!piece.is_empty()).then_some(piece)
    })
}

const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

fn base64(text: &str) -> String {
    let mut out = String::new();
    for chunk in text.as_bytes().chunks(3) {
        let bits = chunk.iter().fold(0_u32, |bits, byte| bits << 8 | u32::from(*byte)) << (8 * (3 - chunk.len()));
        for place in 0..4 {
            let letter = LETTERS.get((bits >> (18 - 6 * place)) as usize & 63).copied().unwrap_or(b'=');
            out.push(if place <= chunk.len() { char::from(letter) } else { '=' });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_gives_the_vectors_of_rfc_4648_section_10() {
        let vectors = [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ];
        for (text, encoded) in vectors {
            assert_eq!(base64(text), encoded);
        }
    }

    #[test]
    fn only_what_needs_it_is_encoded() {
        assert_eq!(value("Celeriac is dry"), "Celeriac is dry");
        // From memory: the UTF-8 of "ü" is C3 BC.
        assert_eq!(value("ü"), "=?UTF-8?B?w7w=?=");
        assert_eq!(value("=?UTF-8?"), "=?UTF-8?B?PT9VVEYtOD8=?=");
    }

    #[test]
    fn a_long_title_becomes_words_of_at_most_75_characters_that_split_no_character() {
        let title = "Ü🌱".repeat(60);
        let value = value(&title);
        assert!(value.split(' ').count() > 5);
        for word in value.split(' ') {
            assert!(word.len() <= 75 && word.starts_with(BEFORE) && word.ends_with(AFTER), "{word}");
        }
        let longest = pieces(&title, 45).map(str::len).max();
        assert!(longest <= Some(45));
        assert_eq!(pieces(&title, 45).collect::<String>(), title);
    }

    #[test]
    fn no_text_begins_another_header() {
        assert_eq!(value("dry\r\nX-Other: 1\n"), "dry  X-Other: 1");
    }
}
