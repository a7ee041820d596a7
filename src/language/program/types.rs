//! Types of the language, and how their values are laid out.

use spintrue_head::{Dimension, UnitText};
use std::rc::Rc;
use std::sync::Arc;

/// A type.
#[derive(Clone, Debug, PartialEq)]
pub enum Type {
    /// A number with a dimension.
    Quantity(Dimension),
    /// A temperature as a thermometer shows it; differences are quantities in K.
    Temperature,
    /// `true` or `false`.
    Flag,
    /// Text.
    Text,
    /// A list of one type.
    List(Rc<Type>),
    /// A record.
    Record(Rc<RecordType>),
    /// What a routine without a result gives.
    Nothing,
    /// A quantity or a temperature: only in signatures of built-ins.
    Point(Dimension),
    /// Any one type: only in signatures of built-ins, where it means the same type each time.
    Any,
    /// The type of what was refused already; fits everywhere, so that one mistake is one report.
    Unknown,
}

/// The fields of a record, sorted by name.
#[derive(Clone, Debug)]
pub struct RecordType {
    /// The name of a record that the head or a built-in gives.
    pub name: Option<&'static str>,
    /// Name and type of each field.
    pub fields: Vec<(Arc<str>, Type)>,
    /// The names as the script or a table orders them, for what people read; those that are not in it
    /// follow.
    pub written: Vec<Arc<str>>,
}

impl PartialEq for RecordType {
    /// Records are the same when their fields are; name and order are for the reader.
    fn eq(&self, other: &Self) -> bool {
        std::ptr::eq(self, other) || self.fields == other.fields
    }
}

/// How many doubles and how many references a value takes inside a list or record.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Layout {
    /// Doubles: quantities, temperatures and flags (0 or 1).
    pub words: usize,
    /// References: texts and lists.
    pub refs: usize,
}

impl Layout {
    /// One double.
    pub const WORD: Layout = Layout { words: 1, refs: 0 };
    /// One reference.
    pub const REF: Layout = Layout { words: 0, refs: 1 };

    /// Both, one behind the other.
    #[must_use]
    pub fn plus(self, other: Layout) -> Layout {
        Layout { words: self.words + other.words, refs: self.refs + other.refs }
    }

    /// `count` of these.
    #[must_use]
    pub fn times(self, count: usize) -> Layout {
        Layout { words: self.words.saturating_mul(count), refs: self.refs.saturating_mul(count) }
    }
}

impl Type {
    /// A plain number.
    pub const NUMBER: Type = Type::Quantity(Dimension::NUMBER);

    /// A list of this.
    #[must_use]
    pub fn list(self) -> Type {
        Type::List(Rc::new(self))
    }

    /// The type of the values in a unit.
    pub fn in_unit(unit: &UnitText) -> Type {
        if unit.is_absolute() { Type::Temperature } else { Type::Quantity(unit.dimension) }
    }

    /// Of a list the type of its items.
    pub fn item(&self) -> Option<&Type> {
        match self {
            Type::List(item) => Some(item),
            _ => None,
        }
    }

    /// Of a record its fields.
    pub fn record(&self) -> Option<&RecordType> {
        match self {
            Type::Record(record) => Some(record),
            _ => None,
        }
    }

    /// How it is laid out inside a list or a record: records are spread out in place.
    pub fn layout(&self) -> Layout {
        match self {
            Type::Quantity(_) | Type::Temperature | Type::Point(_) | Type::Flag => Layout::WORD,
            Type::Text | Type::List(_) => Layout::REF,
            Type::Record(record) => {
                record.fields.iter().fold(Layout::default(), |sum, (_, t)| sum.plus(t.layout()))
            }
            Type::Nothing | Type::Any | Type::Unknown => Layout::default(),
        }
    }

    /// As a script would write it; `open` names the open dimensions.
    pub fn name(&self, open: &[&str]) -> String {
        match self {
            Type::Quantity(dimension) | Type::Point(dimension) => dimension.name(open),
            Type::Temperature => "temperature".to_string(),
            Type::Flag => "flag".to_string(),
            Type::Text => "text".to_string(),
            Type::List(item) => format!("list of {}", item.name(open)),
            Type::Record(record) => match record.name {
                Some(name) => name.to_string(),
                None => {
                    let fields = record.fields.iter();
                    let fields: Vec<String> =
                        fields.map(|(n, t)| format!("{n}: {}", t.name(open))).collect();
                    format!("{{{}}}", fields.join(", "))
                }
            },
            Type::Nothing => "nothing".to_string(),
            Type::Any => "anything".to_string(),
            Type::Unknown => "something unknown".to_string(),
        }
    }
}

impl RecordType {
    /// Where a field lies: its offset in the record, and its type.
    pub fn field(&self, name: &str) -> Option<(Layout, &Type)> {
        let mut offset = Layout::default();
        for (field, kind) in &self.fields {
            if &**field == name {
                return Some((offset, kind));
            }
            offset = offset.plus(kind.layout());
        }
        None
    }
}
