//! Reads a TOML file key by key, laid over a built-in one: the file of a simulated head or of a
//! fixture. Collects every mistake with its place: unknown keys, wrong kinds, units and ranges.

pub(crate) mod lines;

use core::cell::RefCell;
use core::ops::{Range, RangeInclusive};
use spintrue_head::{
    Dimension, QuantityError, UnitError, UnitText, nearest_name, parse_quantity, parse_unit,
    show_quantity,
};
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
fn parse(text: &str) -> Result<Spanned<DeTable<'_>>, Vec<ConfigError>> {
    let mistakes = Mistakes::new(text);
    if text.len() > MAX_TEXT {
        mistakes.add(0..0, "the description is larger than 1 MiB", None);
        return mistakes.or(Spanned::new(0..0, DeTable::new()));
    }
    let (table, errors) = DeTable::parse_recoverable(text);
    for error in errors {
        let message = format!("this is not TOML: {}", error.message());
        mistakes.add(error.span().unwrap_or(0..0), message, None);
    }
    mistakes.or(table)
}

/// Reads `text`, laid over `built_in`; `tables` are the names that may stand at its top. Returns
/// every mistake at once.
pub fn read<T>(
    text: &str,
    built_in: &str,
    tables: &[&str],
    read: impl FnOnce(&Reader<'_, '_>) -> T,
) -> Result<T, Vec<ConfigError>> {
    let built_in = parse(built_in)?;
    let user = parse(text)?;
    let mistakes = Mistakes::new(text);
    unknown(&mistakes, user.get_ref(), tables, "table", "");
    let (user, built_in) = (user.get_ref(), built_in.get_ref());
    let value = read(&Reader { user, built_in, mistakes: &mistakes });
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

fn unknown(mistakes: &Mistakes<'_>, table: &DeTable<'_>, known: &[&str], what: &str, within: &str) {
    for key in table.keys() {
        let name: &str = key.get_ref();
        if known.contains(&name) {
            continue;
        }
        let help = match nearest_name(name, known.iter().copied()) {
            Some(k) => format!("did you mean `{k}`?"),
            None => format!("known here: {}", known.join(", ")),
        };
        mistakes.add(key.span(), format!("there is no {what} `{name}`{within}"), Some(help));
    }
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

    /// Notes a mistake at a key of a table, or at the table where the key is missing.
    pub fn complain(&self, table: &str, key: &str, message: impl Into<String>, help: Option<&str>) {
        let table = self.user.get(table);
        let value = table.and_then(|t| t.get_ref().as_table()?.get(key)).or(table);
        let place = value.map_or(0..0, Spanned::span);
        self.mistakes.add(place, message, help.map(str::to_string));
    }

    /// The user's file has a table of this name.
    pub fn has(&self, table: &str) -> bool {
        self.user.contains_key(table)
    }

    /// The table of a name.
    pub fn table(&self, name: &'static str) -> Table<'a, 't> {
        let given = self.user.get(name);
        let user = given.and_then(|v| match v.get_ref() {
            DeValue::Table(table) => Some(table),
            other => {
                let message = format!("`{name}` must be a table, not {}", kind_of(other));
                let help = format!("write `[{name}]` and its keys below");
                self.mistakes.add(v.span(), message, Some(help));
                None
            }
        });
        let built_in = self.built_in.get(name).and_then(|v| v.get_ref().as_table());
        let place = given.map_or(0..0, Spanned::span);
        Table { built_in, user, ..Table::new(name, place, self.mistakes) }
    }

    /// The tables of a list such as `[[rail]]`; the user's list replaces the built-in one.
    pub fn list(&self, name: &'static str) -> Vec<Table<'a, 't>> {
        let Some(given) = self.user.get(name) else {
            let built_in = self.built_in.get(name).and_then(|v| v.get_ref().as_array());
            let tables = built_in.into_iter().flatten().map(|v| Table {
                built_in: v.get_ref().as_table(),
                ..Table::new(name, 0..0, self.mistakes)
            });
            return tables.collect();
        };
        let wrong = |v: &Spanned<DeValue<'_>>| {
            let message =
                format!("`{name}` must be a list of tables, not {}", kind_of(v.get_ref()));
            let help = format!("write `[[{name}]]` and its keys below");
            self.mistakes.add(v.span(), message, Some(help));
        };
        let Some(items) = given.get_ref().as_array() else {
            wrong(given);
            return Vec::new();
        };
        let tables = items.iter().filter_map(|item| {
            let user = item.get_ref().as_table();
            if user.is_none() {
                wrong(item);
            }
            user.map(|user| Table {
                user: Some(user),
                ..Table::new(name, item.span(), self.mistakes)
            })
        });
        tables.collect()
    }
}

/// One table, over the built-in one.
pub struct Table<'a, 't> {
    name: &'static str,
    user: Option<&'a DeTable<'t>>,
    built_in: Option<&'a DeTable<'t>>,
    /// Where to point when a key is missing.
    place: Range<usize>,
    mistakes: &'a Mistakes<'t>,
    known: Vec<&'static str>,
    /// Its values are texts, numbers too: an option of the command line.
    is_option: bool,
}

/// What is wrong with a value, and what would be right.
struct Wrong {
    message: String,
    help: Option<String>,
}

impl Wrong {
    fn new(message: impl Into<String>) -> Wrong {
        Wrong { message: message.into(), help: None }
    }

    fn help(self, help: impl Into<String>) -> Wrong {
        Wrong { help: Some(help.into()), ..self }
    }
}

impl<'a, 't> Table<'a, 't> {
    fn new(name: &'static str, place: Range<usize>, mistakes: &'a Mistakes<'t>) -> Self {
        let (user, built_in, known) = (None, None, Vec::new());
        Table { name, user, built_in, place, mistakes, known, is_option: false }
    }

    /// An option of the command line, whose values are all texts.
    pub(crate) fn option(
        name: &'static str,
        values: &'a DeTable<'t>,
        mistakes: &'a Mistakes<'t>,
    ) -> Self {
        let user = Some(values);
        Table { user, is_option: true, ..Table::new(name, 0..mistakes.text.len(), mistakes) }
    }

    /// Reads a key, from the user's table or else the built-in one.
    fn key<T>(
        &mut self,
        key: &'static str,
        parse: impl Fn(&DeValue<'_>) -> Result<T, Wrong>,
    ) -> Option<T> {
        self.known.push(key);
        if let Some(value) = self.user.and_then(|t| t.get(key)) {
            match parse(value.get_ref()) {
                Ok(parsed) => return Some(parsed),
                Err(Wrong { message, help }) => {
                    let message = format!("`{}.{key}` {message}", self.name);
                    self.mistakes.add(value.span(), message, help);
                }
            }
        }
        parse(self.built_in?.get(key)?.get_ref()).ok()
    }

    /// Notes a key that is missing.
    fn needed<T>(&mut self, key: &'static str, value: Option<T>) -> Option<T> {
        if value.is_none() && self.user.is_none_or(|t| !t.contains_key(key)) {
            let message = format!("`{}` needs the key `{key}`", self.name);
            self.mistakes.add(self.place.clone(), message, None);
        }
        value
    }

    /// Where to point for a key of this table.
    fn place(&self, key: &str) -> Range<usize> {
        self.user.and_then(|t| t.get(key)).map_or(self.place.clone(), Spanned::span)
    }

    /// A quantity in SI within limits; 1 where it is missing or wrong.
    pub fn quantity(
        &mut self,
        key: &'static str,
        dimension: Dimension,
        limits: RangeInclusive<f64>,
    ) -> f64 {
        self.some_quantity(key, dimension, limits).unwrap_or(1.0)
    }

    /// A quantity in SI within limits; none where it is missing or wrong.
    pub fn some_quantity(
        &mut self,
        key: &'static str,
        dimension: Dimension,
        limits: RangeInclusive<f64>,
    ) -> Option<f64> {
        let value = self.optional_quantity(key, dimension, limits);
        self.needed(key, value)
    }

    /// A quantity that may be left out.
    pub fn optional_quantity(
        &mut self,
        key: &'static str,
        dimension: Dimension,
        limits: RangeInclusive<f64>,
    ) -> Option<f64> {
        self.key(key, |v| quantity(v, dimension, &limits))
    }

    /// A list of quantities that may be left out.
    pub fn quantities(
        &mut self,
        key: &'static str,
        dimension: Dimension,
        limits: RangeInclusive<f64>,
        count: u32,
    ) -> Option<Vec<f64>> {
        self.key(key, |v| {
            let items = v.as_array().ok_or_else(|| {
                Wrong::new(format!("must be a list of quantities, not {}", kind_of(v)))
            })?;
            if items.len() as u64 != u64::from(count) {
                let found = items.len();
                return Err(Wrong::new(format!(
                    "must have {count} values, one per facet, not {found}"
                )));
            }
            items.iter().map(|item| quantity(item.get_ref(), dimension, &limits)).collect()
        })
    }

    /// A whole number within limits; the least where it is missing or wrong.
    pub fn whole(&mut self, key: &'static str, limits: RangeInclusive<u32>) -> u32 {
        let least = *limits.start();
        let value = self.optional_whole(key, limits);
        self.needed(key, value).unwrap_or(least)
    }

    /// A whole number that may be left out.
    pub fn optional_whole(
        &mut self,
        key: &'static str,
        limits: RangeInclusive<u32>,
    ) -> Option<u32> {
        let is_option = self.is_option;
        self.key(key, |v| {
            let (low, high) = (limits.start(), limits.end());
            let range = format!("must be a whole number from {low} to {high}");
            let read = match v {
                DeValue::Integer(whole) => i64::from_str_radix(whole.as_str(), whole.radix()).ok(),
                DeValue::String(text) if is_option => text.parse().ok(),
                other => return Err(Wrong::new(format!("{range}, not {}", kind_of(other)))),
            };
            let read = read.and_then(|read| u32::try_from(read).ok());
            read.filter(|n| limits.contains(n)).ok_or(Wrong::new(range))
        })
    }

    /// A text of printable characters; empty where it is missing or wrong.
    pub fn text(&mut self, key: &'static str) -> String {
        let value = self.optional_text(key);
        self.needed(key, value).unwrap_or_default()
    }

    /// A text that may be left out.
    pub fn optional_text(&mut self, key: &'static str) -> Option<String> {
        self.key(key, |v| match v.as_str() {
            Some(text)
                if !text.is_empty() && text.len() <= 200 && !text.contains(char::is_control) =>
            {
                Ok(text.to_string())
            }
            Some(_) => Err(Wrong::new("must have 1 to 200 printable characters")),
            None => Err(Wrong::new(format!("must be a text, not {}", kind_of(v)))),
        })
    }

    /// A unit, such as `kPa`; none where it is missing or wrong.
    pub fn unit(&mut self, key: &'static str) -> Option<UnitText> {
        let value = self.key(key, |v| {
            let text = v.as_str().ok_or_else(|| {
                Wrong::new(format!("must be a unit such as \"kPa\", not {}", kind_of(v)))
            })?;
            parse_unit(text).map_err(|e| {
                let wrong = Wrong::new(format!("is no unit: {e}"));
                match e {
                    UnitError::Unknown { near: Some(near), .. } => {
                        wrong.help(format!("did you mean `{near}`?"))
                    }
                    _ => wrong,
                }
            })
        });
        self.needed(key, value)
    }

    /// `true` or `false`; false where it is left out.
    pub fn flag(&mut self, key: &'static str) -> bool {
        let value = self.key(key, |v| {
            let wrong = || Wrong::new(format!("must be true or false, not {}", kind_of(v)));
            v.as_bool().ok_or_else(wrong)
        });
        value.unwrap_or(false)
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
    pub fn accept(&mut self, keys: &[&'static str]) {
        self.known.extend(keys);
    }

    /// Notes a mistake at a key, or at the table where the key is missing.
    pub fn complain(&self, key: &str, message: impl Into<String>) {
        self.mistakes.add(self.place(key), message, None);
    }

    /// The same with what would be right.
    pub fn complain_with(&self, key: &str, message: impl Into<String>, help: impl Into<String>) {
        self.mistakes.add(self.place(key), message, Some(help.into()));
    }

    /// What one of a few words stands for; none where it is missing or wrong.
    pub fn choice<T: Copy>(&mut self, key: &'static str, words: &[(&str, T)]) -> Option<T> {
        let value = self.optional_choice(key, words);
        self.needed(key, value)
    }

    /// What one of a few words stands for, which may be left out.
    pub fn optional_choice<T: Copy>(
        &mut self,
        key: &'static str,
        words: &[(&str, T)],
    ) -> Option<T> {
        self.key(key, |v| {
            let names: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
            let list = format!("must be one of {}", names.join(", "));
            let word =
                v.as_str().ok_or_else(|| Wrong::new(format!("{list}, not {}", kind_of(v))))?;
            let found = words.iter().find(|(known, _)| *known == word);
            found.map(|(_, value)| *value).ok_or_else(|| {
                let wrong = Wrong::new(format!("{list}, not `{word}`"));
                match nearest_name(word, names.iter().copied()) {
                    Some(near) => wrong.help(format!("did you mean `{near}`?")),
                    None => wrong,
                }
            })
        })
    }

    /// Every key has been asked for: any other is a mistake.
    pub fn finish(&self) {
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
) -> Result<f64, Wrong> {
    let kind = dimension.name(&[]);
    let shown = |v: f64| show_quantity(v, dimension, None, None);
    let example = || format!("for example \"{}\"", shown(*limits.end()));
    let number: &str = match value {
        DeValue::Integer(n) if dimension.is_number() => n.as_str(),
        DeValue::Float(n) if dimension.is_number() => n.as_str(),
        DeValue::String(text) => text,
        other => {
            let other = kind_of(other);
            let message = format!("must be a text with a number and a unit of {kind}, not {other}");
            return Err(Wrong::new(message).help(example()));
        }
    };
    let (read, unit) = parse_quantity(number).map_err(|e| {
        let wrong = Wrong::new(format!("is no {kind}: {e}"));
        match e {
            QuantityError::Unit(UnitError::Unknown { near: Some(near), .. }) => {
                wrong.help(format!("did you mean `{near}`?"))
            }
            _ => wrong.help(example()),
        }
    })?;
    let found = unit.map_or(Dimension::NUMBER, |u| u.dimension);
    if found != dimension {
        let message = format!("must be {kind}, not {}", found.name(&[]));
        return Err(Wrong::new(message).help(example()));
    }
    if !limits.contains(&read) {
        let [low, high, read] = [*limits.start(), *limits.end(), read].map(shown);
        return Err(Wrong::new(format!("must be from {low} to {high}, not {read}")));
    }
    Ok(read)
}
