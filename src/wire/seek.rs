//! Walks a JSON text to one place and takes what is there, without building the rest.
//!
//! The text is read by `serde_json`, so both agree on what JSON is; what lies beside the path is skipped (there, a
//! number too large to hold or half a surrogate pair goes unnoticed). Of a repeated key the last counts, as in
//! `serde_json::Value`.

use super::wiring::Pointer;
use serde::de::{DeserializeSeed, Deserializer, Error, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::Value;
use std::fmt;

/// What is made of the thing at the place.
pub(super) trait Take: Copy {
    /// What comes of it.
    type Out;
    /// A number.
    fn number(self, value: f64) -> Self::Out;
    /// A string.
    fn text(self, text: &str) -> Self::Out;
    /// `null`.
    fn null(self) -> Self::Out;
    /// `true`, `false`, `an object` or `a list`.
    fn other(self, what: &str) -> Self::Out;
}

/// Whether the pointer leads somewhere.
pub(super) enum Found<T> {
    /// It does.
    Here(T),
    /// It does not.
    Nowhere,
}

/// Takes what `pointer` leads to in `text`.
pub(super) fn seek<T: Take>(text: &str, pointer: &Pointer, take: T) -> Result<Found<T::Out>, serde_json::Error> {
    let mut json = serde_json::Deserializer::from_str(text);
    let found = Seek { path: &pointer.0, take }.deserialize(&mut json)?;
    json.end()?;
    Ok(found)
}

/// One token further down in a document that has been read whole.
pub(super) fn step(value: &mut Value, token: &str) -> Option<Value> {
    match value {
        Value::Object(map) => map.get_mut(token).map(Value::take),
        Value::Array(items) => items.get_mut(index(token)?).map(Value::take),
        _ => None,
    }
}

/// An array index as RFC 6901 section 4 has it: digits, no leading zero.
fn index(token: &str) -> Option<usize> {
    let digits = token.bytes().all(|byte| byte.is_ascii_digit());
    if !digits || (token.len() > 1 && token.starts_with('0')) { None } else { token.parse().ok() }
}

#[derive(Clone, Copy)]
struct Seek<'p, T> {
    path: &'p [String],
    take: T,
}

impl<'de, T: Take> DeserializeSeed<'de> for Seek<'_, T> {
    type Value = Found<T::Out>;

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<Self::Value, D::Error> {
        json.deserialize_any(self)
    }
}

impl<T: Take> Seek<'_, T> {
    /// A scalar: what is sought if the path ends here.
    fn scalar(self, take: impl FnOnce(T) -> T::Out) -> Found<T::Out> {
        if self.path.is_empty() { Found::Here(take(self.take)) } else { Found::Nowhere }
    }
}

#[expect(clippy::cast_precision_loss, reason = "a count beyond 2^53 is no weight that matters to the last digit")]
impl<'de, T: Take> Visitor<'de> for Seek<'_, T> {
    type Value = Found<T::Out>;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("JSON")
    }

    fn visit_bool<E: Error>(self, value: bool) -> Result<Self::Value, E> {
        Ok(self.scalar(|take| take.other(if value { "true" } else { "false" })))
    }

    fn visit_i64<E: Error>(self, value: i64) -> Result<Self::Value, E> {
        Ok(self.scalar(|take| take.number(value as f64)))
    }

    fn visit_u64<E: Error>(self, value: u64) -> Result<Self::Value, E> {
        Ok(self.scalar(|take| take.number(value as f64)))
    }

    fn visit_f64<E: Error>(self, value: f64) -> Result<Self::Value, E> {
        Ok(self.scalar(|take| take.number(value)))
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Self::Value, E> {
        Ok(self.scalar(|take| take.text(text)))
    }

    fn visit_unit<E: Error>(self) -> Result<Self::Value, E> {
        Ok(self.scalar(Take::null))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
        let Some((token, path)) = self.path.split_first() else {
            while map.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
            return Ok(Found::Here(self.take.other("an object")));
        };
        let mut found = Found::Nowhere;
        while let Some(is_it) = map.next_key_seed(Is(token))? {
            if is_it {
                found = map.next_value_seed(Seek { path, take: self.take })?;
            } else {
                map.next_value::<IgnoredAny>()?;
            }
        }
        Ok(found)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Self::Value, A::Error> {
        let Some((token, path)) = self.path.split_first() else {
            while items.next_element::<IgnoredAny>()?.is_some() {}
            return Ok(Found::Here(self.take.other("a list")));
        };
        let mut found = Found::Nowhere;
        if let Some(wanted) = index(token) {
            for _ in 0..wanted {
                if items.next_element::<IgnoredAny>()?.is_none() {
                    return Ok(Found::Nowhere);
                }
            }
            found = items.next_element_seed(Seek { path, take: self.take })?.unwrap_or(Found::Nowhere);
        }
        while items.next_element::<IgnoredAny>()?.is_some() {}
        Ok(found)
    }
}

/// Whether a key is the one that is sought.
struct Is<'p>(&'p str);

impl<'de> DeserializeSeed<'de> for Is<'_> {
    type Value = bool;

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<bool, D::Error> {
        json.deserialize_str(self)
    }
}

impl Visitor<'_> for Is<'_> {
    type Value = bool;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("a key")
    }

    fn visit_str<E: Error>(self, key: &str) -> Result<bool, E> {
        Ok(key == self.0)
    }
}
