//! Reads a TOML description key by key, laid over a built-in one where there is one, and collects
//! every mistake with its place: unknown keys, wrong kinds, units and ranges. Uses units.

use crate::units::{
    Dimension, QuantityError, UnitError, UnitText, parse_quantity, parse_unit, show,
};
use core::cell::RefCell;
use core::ops::{Range, RangeInclusive};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A mistake in a description.
#[derive(Clone, Debug, PartialEq)]
pub struct ConfigError {
    /// Name of the text: a path, or whatever it was opened with.
    pub source: String,
    /// What is wrong; names the key.
    pub message: String,
    /// Bytes of the text that it is about.
    pub span: Range<usize>,
    /// Line of the text, from 1.
    pub line: usize,
    /// What would be right.
    pub help: Option<String>,
}

impl core::fmt::Display for ConfigError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        if !self.source.is_empty() {
            write!(f, "{}, ", self.source)?;
        }
        write!(f, "line {}: {}", self.line, self.message)?;
        match &self.help {
            Some(help) => write!(f, " ({help})"),
            None => Ok(()),
        }
    }
}

/// The mistakes found so far in one text.
pub(crate) struct Mistakes<'t> {
    text: &'t str,
    found: RefCell<Vec<ConfigError>>,
}

impl<'t> Mistakes<'t> {
    pub(crate) fn new(text: &'t str) -> Self {
        Mistakes { text, found: RefCell::default() }
    }

    pub(crate) fn add(&self, span: Range<usize>, message: String, help: Option<String>) {
        let before = self.text.as_bytes().get(..span.start).unwrap_or_default();
        let line = 1 + before.iter().filter(|b| **b == b'\n').count();
        self.found.borrow_mut().push(ConfigError {
            source: String::new(),
            message,
            span,
            line,
            help,
        });
    }

    /// Nothing is wrong so far.
    pub(crate) fn is_empty(&self) -> bool {
        self.found.borrow().is_empty()
    }

    /// All of them in the order of the text.
    pub(crate) fn take(self) -> Vec<ConfigError> {
        let mut found = self.found.into_inner();
        found.sort_by_key(|e| e.span.start);
        found
    }
}

/// Largest description that is read, in bytes.
const TEXT_MOST: usize = 1 << 20;

/// Reads a description as TOML; or every place where it is none.
pub(crate) fn parse(text: &str) -> Result<Spanned<DeTable<'_>>, Vec<ConfigError>> {
    let mistakes = Mistakes::new(text);
    if text.len() > TEXT_MOST {
        let message = "the description is larger than 1 MiB".to_string();
        mistakes.add(0..0, message, None);
        return Err(mistakes.take());
    }
    let (table, errors) = DeTable::parse_recoverable(text);
    if errors.is_empty() {
        return Ok(table);
    }
    for error in errors {
        let message = format!("this is not TOML: {}", error.message());
        mistakes.add(error.span().unwrap_or(0..0), message, None);
    }
    Err(mistakes.take())
}

/// One table of the description, over the built-in one.
pub(crate) struct Section<'a, 't> {
    name: &'static str,
    /// From the user's text, with the span to point at when a key is missing.
    user: Option<&'a DeTable<'t>>,
    built_in: Option<&'a DeTable<'t>>,
    place: Range<usize>,
    mistakes: &'a Mistakes<'t>,
    known: Vec<&'static str>,
}

/// The nearest of `known` to a misspelt word.
pub(crate) fn near<'k>(word: &str, known: &[&'k str]) -> Option<&'k str> {
    crate::units::near(word, known.iter().copied())
}

fn kind_of(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) | DeValue::Float(_) => "a bare number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

fn unknown(mistakes: &Mistakes<'_>, table: &DeTable<'_>, known: &[&str], what: &str, within: &str) {
    for key in table.keys() {
        let name: &str = key.get_ref();
        if known.contains(&name) {
            continue;
        }
        let help = match near(name, known) {
            Some(k) => format!("did you mean `{k}`?"),
            None => format!("known here: {}", known.join(", ")),
        };
        let message = format!("there is no {what} `{name}`{within}");
        mistakes.add(key.span(), message, Some(help));
    }
}

/// The tables that both texts hold, by name; unknown names in the user's are mistakes.
pub(crate) struct Root<'a, 't> {
    pub(crate) user: Option<&'a DeTable<'t>>,
    pub(crate) built_in: &'a DeTable<'t>,
    pub(crate) mistakes: &'a Mistakes<'t>,
}

impl<'a, 't> Root<'a, 't> {
    /// Names every table that is known.
    pub(crate) fn know(&self, tables: &[&str]) {
        if let Some(user) = self.user {
            unknown(self.mistakes, user, tables, "table", "");
        }
    }

    /// The table of a name.
    pub(crate) fn section(&self, name: &'static str) -> Section<'a, 't> {
        let given = self.user.and_then(|t| t.get(name));
        let user = given.and_then(|v| match v.get_ref() {
            DeValue::Table(table) => Some(table),
            other => {
                let message = format!("`{name}` must be a table, not {}", kind_of(other));
                let help = Some(format!("write `[{name}]` and its keys below"));
                self.mistakes.add(v.span(), message, help);
                None
            }
        });
        Section {
            name,
            user,
            built_in: self.built_in.get(name).and_then(|v| v.get_ref().as_table()),
            place: given.map_or(0..0, Spanned::span),
            mistakes: self.mistakes,
            known: Vec::new(),
        }
    }

    /// The tables of a list such as `[[rail]]`; the user's list replaces the built-in one.
    pub(crate) fn list(&self, name: &'static str) -> Vec<Section<'a, 't>> {
        let Some(given) = self.user.and_then(|t| t.get(name)) else {
            let built_in = self.built_in.get(name).and_then(|v| v.get_ref().as_array());
            let tables = built_in.into_iter().flat_map(|a| a.iter());
            return tables
                .map(|v| Section {
                    name,
                    user: None,
                    built_in: v.get_ref().as_table(),
                    place: 0..0,
                    mistakes: self.mistakes,
                    known: Vec::new(),
                })
                .collect();
        };
        let wrong = |span, what: &DeValue<'_>| {
            let message = format!("`{name}` must be a list of tables, not {}", kind_of(what));
            let help = Some(format!("write `[[{name}]]` and its keys below"));
            self.mistakes.add(span, message, help);
        };
        let Some(items) = given.get_ref().as_array() else {
            wrong(given.span(), given.get_ref());
            return Vec::new();
        };
        let mut sections = Vec::new();
        for item in items.iter() {
            match item.get_ref().as_table() {
                Some(table) => sections.push(Section {
                    name,
                    user: Some(table),
                    built_in: None,
                    place: item.span(),
                    mistakes: self.mistakes,
                    known: Vec::new(),
                }),
                None => wrong(item.span(), item.get_ref()),
            }
        }
        sections
    }
}

impl<'a, 't> Section<'a, 't> {
    /// A table that stands for itself, without a built-in one below it.
    pub(crate) fn alone(
        name: &'static str,
        table: &'a DeTable<'t>,
        place: Range<usize>,
        mistakes: &'a Mistakes<'t>,
    ) -> Self {
        Section { name, user: Some(table), built_in: None, place, mistakes, known: Vec::new() }
    }
}

/// How a key is to be read: its value, or words for what is expected.
type Parsed<T> = Result<T, (String, Option<String>)>;

impl Section<'_, '_> {
    /// Reads a key, from the user's table or else the built-in one.
    fn key<T>(
        &mut self,
        key: &'static str,
        parse: impl Fn(&DeValue<'_>) -> Parsed<T>,
    ) -> Option<T> {
        self.known.push(key);
        if let Some(value) = self.user.and_then(|t| t.get(key)) {
            match parse(value.get_ref()) {
                Ok(parsed) => return Some(parsed),
                Err((message, help)) => {
                    let message = format!("`{}.{key}` {message}", self.name);
                    self.mistakes.add(value.span(), message, help);
                }
            }
        }
        let built_in = self.built_in?.get(key)?;
        parse(built_in.get_ref()).ok()
    }

    fn needed<T>(&mut self, key: &'static str, value: Option<T>, otherwise: T) -> T {
        if value.is_none() && self.user.is_none_or(|t| !t.contains_key(key)) {
            let message = format!("`{}` needs the key `{key}`", self.name);
            self.mistakes.add(self.place.clone(), message, None);
        }
        value.unwrap_or(otherwise)
    }

    /// Where to point for a key of this section.
    pub(crate) fn place(&self, key: &str) -> Range<usize> {
        let value = self.user.and_then(|t| t.get(key));
        value.map_or(self.place.clone(), Spanned::span)
    }

    /// A quantity in SI within limits.
    pub(crate) fn quantity(
        &mut self,
        key: &'static str,
        dimension: Dimension,
        limits: RangeInclusive<f64>,
    ) -> f64 {
        let value = self.maybe_quantity(key, dimension, limits);
        self.needed(key, value, 1.0)
    }

    /// A quantity in SI within limits; none where it is missing or wrong, which is noted.
    pub(crate) fn some_quantity(
        &mut self,
        key: &'static str,
        dimension: Dimension,
        limits: RangeInclusive<f64>,
    ) -> Option<f64> {
        let value = self.maybe_quantity(key, dimension, limits);
        self.needed(key, value.map(Some), None)
    }

    /// A quantity that may be left out.
    pub(crate) fn maybe_quantity(
        &mut self,
        key: &'static str,
        dimension: Dimension,
        limits: RangeInclusive<f64>,
    ) -> Option<f64> {
        self.key(key, |v| quantity(v, dimension, &limits))
    }

    /// A plain number from 0 to 1, or in %.
    pub(crate) fn share(&mut self, key: &'static str) -> f64 {
        self.quantity(key, Dimension::NUMBER, 0.0..=1.0)
    }

    /// A list of quantities that may be left out.
    pub(crate) fn quantities(
        &mut self,
        key: &'static str,
        dimension: Dimension,
        limits: RangeInclusive<f64>,
        count: u32,
    ) -> Option<Vec<f64>> {
        self.key(key, |v| {
            let Some(items) = v.as_array() else {
                let message = format!("must be a list of quantities, not {}", kind_of(v));
                return Err((message, None));
            };
            if items.len() as u64 != u64::from(count) {
                let message =
                    format!("must have {count} values, one per facet, not {}", items.len());
                return Err((message, None));
            }
            items.iter().map(|item| quantity(item.get_ref(), dimension, &limits)).collect()
        })
    }

    /// A whole number within limits.
    pub(crate) fn whole(&mut self, key: &'static str, limits: RangeInclusive<u32>) -> u32 {
        let value = self.maybe_whole(key, limits.clone());
        self.needed(key, value, *limits.start())
    }

    /// A whole number that may be left out.
    pub(crate) fn maybe_whole(
        &mut self,
        key: &'static str,
        limits: RangeInclusive<u32>,
    ) -> Option<u32> {
        self.key(key, |v| {
            let (low, high) = (*limits.start(), *limits.end());
            let outside = || (format!("must be a whole number from {low} to {high}"), None);
            let Some(whole) = v.as_integer() else {
                let (message, _) = outside();
                return Err((format!("{message}, not {}", kind_of(v)), None));
            };
            let read = i64::from_str_radix(whole.as_str(), whole.radix()).ok();
            let read = read.and_then(|n| u32::try_from(n).ok());
            read.filter(|n| limits.contains(n)).ok_or_else(outside)
        })
    }

    /// A text of printable characters.
    pub(crate) fn text(&mut self, key: &'static str) -> String {
        let value = self.maybe_text(key);
        self.needed(key, value, String::new())
    }

    /// The same; none where it is missing or wrong.
    pub(crate) fn maybe_text(&mut self, key: &'static str) -> Option<String> {
        self.key(key, |v| match v.as_str() {
            Some(text)
                if !text.is_empty() && text.len() <= 200 && !text.contains(char::is_control) =>
            {
                Ok(text.to_string())
            }
            Some(_) => Err(("must have 1 to 200 printable characters".to_string(), None)),
            None => Err((format!("must be a text, not {}", kind_of(v)), None)),
        })
    }

    /// A unit, such as `kPa`.
    pub(crate) fn unit(&mut self, key: &'static str) -> Option<UnitText> {
        let value = self.key(key, |v| {
            let Some(text) = v.as_str() else {
                return Err((format!("must be a unit such as \"kPa\", not {}", kind_of(v)), None));
            };
            parse_unit(text).map_err(|e| {
                let near = match &e {
                    UnitError::Unknown { near, .. } => near.as_ref(),
                    _ => None,
                };
                (format!("is no unit: {e}"), near.map(|near| format!("did you mean `{near}`?")))
            })
        });
        self.needed(key, value.map(Some), None)
    }

    /// `true` or `false`; false where it is left out.
    pub(crate) fn flag(&mut self, key: &'static str) -> bool {
        let value = self.key(key, |v| {
            let wrong = || (format!("must be true or false, not {}", kind_of(v)), None);
            v.as_bool().ok_or_else(wrong)
        });
        value.unwrap_or(false)
    }

    /// Whether the key stands there, rightly or wrongly.
    pub(crate) fn has(&self, key: &str) -> bool {
        [self.user, self.built_in].into_iter().flatten().any(|table| table.contains_key(key))
    }

    /// Whether the key stands there with this text.
    pub(crate) fn is_text(&self, key: &str, text: &str) -> bool {
        let value = self.user.and_then(|t| t.get(key)).and_then(|v| v.get_ref().as_str());
        value == Some(text)
    }

    /// A key is known that was read without asking for its value.
    pub(crate) fn know(&mut self, key: &'static str) {
        self.known.push(key);
    }

    /// Something is wrong with a key, which need not stand there.
    pub(crate) fn complain(&self, key: &str, message: String, help: Option<String>) {
        self.mistakes.add(self.place(key), message, help);
    }

    /// One of a few words; gives its place in the list.
    pub(crate) fn choice(&mut self, key: &'static str, words: &[&str]) -> usize {
        self.maybe_choice(key, words).unwrap_or(0)
    }

    /// The same; none where it is missing or wrong.
    pub(crate) fn maybe_choice(&mut self, key: &'static str, words: &[&str]) -> Option<usize> {
        let value = self.optional_choice(key, words);
        self.needed(key, value.map(Some), None)
    }

    /// One of a few words that may be left out; none where it is wrong, too.
    pub(crate) fn optional_choice(&mut self, key: &'static str, words: &[&str]) -> Option<usize> {
        self.key(key, |v| {
            let list = || format!("must be one of {}", words.join(", "));
            let Some(word) = v.as_str() else {
                return Err((format!("{}, not {}", list(), kind_of(v)), None));
            };
            let found = words.iter().position(|w| *w == word);
            found.ok_or_else(|| {
                let help = near(word, words).map(|w| format!("did you mean `{w}`?"));
                (format!("{}, not `{word}`", list()), help)
            })
        })
    }

    /// Every key has been asked for: what else stands there is a mistake.
    pub(crate) fn finish(self) {
        if let Some(user) = self.user {
            let within = format!(" in `{}`", self.name);
            unknown(self.mistakes, user, &self.known, "key", &within);
        }
    }
}

fn quantity(
    value: &DeValue<'_>,
    dimension: Dimension,
    limits: &RangeInclusive<f64>,
) -> Parsed<f64> {
    let kind = || dimension.name(&[]);
    let example = || format!("for example \"{}\"", show(*limits.end(), dimension, None, None));
    let number = match value {
        DeValue::Integer(n) if dimension.is_number() => n.as_str().to_string(),
        DeValue::Float(n) if dimension.is_number() => n.as_str().to_string(),
        DeValue::String(text) => text.to_string(),
        other => {
            let message = format!(
                "must be a text with a number and a unit of {}, not {}",
                kind(),
                kind_of(other)
            );
            return Err((message, Some(example())));
        }
    };
    let (read, unit) = parse_quantity(&number).map_err(|e| {
        let help = match &e {
            QuantityError::Unit(UnitError::Unknown { near: Some(near), .. }) => {
                format!("did you mean `{near}`?")
            }
            _ => example(),
        };
        (format!("is no {}: {e}", kind()), Some(help))
    })?;
    let found = unit.map_or(Dimension::NUMBER, |u| u.dimension);
    if found != dimension {
        let message = format!("must be {}, not {}", kind(), found.name(&[]));
        return Err((message, Some(example())));
    }
    if !limits.contains(&read) {
        let shown = |v: f64| show(v, dimension, None, None);
        let (low, high) = (shown(*limits.start()), shown(*limits.end()));
        return Err((format!("must be from {low} to {high}, not {}", shown(read)), None));
    }
    Ok(read)
}
