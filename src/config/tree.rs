//! YAML text → a tree that remembers where everything stood, with every scalar as the text in the file.
//!
//! The typed readers of the YAML crate stop at the first error and turn `off` and `07:00` into other things, so the
//! tree is built from its event parser. What is wrong but still has a shape (a key twice, a tag, an alias to
//! nothing) is told and read past; what has no shape ends the reading.

use super::problem::{Place, nearest};
use super::reader::Reader;
use super::values::comma_meant;
use serde_yaml::granit_parser::{self as yaml, ErrorKind, Event, Parser, ScalarStyle, StrInput};
use std::collections::{BTreeMap, HashMap};

/// Nodes after all aliases are written out; a file of a thousand flats has some ten thousand.
const MOST_NODES: usize = 200_000;
/// How deep lists and maps may lie in each other, aliases written out; the deepest of ours is six.
const DEEPEST: usize = 32;

/// A scalar: as in the file (unescaped), and with `${VAR}` replaced.
#[derive(Debug, Clone, Default)]
pub(super) struct Scalar {
    pub raw: String,
    pub text: String,
}

impl Scalar {
    /// Whether some of it came from the environment, and so must not be printed.
    pub fn hidden(&self) -> bool {
        self.raw != self.text
    }
}

/// One key with its value.
#[derive(Debug, Clone)]
pub(super) struct Entry {
    pub key: String,
    pub key_place: Place,
    pub value: Node,
}

/// What a node is.
#[derive(Debug, Clone)]
pub(super) enum Content {
    /// Nothing is written there.
    Nothing,
    Text(Scalar),
    List(Vec<Node>),
    Map(Vec<Entry>),
    /// Already told; not to be told of again.
    Broken,
}

/// A node and where it stands.
#[derive(Debug, Clone)]
pub(super) struct Node {
    pub place: Place,
    pub content: Content,
}

impl Node {
    fn broken(place: Place) -> Self {
        Self { place, content: Content::Broken }
    }

    fn children(&self) -> Box<dyn Iterator<Item = &Node> + '_> {
        match &self.content {
            Content::List(items) => Box::new(items.iter()),
            Content::Map(entries) => Box::new(entries.iter().map(|entry| &entry.value)),
            _ => Box::new(std::iter::empty()),
        }
    }

    fn size(&self) -> usize {
        1 + self.children().map(Node::size).sum::<usize>()
    }

    fn depth(&self) -> usize {
        1 + self.children().map(Node::depth).max().unwrap_or(0)
    }
}

/// The one document of `text`; `None` when there is none to go on with. What is wrong is told to `reader`.
pub(super) fn parse(text: &str, reader: &Reader<'_>) -> Option<Node> {
    let mut options = yaml::options! {
        emit_unresolved_aliases: true, emit_anchor_events: true, flow_nesting_limit: DEEPEST, block_nesting_limit: DEEPEST,
    };
    options.set_emit_comments(false);
    let parser = Parser::new_from_str_with_options(text, options);
    let mut builder = Builder { parser, reader, text, anchors: HashMap::new(), names: BTreeMap::new(), nodes: 0 };
    builder.document()
}

struct Builder<'a, 'r> {
    parser: Parser<'a, StrInput<'a>>,
    reader: &'r Reader<'r>,
    text: &'a str,
    anchors: HashMap<usize, Node>,
    names: BTreeMap<String, usize>,
    nodes: usize,
}

/// Reading cannot go on; the reason is told.
struct Stop;

impl<'a> Builder<'a, '_> {
    fn document(&mut self) -> Option<Node> {
        loop {
            match self.next().ok()? {
                (Event::StreamStart | Event::DocumentStart(..), _) => {}
                (Event::StreamEnd, _) => return self.empty(),
                (event, span) => {
                    let node = self.node(event, &span, 0).ok()?;
                    self.nothing_more().ok()?;
                    return if matches!(node.content, Content::Nothing) { self.empty() } else { Some(node) };
                }
            }
        }
    }

    fn empty(&self) -> Option<Node> {
        self.reader.whole_file(
            "the file is empty",
            "there would be nothing to watch",
            "Begin with `stands:` and `flats:`; the example that comes with tarewell shows how.",
        );
        None
    }

    fn nothing_more(&mut self) -> Result<(), Stop> {
        loop {
            match self.next()? {
                (Event::DocumentEnd, _) => {}
                (Event::DocumentStart(..), span) => {
                    let place = place(&span);
                    self.reader.tell(
                        place,
                        "---",
                        "a second document begins here".to_owned(),
                        "all that follows would be ignored".to_owned(),
                        Some("Keep everything in one document: remove this line.".to_owned()),
                    );
                    return Ok(());
                }
                _ => return Ok(()),
            }
        }
    }

    fn next(&mut self) -> Result<(Event<'a>, yaml::Span), Stop> {
        match self.parser.next_event() {
            Some(Ok(found)) => Ok(found),
            Some(Err(error)) => {
                self.syntax(&error);
                Err(Stop)
            }
            None => Err(Stop),
        }
    }

    fn syntax(&self, error: &yaml::ScanError) {
        let marker = error.marker();
        let number = marker.line().max(1);
        let line = super::source_lines(self.text).nth(number - 1).unwrap_or("");
        // The parser has gone past a tab when it complains of one.
        let tab = line.chars().take(marker.col() + 1).position(|c| c == '\t');
        let column = tab.filter(|_| is_of_tab(error.kind())).unwrap_or(marker.col()) + 1;
        let place = Place { line: number, column, width: 1 };
        let hint = syntax_hint(error.kind(), line);
        let text: String = line.chars().skip(place.column - 1).take(20).collect();
        self.reader.hide_line_with_secret(place.line, line);
        let shown = if super::reader::may_hold_secret(line) { "***" } else { text.as_str() };
        let wrong = format!("this is not YAML: {}", error.kind());
        self.reader.tell(place, shown, wrong, "nothing after this place could be read".to_owned(), Some(hint));
    }

    fn node(&mut self, event: Event<'a>, span: &yaml::Span, depth: usize) -> Result<Node, Stop> {
        let mut place = place(span);
        self.count(1, place)?;
        let refused = self.refuse_tag(&event, span);
        let anchor = event.anchor_id();
        let content = match event {
            Event::Scalar(text, style, ..) => {
                self.name_anchor(anchor)?;
                scalar(&text, style, span)
            }
            Event::SequenceStart(..) => {
                self.name_anchor(anchor)?;
                self.list(depth)?
            }
            Event::MappingStart(..) => {
                self.name_anchor(anchor)?;
                self.map(depth)?
            }
            Event::Alias(id) => return self.alias(id, place, depth),
            Event::UnresolvedAlias(name) => return Ok(self.unknown_alias(&name, place)),
            _ => Content::Broken,
        };
        if matches!(content, Content::List(_) | Content::Map(_)) {
            place.width = 1;
        }
        let node = Node { place, content: if refused { Content::Broken } else { content } };
        if let Some(id) = anchor {
            // The copy counts too: anchors within anchors are copied many times over.
            self.count(node.size(), place)?;
            self.anchors.insert(id, node.clone());
        }
        Ok(node)
    }

    fn name_anchor(&mut self, anchor: Option<usize>) -> Result<(), Stop> {
        if anchor.is_some()
            && let (Event::Anchor(id, name), _) = self.next()?
        {
            self.names.insert(name.into_owned(), id);
        }
        Ok(())
    }

    fn list(&mut self, depth: usize) -> Result<Content, Stop> {
        let mut items = Vec::new();
        loop {
            match self.next()? {
                (Event::SequenceEnd, _) => return Ok(Content::List(items)),
                (event, span) => items.push(self.node(event, &span, depth + 1)?),
            }
        }
    }

    fn map(&mut self, depth: usize) -> Result<Content, Stop> {
        let mut entries: Vec<Entry> = Vec::new();
        let mut seen: HashMap<String, usize> = HashMap::new();
        let mut merged = Vec::new();
        loop {
            let (event, span) = self.next()?;
            if matches!(event, Event::MappingEnd) {
                break;
            }
            let key = self.node(event, &span, depth + 1)?;
            let (event, span) = self.next()?;
            let value = self.node(event, &span, depth + 1)?;
            let Content::Text(scalar) = &key.content else {
                self.refuse_key(&key);
                continue;
            };
            if let Some(last) = entries.last_mut().filter(|last| cut_by_comma(last, &key, &value)) {
                self.refuse_comma(last, &scalar.text);
                continue;
            }
            if scalar.text == "<<" {
                merged.push(value);
            } else if let Some(first) = seen.get(&scalar.text) {
                self.refuse_repeated(&key, &scalar.text, *first);
            } else {
                seen.insert(scalar.text.clone(), key.place.line);
                entries.push(Entry { key: scalar.text.clone(), key_place: key.place, value });
            }
        }
        self.merge(&mut entries, &mut seen, merged);
        Ok(Content::Map(entries))
    }

    /// `<<: *other`, as YAML 1.1 has it: what is not written here comes from there.
    fn merge(&self, entries: &mut Vec<Entry>, seen: &mut HashMap<String, usize>, merged: Vec<Node>) {
        for value in merged {
            let place = value.place;
            match value.content {
                Content::Map(more) => {
                    for entry in more {
                        if !seen.contains_key(&entry.key) {
                            seen.insert(entry.key.clone(), entry.key_place.line);
                            entries.push(entry);
                        }
                    }
                }
                Content::List(items) => self.merge(entries, seen, items),
                Content::Broken => {}
                Content::Text(_) | Content::Nothing => self.reader.tell(
                    place,
                    "<<",
                    "`<<` needs an alias of a map, such as `<<: *name`".to_owned(),
                    "nothing would be taken over".to_owned(),
                    None,
                ),
            }
        }
    }

    fn refuse_key(&self, key: &Node) {
        if !matches!(key.content, Content::Broken) {
            self.reader.tell(
                key.place,
                "",
                "a key must be one word".to_owned(),
                "it and its value would be ignored".to_owned(),
                Some("Quote text that has braces or brackets in it.".to_owned()),
            );
        }
    }

    fn refuse_comma(&self, last: &mut Entry, rest: &str) {
        let head = super::section::shown(&last.value).to_owned();
        self.reader.tell(
            last.value.place,
            &format!("{head},{rest}"),
            format!("inside {{ }} a comma parts one key from the next, so `{head},{rest}` is cut in two"),
            "the number would lose its end and its unit".to_owned(),
            Some(comma_meant(&format!("{head}.{rest}"))),
        );
        last.value.content = Content::Broken;
    }

    fn refuse_repeated(&self, key: &Node, text: &str, first: usize) {
        self.reader.tell(
            key.place,
            text,
            format!("`{text}` is written twice in one place, first on line {first}"),
            "one of the two would win without a word".to_owned(),
            Some("Remove one of them, or give it a name of its own.".to_owned()),
        );
    }

    fn alias(&mut self, id: usize, place: Place, depth: usize) -> Result<Node, Stop> {
        let Some(target) = self.anchors.get(&id).cloned() else {
            self.reader.tell(
                place,
                "*",
                "this alias lies inside what it stands for".to_owned(),
                "it would never end".to_owned(),
                None,
            );
            return Ok(Node::broken(place));
        };
        if depth + target.depth() > DEEPEST {
            self.too_big(place);
            return Err(Stop);
        }
        self.count(target.size(), place)?;
        // A value is pointed at where it is used; what lies inside of it, where it is written.
        Ok(Node { place, content: target.content })
    }

    fn unknown_alias(&self, name: &str, place: Place) -> Node {
        let names = self.names.keys().map(String::as_str);
        let near = if self.reader.told_much() { None } else { nearest(name, names) };
        self.reader.tell(
            place,
            &format!("*{name}"),
            format!("there is no anchor `&{name}` before this alias"),
            "it would stand for nothing".to_owned(),
            near.map(|near| format!("Did you mean `*{near}`?"))
                .or_else(|| Some("If the text shall begin with a star, quote it.".to_owned())),
        );
        Node::broken(place)
    }

    /// Tells of a tag that means anything but text, list or map; true when there is one.
    fn refuse_tag(&self, event: &Event<'_>, span: &yaml::Span) -> bool {
        let Some(tag) = event.tag() else { return false };
        if ["str", "map", "seq"].iter().any(|suffix| tag.is_yaml_core_schema_tag(suffix)) {
            return false;
        }
        let mut place = place(span);
        if let Some(start) = span.tag_start() {
            place = Place { line: start.line(), column: start.col() + 1, width: tag.original().chars().count() };
        }
        let hint = "For a secret write ${NAME} and set NAME in the environment, or use `password_file`.";
        self.reader.tell(
            place,
            &tag.original(),
            format!("`{}` is a tag, and no tag is known here", tag.original()),
            "the text behind it would be taken as it stands".to_owned(),
            Some(hint.to_owned()),
        );
        true
    }

    fn count(&mut self, nodes: usize, place: Place) -> Result<(), Stop> {
        self.nodes = self.nodes.saturating_add(nodes);
        if self.nodes > MOST_NODES {
            self.too_big(place);
            return Err(Stop);
        }
        Ok(())
    }

    fn too_big(&self, place: Place) {
        self.reader.tell(
            place,
            "",
            format!("with its aliases written out the file has more than {MOST_NODES} values, or lies too deep"),
            "it would fill the memory".to_owned(),
            Some("Look for aliases of lists of aliases.".to_owned()),
        );
    }
}

/// Whether a key with nothing behind it is the rest of a number before it: `{flow: 2,5 L/h}`.
fn cut_by_comma(last: &Entry, key: &Node, value: &Node) -> bool {
    let Content::Text(head) = &last.value.content else { return false };
    let Content::Text(rest) = &key.content else { return false };
    let digits = !head.raw.is_empty() && head.raw.bytes().all(|b| b.is_ascii_digit());
    let before = last.value.place;
    let next_to_it = before.line == key.place.line && before.column + before.width + 1 == key.place.column;
    digits
        && next_to_it
        && matches!(value.content, Content::Nothing)
        && rest.raw.starts_with(|c: char| c.is_ascii_digit())
}

fn place(span: &yaml::Span) -> Place {
    let (start, end) = (span.start, span.end);
    // What goes on over several lines is pointed at to the end of its first.
    let rest = 10_000;
    let width = if start.line() == end.line() { end.col().saturating_sub(start.col()) } else { rest };
    Place { line: start.line().max(1), column: start.col() + 1, width: width.max(1) }
}

fn scalar(text: &str, style: ScalarStyle, span: &yaml::Span) -> Content {
    // The parser writes `~` for a value left out; one that is written out has a width.
    if style == ScalarStyle::Plain && span.is_empty() {
        return Content::Nothing;
    }
    Content::Text(Scalar { raw: text.to_owned(), text: text.to_owned() })
}

fn is_of_tab(kind: &ErrorKind) -> bool {
    matches!(
        kind,
        ErrorKind::TabNotAllowed
            | ErrorKind::TabInBlockIndentation
            | ErrorKind::TabInIndentation
            | ErrorKind::TabInPlainScalar
            | ErrorKind::TabAtBlockScalarStart
    )
}

fn syntax_hint(kind: &ErrorKind, line: &str) -> String {
    match kind {
        _ if is_of_tab(kind) => "Indent with spaces; YAML allows no tabs there.",
        _ if line.contains("${") && line.contains('{') && !line.contains("\"$") => {
            "Inside { } quote what has braces of its own: \"${NAME}\"."
        }
        ErrorKind::UnclosedQuotedScalar => "A quote that opens here never closes.",
        ErrorKind::MappingValueNotAllowed => {
            "Text with a colon and a space in it must be quoted; or the line is indented too far."
        }
        ErrorKind::UnexpectedCharacter { .. } => "Quote text that begins with this character.",
        ErrorKind::RecursionLimitExceeded => "Lists and maps lie too deep in each other.",
        _ if line.contains('\t') => "Indent with spaces; YAML allows no tabs there.",
        _ => "Look at the quotes, the brackets and the indentation of this line and the one before.",
    }
    .to_owned()
}
