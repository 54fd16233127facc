//! One message as an HTTP request.

use super::{Letter, header};
use crate::alert::Severity;
use crate::config::{Phone, Secret};

/// A POST, complete.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Request {
    /// Where to.
    pub url: Secret,
    /// Headers but those that HTTP itself needs.
    pub headers: Vec<(String, Secret)>,
    /// The body.
    pub body: String,
}

impl Request {
    /// A letter as a phone wants it.
    ///
    /// Without a template: the text as the body, the title in the header `Title`. With one: `{title}`, `{text}` and
    /// `{severity}` in it each become a JSON string, quotes included; all else stays as it is.
    #[must_use]
    pub fn of_letter(phone: &Phone, letter: &Letter) -> Self {
        let (ours, body) = match &phone.body {
            None => {
                let title = ("Title", header::value(&letter.title));
                (vec![("Content-Type", "text/plain; charset=utf-8".to_owned()), title], letter.text.clone())
            }
            Some(template) => (vec![("Content-Type", "application/json".to_owned())], fill(template, letter)),
        };
        Self { url: phone.url.clone(), headers: headers(phone, ours), body }
    }

    /// The heartbeat: an empty body. `None` if the phone has none.
    #[must_use]
    pub fn heartbeat(phone: &Phone) -> Option<Self> {
        let (url, _) = phone.heartbeat.as_ref()?;
        // The headers are the secrets of another address.
        Some(Self { url: url.clone(), headers: Vec::new(), body: String::new() })
    }
}

fn headers(phone: &Phone, ours: Vec<(&str, String)>) -> Vec<(String, Secret)> {
    let replaced = |name: &str| phone.headers.iter().any(|(theirs, _)| theirs.eq_ignore_ascii_case(name));
    let ours = ours.into_iter().filter(|(name, _)| !replaced(name));
    let ours = ours.map(|(name, value)| (name.to_owned(), Secret::new(value)));
    ours.chain(phone.headers.iter().cloned()).collect()
}

/// Goes through the template once, so that a title with `{text}` in it stays a title.
fn fill(template: &str, letter: &Letter) -> String {
    let json = |text: &str| serde_json::Value::from(text).to_string();
    let values = [
        ("{title}", json(&letter.title)),
        ("{text}", json(&letter.text)),
        ("{severity}", json(Severity::name(letter.severity))),
    ];
    let mut out = String::new();
    let mut rest = template;
    while let Some(at) = rest.find('{') {
        let (before, from) = rest.split_at(at);
        out.push_str(before);
        let known = values.iter().find_map(|(name, value)| Some((value.as_str(), from.strip_prefix(name)?)));
        let (value, after) = known.unwrap_or_else(|| from.split_at(1));
        out.push_str(value);
        rest = after;
    }
    out + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    fn phone(body: Option<&str>, headers: &[(&str, &str)]) -> Phone {
        Phone {
            name: "pocket".into(),
            url: Secret::new("https://push.example.net/s3cret"),
            headers: headers.iter().map(|(name, value)| ((*name).to_owned(), Secret::new(*value))).collect(),
            body: body.map(str::to_owned),
            least: Severity::Notice,
            quiet: None,
            digest: None,
            repeat: None,
            heartbeat: None,
        }
    }

    fn letter() -> Letter {
        Letter {
            title: "Sellerie \"früh\" {text}".into(),
            text: "Pour 400 mL;\nstop at 3.70 kg.".into(),
            severity: Severity::Warning,
        }
    }

    fn header(request: &Request, name: &str) -> Option<String> {
        let found = request.headers.iter().find(|(found, _)| found == name)?;
        Some(found.1.reveal().to_owned())
    }

    #[test]
    fn by_default_the_text_is_the_body_and_the_title_a_header() {
        let request = Request::of_letter(&phone(None, &[("Authorization", "Bearer t0ken")]), &letter());
        assert_eq!(request.body, letter().text);
        assert!(header(&request, "Title").unwrap().starts_with("=?UTF-8?B?"));
        assert_eq!(header(&request, "Authorization").unwrap(), "Bearer t0ken");
        let shown = format!("{request:?}");
        assert!(!shown.contains("t0ken") && !shown.contains("s3cret"), "{shown}");
    }

    #[test]
    fn a_template_gives_json_whatever_the_words_are() {
        let template = r#"{"title":{title},"message":{text},"level":{severity},"x":{"y":[]}}"#;
        let request = Request::of_letter(&phone(Some(template), &[]), &letter());
        let body: serde_json::Value = serde_json::from_str(&request.body).unwrap();
        assert_eq!(body["title"], letter().title);
        assert_eq!(body["message"], letter().text);
        assert_eq!(body["level"], "warning");
        assert_eq!(header(&request, "Content-Type").unwrap(), "application/json");
        assert_eq!(header(&request, "Title"), None);
    }

    #[test]
    fn a_header_of_the_configuration_replaces_ours() {
        let request = Request::of_letter(&phone(None, &[("title", "Bench")]), &letter());
        let titles: Vec<_> = request.headers.iter().filter(|(name, _)| name.eq_ignore_ascii_case("title")).collect();
        assert_eq!(titles, [&("title".to_owned(), Secret::new("Bench"))]);
    }
}
