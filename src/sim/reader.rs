//! Reads a TOML file key by key, laid over a built-in one: the file of a simulated head or of a
//! fixture. Collects every mistake with its place: unknown keys, wrong kinds, units and ranges.

pub(crate) mod lines;

use core::cell::RefCell;
use core::fmt::Display;
use core::ops::{Range, RangeInclusive};
use spintrue_head::{
    Dimension, FormMistake, QuantityError, UnitError, UnitText, nearest_name, parse_quantity,
    parse_unit, show_quantity, toml_mistakes,
};
use std::sync::OnceLock;
use thiserror::Error;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A mistake in a head file, a fixture file or a fault option.
#[derive(Clone, Debug, Error, PartialEq)]
#[error("{}line {line}: {message}{}", before(.file), behind(.help))]
pub struct ConfigError {
    /// Name of the text: a path, or the option itself.
    pub file: String,
    /// What is wrong; names the key.
    pub message: String,
    /// Bytes of the text that it is about.
    pub span: Range<usize>,
    /// Line of the text, from 1.
    pub line: usize,
    /// What would be right.
    pub help: Option<String>,
}

fn before(file: &str) -> String {
    if file.is_empty() { String::new() } else { format!("{file}, ") }
}

fn behind(help: &Option<String>) -> String {
    help.as_ref().map_or_else(String::new, |help| format!(" ({help})"))
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

    pub(crate) fn add(&self, span: Range<usize>, message: impl Into<String>, help: Option<String>) {
        let before = self.text.as_bytes().get(..span.start).unwrap_or_default();
        let line = 1 + before.iter().filter(|b| **b == b'\n').count();
        let (file, message) = (String::new(), message.into());
        self.found.borrow_mut().push(ConfigError { file, message, span, line, help });
    }

    /// The value where nothing is wrong, else all mistakes in the order of the text.
    pub(crate) fn or<T>(self, value: T) -> Result<T, Vec<ConfigError>> {
        let mut found = self.found.into_inner();
        found.sort_by_key(|e| e.span.start);
        if found.is_empty() { Ok(value) } else { Err(found) }
    }
}

/// Largest file that is read, in bytes.
const MAX_TEXT: usize = 1 << 20;

/// Parses TOML, or returns every place where it is none.
fn parse(text: &str) -> Result<DeTable<'_>, Vec<ConfigError>> {
    let mistakes = Mistakes::new(text);
    if text.len() > MAX_TEXT {
        mistakes.add(0..0, "the description is larger than 1 MiB", None);
        return mistakes.or(DeTable::new());
    }
    let (table, errors) = DeTable::parse_recoverable(text);
    let found = errors.iter().map(|error| (error.span().unwrap_or(0..0), error.message()));
    for FormMistake { span, message, help } in toml_mistakes(text, found) {
        mistakes.add(span, message, help);
    }
    mistakes.or(table.into_inner())
}

/// The tables of the built-in head by its text, parsed once for all heads.
pub(crate) fn built_in(text: &'static str) -> Result<&'static DeTable<'static>, Vec<ConfigError>> {
    static TABLES: OnceLock<Result<DeTable<'static>, Vec<ConfigError>>> = OnceLock::new();
    let tables = TABLES.get_or_init(|| {
        // Comments are half of it, and no mistake points into it.
        let lines = text.lines().filter(|line| !line.starts_with('#'));
        parse(lines.collect::<Vec<_>>().join("\n").leak())
    });
    tables.as_ref().map_err(Vec::clone)
}

/// Reads `text`, laid over `built_in`; `tables` are the names that may stand at its top. Returns
/// every mistake at once.
pub fn read<T>(
    text: &str,
    built_in: &DeTable<'_>,
    tables: &[&str],
    read: impl FnOnce(&Reader<'_, '_>) -> T,
) -> Result<T, Vec<ConfigError>> {
    let user = parse(text)?;
    let mistakes = Mistakes::new(text);
    unknown(&mistakes, &user, tables, "table", "");
    let value = read(&Reader { user: &user, built_in, mistakes: &mistakes });
    mistakes.or(value)
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

fn meant(near: &str) -> String {
    format!("did you mean `{near}`?")
}

/// Names that others use for a key.
const OTHER_NAMES: [(&[&str], &str); 4] = [
    (&["min", "minimum", "low", "lower"], "least"),
    (&["max", "maximum", "high", "upper"], "most"),
    (&["type", "kind", "dir", "mode"], "direction"),
    (&["value", "voltage", "target"], "nominal"),
];

/// Notes which keys are not known, and gives those that were probably meant.
fn unknown<'k>(
    mistakes: &Mistakes<'_>,
    table: &DeTable<'_>,
    known: &[&'k str],
    what: &str,
    within: &str,
) -> Vec<&'k str> {
    let mut all = Vec::new();
    for key in table.keys() {
        let name: &str = key.get_ref();
        if known.contains(&name) {
            continue;
        }
        let other = OTHER_NAMES.iter().find(|(names, _)| names.contains(&name));
        let other = other.and_then(|(_, own)| known.iter().copied().find(|known| known == own));
        let near = other.or_else(|| nearest_name(name, known.iter().copied()));
        all.extend(near);
        let help = near.map_or_else(|| format!("known here: {}", known.join(", ")), meant);
        mistakes.add(key.span(), format!("there is no {what} `{name}`{within}"), Some(help));
    }
    all
}

/// Both texts, the user's over the built-in one.
pub struct Reader<'a, 't> {
    user: &'a DeTable<'t>,
    built_in: &'a DeTable<'t>,
    mistakes: &'a Mistakes<'t>,
}

impl<'a, 't> Reader<'a, 't> {
    /// Nothing is wrong so far.
    pub fn is_clean(&self) -> bool {
        self.mistakes.found.borrow().is_empty()
    }

    /// The user's file has a table of this name.
    pub fn has(&self, table: &str) -> bool {
        self.user.contains_key(table)
    }

    fn add_kind(&self, value: &Spanned<DeValue<'_>>, name: &str, kind: &str, heading: &str) {
        let message = format!("`{name}` must be {kind}, not {}", kind_of(value.get_ref()));
        let help = format!("write `{heading}` and its keys below");
        self.mistakes.add(value.span(), message, Some(help));
    }

    /// The table of a name.
    pub fn table(&self, name: &'static str) -> Table<'a, 't> {
        let given = self.user.get(name);
        let user = given.and_then(|value| value.get_ref().as_table());
        if let (Some(value), None) = (given, user) {
            self.add_kind(value, name, "a table", &format!("[{name}]"));
        }
        let built_in = self.built_in.get(name).and_then(|value| value.get_ref().as_table());
        Table::new(name, user, built_in, given.map_or(0..0, Spanned::span), self.mistakes)
    }

    /// The tables of a list such as `[[rail]]`; the user's list replaces the built-in one.
    pub fn list(&self, name: &'static str) -> Vec<Table<'a, 't>> {
        let Some(given) = self.user.get(name) else {
            let built_in = self.built_in.get(name).and_then(|value| value.get_ref().as_array());
            let tables = built_in.into_iter().flatten().map(|value| value.get_ref().as_table());
            return tables.map(|t| Table::new(name, None, t, 0..0, self.mistakes)).collect();
        };
        let wrong = |value| self.add_kind(value, name, "a list of tables", &format!("[[{name}]]"));
        let Some(items) = given.get_ref().as_array() else {
            wrong(given);
            return Vec::new();
        };
        let mut tables = Vec::new();
        for item in items {
            match item.get_ref().as_table() {
                None => wrong(item),
                user => tables.push(Table::new(name, user, None, item.span(), self.mistakes)),
            }
        }
        tables
    }
}

/// One table, over the built-in one. A value that is missing or wrong reads as none; what is wrong is noted.
pub struct Table<'a, 't> {
    name: &'static str,
    user: Option<&'a DeTable<'t>>,
    built_in: Option<&'a DeTable<'t>>,
    /// Where to point when a key is missing.
    place: Range<usize>,
    mistakes: &'a Mistakes<'t>,
    known: RefCell<Vec<&'static str>>,
    /// Its values are texts, numbers too: an option of the command line.
    is_option: bool,
}

/// What is wrong with a value, and what would be right.
type Wrong = (String, Option<String>);

/// Most words that a headline names.
const MAX_NAMED: usize = 6;

fn must_be(what: impl Display, value: &DeValue<'_>) -> Wrong {
    (format!("must be {what}, not {}", kind_of(value)), None)
}

impl<'a, 't> Table<'a, 't> {
    fn new(
        name: &'static str,
        user: Option<&'a DeTable<'t>>,
        built_in: Option<&'a DeTable<'t>>,
        place: Range<usize>,
        mistakes: &'a Mistakes<'t>,
    ) -> Self {
        let known = RefCell::default();
        Table { name, user, built_in, place, mistakes, known, is_option: false }
    }

    /// An option of the command line, whose values are all texts.
    pub(crate) fn option(
        name: &'static str,
        values: &'a DeTable<'t>,
        mistakes: &'a Mistakes<'t>,
    ) -> Self {
        let place = 0..mistakes.text.len();
        Table { is_option: true, ..Table::new(name, Some(values), None, place, mistakes) }
    }

    /// Reads a key, from the user's table or else the built-in one.
    fn key<T>(
        &self,
        key: &'static str,
        parse: impl Fn(&DeValue<'_>) -> Result<T, Wrong>,
    ) -> Option<T> {
        self.known.borrow_mut().push(key);
        if let Some(value) = self.user.and_then(|t| t.get(key)) {
            match parse(value.get_ref()) {
                Ok(parsed) => return Some(parsed),
                Err((message, help)) => {
                    // An option does not name its table.
                    let message = match self.is_option {
                        true => format!("its {key} {message}"),
                        false => format!("`{}.{key}` {message}", self.name),
                    };
                    let help = help.or_else(|| self.example(key, value.get_ref()));
                    self.mistakes.add(value.span(), message, help);
                }
            }
        }
        parse(self.built_in?.get(key)?.get_ref()).ok()
    }

    /// What the built-in table has there, in the user's number where that lacks its unit only.
    fn example(&self, key: &str, given: &DeValue<'_>) -> Option<String> {
        let built_in = self.built_in?.get(key)?.get_ref();
        let Some(text) = built_in.as_str() else {
            return Some(format!("for example `{key} = {}`", digits(built_in)?));
        };
        let unit = text.split_once(' ').map(|(_, unit)| unit);
        match (digits(given).filter(|_| !given.is_str()), unit) {
            (Some(number), Some(unit)) => {
                Some(format!("if it is in {unit}, write `{key} = \"{number} {unit}\"`"))
            }
            _ => Some(format!("for example `{key} = \"{text}\"`")),
        }
    }

    fn missing(&self, key: &str) -> String {
        format!("`{}` needs the key `{key}`", self.name)
    }

    /// Notes which of these keys are missing.
    pub fn needs(&self, keys: &[&str]) {
        for key in keys.iter().filter(|key| !self.has(key)) {
            self.mistakes.add(self.place.clone(), self.missing(key), None);
        }
    }

    /// Where to point for a key of this table.
    fn place(&self, key: &str) -> Range<usize> {
        self.user.and_then(|t| t.get(key)).map_or(self.place.clone(), Spanned::span)
    }

    /// A quantity in SI within limits.
    pub fn quantity(
        &self,
        key: &'static str,
        dimension: Dimension,
        limits: RangeInclusive<f64>,
    ) -> Option<f64> {
        self.key(key, |v| quantity(v, dimension, &limits))
    }

    /// The same for a key that the built-in table has, in a unit of the kind that stands there.
    pub(crate) fn number(&self, key: &'static str, limits: RangeInclusive<f64>) -> f64 {
        let built_in = self.built_in.and_then(|t| t.get(key)).and_then(|v| digits(v.get_ref()));
        let built_in = built_in.and_then(|text| parse_quantity(text).ok());
        let (value, unit) = built_in.unwrap_or((1.0, None));
        if self.user.is_none_or(|t| !t.contains_key(key)) {
            self.accept(&[key]);
            return value;
        }
        let dimension = unit.map_or(Dimension::NUMBER, |unit| unit.dimension);
        self.quantity(key, dimension, limits).unwrap_or(value)
    }

    /// A list of quantities; one per facet where it says how many.
    pub fn quantities(
        &self,
        key: &'static str,
        dimension: Dimension,
        limits: RangeInclusive<f64>,
        count: Option<u32>,
    ) -> Option<Vec<f64>> {
        self.key(key, |v| {
            let items = v.as_array().ok_or_else(|| must_be("a list of quantities", v))?;
            let found = items.len();
            if let Some(count) = count.filter(|count| found as u64 != u64::from(*count)) {
                return Err((
                    format!("must have {count} values, one per facet, not {found}"),
                    None,
                ));
            }
            items.iter().map(|item| quantity(item.get_ref(), dimension, &limits)).collect()
        })
    }

    /// The tables of a list under this key, such as those of `[[rotor.ripple]]`, which is their name; the
    /// user's list replaces the built-in one.
    pub(crate) fn list(&self, key: &'static str, name: &'static str) -> Vec<Table<'a, 't>> {
        self.accept(&[key]);
        let given = self.user.and_then(|table| table.get(key));
        let Some(list) = given.or_else(|| self.built_in?.get(key)) else { return Vec::new() };
        let items = list.get_ref().as_array();
        let all: Option<Vec<_>> = items.and_then(|items| {
            items.iter().map(|item| Some((item.get_ref().as_table()?, item.span()))).collect()
        });
        let Some(all) = all else {
            let kind = kind_of(list.get_ref());
            let message = format!("`{name}` must be a list of tables, not {kind}");
            let help = format!("write `[[{name}]]` with its keys below, or `{key} = []` for none");
            self.complain_with(key, message, help);
            return Vec::new();
        };
        let is_given = given.is_some();
        all.into_iter()
            .map(|(table, span)| match is_given {
                true => Table::new(name, Some(table), None, span, self.mistakes),
                false => Table::new(name, None, Some(table), 0..0, self.mistakes),
            })
            .collect()
    }

    /// A whole number within limits.
    pub fn whole(&self, key: &'static str, limits: RangeInclusive<u32>) -> Option<u32> {
        self.key(key, |v| {
            let range = format!("a whole number from {} to {}", limits.start(), limits.end());
            let read = match v {
                DeValue::Integer(whole) => i64::from_str_radix(whole.as_str(), whole.radix()).ok(),
                DeValue::String(text) if self.is_option => text.parse().ok(),
                DeValue::Float(number) => {
                    return Err((format!("must be {range}, not {}", number.as_str()), None));
                }
                other => return Err(must_be(range, other)),
            };
            let read = read.and_then(|read| u32::try_from(read).ok());
            read.filter(|n| limits.contains(n)).ok_or((format!("must be {range}"), None))
        })
    }

    /// A text of printable characters.
    pub fn text(&self, key: &'static str) -> Option<String> {
        self.key(key, |v| {
            let text = v.as_str().ok_or_else(|| must_be("a text", v))?;
            if (1..=200).contains(&text.len()) && !text.contains(char::is_control) {
                Ok(text.to_string())
            } else {
                Err(("must have 1 to 200 printable characters".to_string(), None))
            }
        })
    }

    /// A unit, such as `kPa`.
    pub(crate) fn unit(&self, key: &'static str) -> Option<UnitText> {
        self.key(key, |v| {
            let text = v.as_str().ok_or_else(|| must_be("a unit such as \"kPa\"", v))?;
            parse_unit(text).map_err(|e| (format!("is no unit: {e}"), near(&e)))
        })
    }

    /// `true` or `false`; false where it is left out.
    pub(crate) fn flag(&self, key: &'static str) -> bool {
        let flag = |v: &DeValue<'_>| v.as_bool().ok_or_else(|| must_be("true or false", v));
        self.key(key, flag).unwrap_or(false)
    }

    /// Whether the key stands there, rightly or wrongly.
    pub fn has(&self, key: &str) -> bool {
        [self.user, self.built_in].into_iter().flatten().any(|table| table.contains_key(key))
    }

    /// Whether the key stands there with this text.
    fn is_text(&self, key: &str, text: &str) -> bool {
        let value = self.user.and_then(|t| t.get(key)).and_then(|v| v.get_ref().as_str());
        value == Some(text)
    }

    /// Keys are right whatever their values are.
    pub fn accept(&self, keys: &[&'static str]) {
        self.known.borrow_mut().extend(keys);
    }

    /// Notes a mistake at a key, or at the table where the key is missing.
    pub fn complain(&self, key: &str, message: impl Into<String>) {
        self.mistakes.add(self.place(key), message, None);
    }

    /// The same with what would be right.
    pub fn complain_with(&self, key: &str, message: impl Into<String>, help: impl Into<String>) {
        self.mistakes.add(self.place(key), message, Some(help.into()));
    }

    /// What one of a few words stands for.
    pub fn choice<T: Copy>(&self, key: &'static str, words: &[(&str, T)]) -> Option<T> {
        self.key(key, |v| {
            let names: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
            let list = format!("one of {}", names.join(", "));
            let word = v.as_str().ok_or_else(|| must_be(&list, v))?;
            let found = words.iter().find(|(known, _)| *known == word);
            found.map(|(_, value)| *value).ok_or_else(|| {
                let begins = |name: &&str| word.len() > 1 && name.starts_with(word);
                let near = nearest_name(word, names.iter().copied());
                let near = near.or_else(|| names.iter().copied().find(begins)).map(meant);
                match names.len() <= MAX_NAMED {
                    true => (format!("must be {list}, not `{word}`"), near),
                    false => {
                        let help = near.unwrap_or_else(|| format!("it is {list}"));
                        (format!("cannot be `{word}`"), Some(help))
                    }
                }
            })
        })
    }

    /// Every key has been asked for: any other is a mistake.
    pub fn finish(&self) {
        if let Some(user) = self.user {
            let within = format!(" in `{}`", self.name);
            let near = unknown(self.mistakes, user, &self.known.borrow(), "key", &within);
            // What is written under another name is not missing as well.
            let missing: Vec<String> = near.iter().map(|key| self.missing(key)).collect();
            self.mistakes.found.borrow_mut().retain(|mistake| {
                mistake.span != self.place || !missing.contains(&mistake.message)
            });
        }
    }
}

fn near(error: &UnitError) -> Option<String> {
    match error {
        UnitError::Unknown { near, .. } => near.as_deref().map(meant),
        _ => None,
    }
}

/// A number, with its unit if it has one.
fn digits<'v>(value: &'v DeValue<'_>) -> Option<&'v str> {
    match value {
        DeValue::Integer(number) => Some(number.as_str()),
        DeValue::Float(number) => Some(number.as_str()),
        other => other.as_str(),
    }
}

fn quantity(
    value: &DeValue<'_>,
    dimension: Dimension,
    limits: &RangeInclusive<f64>,
) -> Result<f64, Wrong> {
    let kind = dimension.name(&[]);
    let number = digits(value).filter(|_| dimension.is_number() || value.is_str());
    let Some(number) = number else {
        return Err(must_be(format!("a text with a number and a unit of {kind}"), value));
    };
    let (read, unit) = parse_quantity(number).map_err(|e| {
        let near = match &e {
            QuantityError::Unit(unit) => near(unit),
            QuantityError::NoNumber(_) | QuantityError::Sign(..) => None,
        };
        (format!("is no {kind}: {e}"), near)
    })?;
    let found = unit.as_ref().map_or(Dimension::NUMBER, |u| u.dimension);
    if found != dimension {
        return Err((format!("must be of kind {kind}, not {}", found.name(&[])), None));
    }
    if !limits.contains(&read) {
        // A share is told in the unit of the user.
        let unit = unit.as_ref().filter(|_| dimension.is_number());
        let shown = |v: f64| show_quantity(v, dimension, unit, None);
        let [low, high, read] = [*limits.start(), *limits.end(), read].map(shown);
        return Err((format!("must be from {low} to {high}, not {read}"), None));
    }
    Ok(read)
}
