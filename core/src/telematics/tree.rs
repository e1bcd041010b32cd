//! JSON or XML as one bounded tree, so that both spellings of a document are read by the same code.
//!
//! Promises: at most [`NODES_MAX`] nodes and [`DEPTH_MAX`] levels, whatever the text; a syntax error names line and
//! column. In XML an attribute is a field like a child element, namespaces are left out, and a document type is refused:
//! no entity is ever expanded but the five of XML itself and character references.

use crate::fault::{Fault, code};
use quick_xml::XmlVersion;
use quick_xml::events::{BytesStart, Event};
use serde::de::{self, DeserializeSeed, Deserializer, MapAccess, SeqAccess, Visitor};
use std::cell::Cell;
use std::fmt;

/// Most values a document may hold: thirty for each of the machines it may tell of.
pub(super) const NODES_MAX: usize = 150_000;
/// Deepest nesting: the standard needs five levels.
pub(super) const DEPTH_MAX: usize = 32;
/// Most attributes of one element: the standard has two, namespaces take a few more.
const ATTRIBUTES_MAX: usize = 32;

/// A value.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Node {
    /// A text, a number as it is written, or a truth value. Empty for null.
    Text(String),
    /// Several values.
    List(Vec<Node>),
    /// Fields by name, in order. An element's own text stands under the empty name.
    Fields(Vec<(String, Node)>),
}

impl Node {
    /// The values of a field with their index, where it repeats or is a list. Names compare without case: feeds write
    /// `datetime`, `dateTime` and `Datetime`.
    pub(super) fn all<'a>(&'a self, name: &str) -> Vec<&'a Node> {
        let Node::Fields(fields) = self else { return Vec::new() };
        let named = fields.iter().filter(|(field, _)| field.eq_ignore_ascii_case(name));
        named
            .flat_map(
                |(_, node)| if let Node::List(list) = node { list.iter() } else { std::slice::from_ref(node).iter() },
            )
            .collect()
    }

    /// The text of a field that is there once and is not empty.
    pub(super) fn text(&self, name: &str) -> Option<&str> {
        match self.all(name).as_slice() {
            [one] => one.own_text(),
            _ => None,
        }
    }

    /// Its own text, if it has one that is not empty.
    pub(super) fn own_text(&self) -> Option<&str> {
        let text = match self {
            Node::Text(text) => text.trim(),
            Node::Fields(fields) => match fields.iter().find(|(name, _)| name.is_empty()) {
                Some((_, Node::Text(text))) => text.trim(),
                _ => "",
            },
            Node::List(_) => "",
        };
        (!text.is_empty()).then_some(text)
    }
}

/// Counts what has been read.
struct Budget(Cell<usize>);

impl Budget {
    fn new() -> Self {
        Self(Cell::new(NODES_MAX))
    }

    fn spend(&self) -> Result<(), &'static str> {
        let left = self.0.get().checked_sub(1).ok_or("the document holds too many values")?;
        self.0.set(left);
        Ok(())
    }
}

fn malformed(detail: String) -> Fault {
    Fault::new(code::MALFORMED_DOCUMENT, "", detail)
}

/// Reads JSON. A number keeps the digits it is written with: it never becomes a float.
pub(super) fn json(text: &str) -> Result<Node, Fault> {
    let text = numbers_as_texts(text)?;
    let budget = Budget::new();
    let mut reader = serde_json::Deserializer::from_str(&text);
    let read = Seed { budget: &budget, depth: 0 }.deserialize(&mut reader);
    read.and_then(|node| reader.end().map(|()| node)).map_err(|error| {
        // Columns have moved where numbers were quoted; lines have not.
        let told = error.to_string();
        let what = told.split_once(" at line ").map_or(told.as_str(), |(what, _)| what);
        malformed(format!("{what} at line {}", error.line()))
    })
}

/// The same JSON with every number in quotes.
fn numbers_as_texts(text: &str) -> Result<String, Fault> {
    let mut out = String::with_capacity(text.len() + text.len() / 8);
    let mut rest = text;
    while let Some(start) = rest.find(|c: char| c == '"' || c == '-' || c.is_ascii_digit()) {
        out.push_str(&rest[..start]);
        rest = &rest[start..];
        let end = if rest.starts_with('"') { string_end(rest) } else { number_end(rest) };
        let (token, after) = rest.split_at(end);
        if token.starts_with('"') {
            out.push_str(token);
        } else if is_number(token) && !after.trim_start().starts_with(':') {
            out.extend(["\"", token, "\""]);
        } else {
            let line = out.matches('\n').count() + 1;
            return Err(malformed(format!("expected value at line {line}")));
        }
        rest = after;
    }
    out.push_str(rest);
    Ok(out)
}

/// Where a string that begins here ends, its closing quote included.
fn string_end(text: &str) -> usize {
    let mut escaped = false;
    for (at, byte) in text.bytes().enumerate().skip(1) {
        match byte {
            _ if escaped => escaped = false,
            b'\\' => escaped = true,
            b'"' => return at + 1,
            _ => {}
        }
    }
    text.len()
}

fn number_end(text: &str) -> usize {
    text.bytes().position(|b| !(b.is_ascii_alphanumeric() || b"+-.".contains(&b))).unwrap_or(text.len())
}

/// Whether a token is a number as JSON has it (RFC 8259 section 6).
fn is_number(token: &str) -> bool {
    let digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    let (mantissa, exponent) = token.split_once(['e', 'E']).map_or((token, None), |(m, e)| (m, Some(e)));
    let (whole, part) = mantissa.split_once('.').map_or((mantissa, None), |(w, p)| (w, Some(p)));
    let whole = whole.strip_prefix('-').unwrap_or(whole);
    digits(whole)
        && (whole == "0" || !whole.starts_with('0'))
        && part.is_none_or(digits)
        && exponent.is_none_or(|e| digits(e.strip_prefix(['+', '-']).unwrap_or(e)))
}

#[derive(Clone, Copy)]
struct Seed<'a> {
    budget: &'a Budget,
    depth: usize,
}

impl Seed<'_> {
    fn deeper<E: de::Error>(self) -> Result<Self, E> {
        if self.depth >= DEPTH_MAX {
            return Err(E::custom("the document is nested too deep"));
        }
        Ok(Self { depth: self.depth + 1, ..self })
    }
}

impl<'de> DeserializeSeed<'de> for Seed<'_> {
    type Value = Node;

    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<Node, D::Error> {
        self.budget.spend().map_err(de::Error::custom)?;
        d.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Seed<'_> {
    type Value = Node;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a value")
    }
    fn visit_bool<E>(self, value: bool) -> Result<Node, E> {
        Ok(Node::Text(value.to_string()))
    }
    fn visit_str<E>(self, value: &str) -> Result<Node, E> {
        Ok(Node::Text(value.to_owned()))
    }
    fn visit_unit<E>(self) -> Result<Node, E> {
        Ok(Node::Text(String::new()))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Node, A::Error> {
        let deeper = self.deeper()?;
        let mut list = Vec::new();
        while let Some(node) = seq.next_element_seed(deeper)? {
            list.push(node);
        }
        Ok(Node::List(list))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Node, A::Error> {
        let deeper = self.deeper()?;
        let mut names = std::collections::BTreeSet::new();
        let mut fields = Vec::new();
        while let Some(name) = map.next_key::<String>()? {
            if !names.insert(name.to_ascii_lowercase()) {
                return Err(de::Error::custom("an object has the same field twice"));
            }
            fields.push((name, map.next_value_seed(deeper)?));
        }
        Ok(Node::Fields(fields))
    }
}

/// An element that has begun.
struct Open {
    name: String,
    fields: Vec<(String, Node)>,
    text: String,
}

impl Open {
    fn close(self) -> (String, Node) {
        let Open { name, mut fields, text } = self;
        if fields.is_empty() {
            return (name, Node::Text(text));
        }
        if !text.trim().is_empty() {
            fields.push((String::new(), Node::Text(text)));
        }
        (name, Node::Fields(fields))
    }
}

/// Reads XML; gives the name of the root element and the element.
pub(super) fn xml(text: &str) -> Result<(String, Node), Fault> {
    let mut reader = quick_xml::Reader::from_str(text);
    reader.config_mut().check_comments = true;
    let budget = Budget::new();
    let mut open: Vec<Open> = Vec::new();
    let mut root: Option<(String, Node)> = None;
    loop {
        let at = usize::try_from(reader.buffer_position()).unwrap_or(0);
        let fail = |detail: &str| malformed(format!("{detail} at {}", place(text, at)));
        let event = reader.read_event();
        let event = event.map_err(|error| fail(&error.to_string()))?;
        let done = match event {
            Event::Start(start) => {
                if root.is_some() || open.len() >= DEPTH_MAX {
                    return Err(fail("an element too many, or too deep"));
                }
                open.push(begin(&start, &budget).map_err(|detail| fail(&detail))?);
                None
            }
            Event::Empty(start) if root.is_none() => Some(begin(&start, &budget).map_err(|detail| fail(&detail))?),
            Event::End(_) => Some(open.pop().ok_or_else(|| fail("an end without a beginning"))?),
            Event::Text(piece) => {
                add(&mut open, &piece.xml10_content()).map_err(fail)?;
                None
            }
            Event::CData(piece) => {
                add(&mut open, &piece.xml10_content()).map_err(fail)?;
                None
            }
            Event::GeneralRef(reference) => {
                let piece = character(&reference).ok_or_else(|| fail("a reference that XML does not know"))?;
                add(&mut open, &piece).map_err(fail)?;
                None
            }
            Event::Decl(declaration) => {
                let utf8 = |name: &str| name.eq_ignore_ascii_case("utf-8");
                if declaration.encoding().is_some_and(|name| !name.is_ok_and(|name| utf8(&name))) {
                    return Err(fail("an encoding that is not UTF-8"));
                }
                None
            }
            Event::Comment(_) | Event::PI(_) => None,
            Event::DocType(_) => return Err(fail("a document type, which is not read,")),
            Event::Empty(_) => return Err(fail("an element after the end")),
            Event::Eof => break,
        };
        if let Some(closed) = done.map(Open::close) {
            match open.last_mut() {
                Some(parent) => parent.fields.push(closed),
                None => root = Some(closed),
            }
        }
    }
    if !open.is_empty() {
        return Err(malformed("the document ends before its elements do".into()));
    }
    root.ok_or_else(|| malformed("the document has no element".into()))
}

fn begin(start: &BytesStart<'_>, budget: &Budget) -> Result<Open, String> {
    budget.spend()?;
    let mut fields = Vec::new();
    for (index, attribute) in start.attributes().with_checks(false).enumerate() {
        let attribute = attribute.map_err(|error| error.to_string())?;
        if index >= ATTRIBUTES_MAX {
            return Err("too many attributes".into());
        }
        budget.spend()?;
        let name = attribute.key.as_ref();
        if name == "xmlns" || name.starts_with("xmlns:") || name.starts_with("xsi:") {
            continue;
        }
        let value = attribute.normalized_value(XmlVersion::Implicit1_0).map_err(|error| error.to_string())?;
        fields.push((local(name).to_owned(), Node::Text(value.into_owned())));
    }
    Ok(Open { name: local(start.name().as_ref()).to_owned(), fields, text: String::new() })
}

fn local(name: &str) -> &str {
    name.rsplit_once(':').map_or(name, |(_, local)| local)
}

fn add(open: &mut [Open], piece: &str) -> Result<(), &'static str> {
    match open.last_mut() {
        Some(element) => element.text.push_str(piece),
        None if piece.trim().is_empty() => {}
        None => return Err("text outside of any element"),
    }
    Ok(())
}

/// What a reference in text stands for.
fn character(reference: &quick_xml::events::BytesRef<'_>) -> Option<String> {
    if reference.is_char_ref() {
        return reference.resolve_char_ref().ok()?.map(String::from);
    }
    let character = match &**reference {
        "amp" => "&",
        "lt" => "<",
        "gt" => ">",
        "quot" => "\"",
        "apos" => "'",
        _ => return None,
    };
    Some(character.to_owned())
}

/// Line and column of a byte.
fn place(text: &str, at: usize) -> String {
    let before = text.as_bytes().get(..at).unwrap_or(text.as_bytes());
    let line = before.iter().filter(|b| **b == b'\n').count() + 1;
    let column = before.iter().rev().take_while(|b| **b != b'\n').count() + 1;
    format!("line {line} column {column}")
}
