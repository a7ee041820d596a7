//! Values while a script runs: doubles untagged in slots, and references to what is larger.

use std::rc::Rc;

/// Most bytes in one text.
pub(crate) const MAX_TEXT: usize = 1 << 20;
/// Most doubles in one list; a reference counts as three.
pub(crate) const MAX_LIST: usize = 4_000_000;
/// What a reference takes, in doubles.
pub(crate) const REF_COST: usize = 3;
/// Most parts of a value that is shown.
pub(crate) const MAX_SHOWN: usize = 350_000;

/// Something that does not fit a double.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Value {
    /// An empty slot.
    #[default]
    Nothing,
    /// Text, which grows in place while nothing else sees it.
    Text(Rc<String>),
    /// A list or a record; its type says which, and how it is laid out.
    Object(Rc<Object>),
}

/// A list or a record: all doubles together, all references together, nested records spread
/// out in place. Item `i` of a list whose items take `w` words starts at word `i * w`.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Object {
    /// Quantities, temperatures and flags.
    pub words: Vec<f64>,
    /// Texts and lists.
    pub refs: Vec<Value>,
}

/// A value of any type at the border to the built-ins.
#[derive(Clone, Debug, PartialEq)]
pub enum Datum {
    /// An optional argument that was not given, or no result.
    Nothing,
    /// A quantity in SI, or a temperature in K.
    Number(f64),
    /// A flag.
    Flag(bool),
    /// Text, a list or a record.
    Value(Value),
}

impl Value {
    /// Text.
    pub fn text(text: &str) -> Value {
        Value::Text(Rc::new(text.to_string()))
    }

    /// A list of doubles, or a record of doubles.
    pub fn words(words: Vec<f64>) -> Value {
        Value::Object(Rc::new(Object { words, refs: Vec::new() }))
    }

    /// The doubles of a list or record.
    pub fn as_words(&self) -> &[f64] {
        match self {
            Value::Object(object) => &object.words,
            _ => &[],
        }
    }

    /// The references of a list or record.
    pub fn as_refs(&self) -> &[Value] {
        match self {
            Value::Object(object) => &object.refs,
            _ => &[],
        }
    }

    /// The text; empty where there is none.
    pub fn as_text(&self) -> &str {
        match self {
            Value::Text(text) => text,
            _ => "",
        }
    }
}

impl Datum {
    /// The number; NaN where there is none.
    pub fn number(&self) -> f64 {
        self.given().unwrap_or(f64::NAN)
    }

    /// The number, where one was given.
    pub fn given(&self) -> Option<f64> {
        match self {
            Datum::Number(number) => Some(*number),
            _ => None,
        }
    }

    /// The flag; false where there is none.
    pub fn flag(&self) -> bool {
        matches!(self, Datum::Flag(true))
    }

    /// The doubles of a list or record.
    pub fn words(&self) -> &[f64] {
        match self {
            Datum::Value(value) => value.as_words(),
            _ => &[],
        }
    }

    /// The text; empty where there is none.
    pub fn text(&self) -> &str {
        match self {
            Datum::Value(value) => value.as_text(),
            _ => "",
        }
    }
}

/// The remainder that has the sign of `b`.
pub(crate) fn remainder(a: f64, b: f64) -> f64 {
    let rest = a % b;
    if rest != 0.0 && (rest < 0.0) != (b < 0.0) { rest + b } else { rest }
}
