//! How a value is shown: made by the checker from its type, used while the script runs.

use crate::program::types::Type;
use crate::program::value::{Datum, Value};
use spintrue_head::{
    Dimension, UnitText, noise_of, parse_unit, show_number, show_quantity, suited_unit,
};
use std::borrow::Cow;
use std::rc::Rc;
use std::sync::Arc;

/// Shows values of one type.
#[derive(Clone, Debug)]
pub enum Shower {
    /// A quantity or a temperature.
    Quantity {
        /// Its dimension.
        dimension: Dimension,
        /// A temperature as a thermometer shows it, not a difference.
        absolute: bool,
        /// The unit asked for.
        unit: Option<Rc<UnitText>>,
        /// Digits after the point asked for.
        decimals: Option<u8>,
    },
    /// `true` or `false`.
    Flag,
    /// Text as it stands.
    Text,
    /// A list.
    List(Box<Shower>),
    /// A record: its fields as they are laid out, and in which order they are shown.
    Record(Vec<(Arc<str>, Shower)>, Vec<Arc<str>>),
}

/// A value taken apart for people and for machines.
#[derive(Clone, Debug, PartialEq)]
pub enum Shown {
    /// A quantity or temperature.
    Quantity {
        /// In SI.
        value: f64,
        /// The SI unit; empty for a plain number.
        unit: String,
        /// The unit that was asked for.
        asked: Option<Rc<UnitText>>,
        /// For people.
        text: String,
    },
    /// A flag.
    Flag(bool),
    /// Text.
    Text(String),
    /// A list.
    List(Vec<Shown>),
    /// A record.
    Record(Vec<(Arc<str>, Shown)>),
}

/// A plain number for a message.
pub fn number_text(value: f64) -> String {
    show_number(value, None)
}

/// A time in s for a message.
pub fn time_text(seconds: f64) -> String {
    show_quantity(seconds, Dimension::TIME, None, None)
}

impl Shower {
    /// The unit in which it shows numbers, where that does not depend on them.
    pub fn unit(&self) -> Option<Rc<UnitText>> {
        match self {
            Shower::Quantity { absolute: true, unit: None, .. } => {
                parse_unit("degC").ok().map(Rc::new)
            }
            Shower::Quantity { unit, .. } => unit.clone(),
            _ => None,
        }
    }

    /// Shows differences of what this shows: of two temperatures, a quantity in K.
    #[must_use]
    pub fn difference(&self) -> Shower {
        match self {
            Shower::Quantity { dimension, absolute: true, decimals, .. } => Shower::Quantity {
                dimension: *dimension,
                absolute: false,
                unit: None,
                decimals: *decimals,
            },
            other => other.clone(),
        }
    }

    /// Shows one measured value with the digits that it deserves: an uncertainty with two
    /// significant digits and the value to the same place (JCGM 100:2008, 7.2.6, from memory),
    /// else four significant digits. A unit in which it would be tiny or huge is left out.
    #[must_use]
    pub fn tuned(&self, value: f64, uncertainty: Option<f64>) -> Shower {
        let Shower::Quantity { dimension, absolute: false, unit, decimals: None } = self else {
            return self.clone();
        };
        // A small value with a larger uncertainty stays in a unit that suits this.
        let size = value.abs().max(uncertainty.unwrap_or(0.0));
        let suited = suited_unit(size, *dimension).map(Rc::new);
        let fits = |unit: &Rc<UnitText>| {
            let count = unit.from_si(size);
            dimension.is_number() || count < MAX_COUNTED && (count >= 0.01 || value == 0.0)
        };
        let unit = match unit {
            Some(unit) if !fits(unit) => suited.filter(fits).or_else(|| Some(unit.clone())),
            Some(unit) => Some(unit.clone()),
            None => suited,
        };
        let counted = |si: f64| unit.as_ref().map_or(si, |unit| unit.from_si(si));
        let value = counted(value);
        let decimals = match uncertainty.filter(|u| *u > 0.0) {
            Some(uncertainty) => Some(places(counted(uncertainty), 2)),
            None => {
                let four = places(value, 4);
                let shorter = show_number(value, None).len() < show_number(value, Some(four)).len();
                (!shorter).then_some(four)
            }
        };
        Shower::Quantity { dimension: *dimension, absolute: false, unit, decimals }
    }

    /// Shows a number of the script, such as a limit, with up to nine digits where those tell it.
    #[must_use]
    pub fn as_written(&self, value: f64) -> Shower {
        let Shower::Quantity { dimension, absolute: false, unit, decimals: None } = self else {
            return self.clone();
        };
        let unit = unit.clone().or_else(|| suited_unit(value, *dimension).map(Rc::new));
        let counted = unit.as_ref().map_or(value, |unit| unit.from_si(value));
        let tells = |decimals: &u8| {
            let shown: f64 = show_number(counted, Some(*decimals)).parse().unwrap_or(f64::NAN);
            (shown - counted).abs() <= noise_of(counted)
        };
        let decimals = (1..=9).map(|digits| places(counted, digits)).find(tells);
        // Five are shown anyway.
        let decimals = decimals.filter(|decimals| *decimals > places(counted, 5));
        Shower::Quantity { dimension: *dimension, absolute: false, unit, decimals }
    }

    /// Shows values of a type; none where the type cannot be shown.
    pub fn of(kind: &Type, unit: Option<Rc<UnitText>>, decimals: Option<u8>) -> Option<Shower> {
        Some(match kind {
            Type::Quantity(dimension) if dimension.is_open() => return None,
            Type::Quantity(dimension) => {
                Shower::Quantity { dimension: *dimension, absolute: false, unit, decimals }
            }
            Type::Temperature => {
                let dimension = Dimension::TEMPERATURE;
                Shower::Quantity { dimension, absolute: true, unit, decimals }
            }
            Type::Flag => Shower::Flag,
            Type::Text => Shower::Text,
            Type::List(item) => Shower::List(Box::new(Shower::of(item, unit, decimals)?)),
            Type::Record(record) => {
                let fields = record
                    .fields
                    .iter()
                    .map(|(name, kind)| Some((name.clone(), Shower::of(kind, None, decimals)?)));
                Shower::Record(fields.collect::<Option<Vec<_>>>()?, record.written.clone())
            }
            Type::Nothing | Type::Point(_) | Type::Any | Type::Unknown => return None,
        })
    }

    /// Shows the fields of a record, or of a list of records, in the units that they were
    /// written in.
    #[must_use]
    pub fn with_fields(self, units: &[(Arc<str>, Rc<UnitText>)]) -> Shower {
        match self {
            Shower::List(item) => Shower::List(Box::new(item.with_fields(units))),
            Shower::Record(fields, written) => {
                let fields = fields.into_iter().map(|(name, shower)| {
                    let written = units.iter().find(|(n, _)| *n == name).map(|(_, u)| u.clone());
                    let shower = match shower {
                        Shower::Quantity { dimension, absolute, unit: None, decimals } => {
                            Shower::Quantity { dimension, absolute, unit: written, decimals }
                        }
                        other => other,
                    };
                    (name, shower)
                });
                Shower::Record(fields.collect(), written)
            }
            other => other,
        }
    }

    /// Takes a value apart.
    pub fn shown(&self, datum: &Datum) -> Shown {
        let flag = [if datum.flag() { 1.0 } else { 0.0 }];
        let number = [datum.number()];
        match datum {
            Datum::Nothing => Shown::Text(String::new()),
            Datum::Number(_) => self.part(&mut number.iter(), &mut [].iter()),
            Datum::Flag(_) => self.part(&mut flag.iter(), &mut [].iter()),
            Datum::Value(value) => match self {
                Shower::Record(..) => {
                    self.part(&mut value.as_words().iter(), &mut value.as_refs().iter())
                }
                _ => self.part(&mut [].iter(), &mut std::slice::from_ref(value).iter()),
            },
        }
    }

    /// Writes a value as text.
    pub fn write(&self, datum: &Datum, text: &mut String) {
        match (self, datum) {
            (Shower::Quantity { dimension, decimals, .. }, Datum::Number(value)) => {
                let unit = self.unit();
                text.push_str(&show_quantity(*value, *dimension, unit.as_deref(), *decimals));
            }
            _ => text.push_str(&self.shown(datum).to_string()),
        }
    }

    /// Shows a value as text.
    pub fn text(&self, datum: &Datum) -> String {
        self.shown(datum).to_string()
    }

    fn part(
        &self,
        words: &mut std::slice::Iter<'_, f64>,
        refs: &mut std::slice::Iter<'_, Value>,
    ) -> Shown {
        let nothing = Value::Nothing;
        match self {
            Shower::Quantity { .. } => self.quantity(words.next().copied().unwrap_or(f64::NAN)),
            Shower::Flag => Shown::Flag(words.next().is_some_and(|word| *word != 0.0)),
            Shower::Text => Shown::Text(refs.next().unwrap_or(&nothing).as_text().to_string()),
            Shower::List(item) => {
                let list = refs.next().unwrap_or(&nothing);
                let mut words = list.as_words().iter();
                let mut refs = list.as_refs().iter();
                let mut items = Vec::new();
                while words.len() > 0 || refs.len() > 0 {
                    items.push(item.part(&mut words, &mut refs));
                }
                Shown::List(items)
            }
            Shower::Record(fields, written) => {
                let parts = fields.iter().map(|(_, shower)| match shower {
                    Shower::Quantity { .. } => Ok(words.next().copied().unwrap_or(f64::NAN)),
                    other => Err(other.part(words, refs)),
                });
                let mut shown = by_uncertainty(fields, parts.collect());
                let place = |name: &Arc<str>| written.iter().position(|other| other == name);
                shown.sort_by_key(|(name, _)| place(name).unwrap_or(usize::MAX));
                Shown::Record(shown)
            }
        }
    }

    /// Shows a number; empty where it shows none.
    fn quantity(&self, value: f64) -> Shown {
        let Shower::Quantity { dimension, decimals, .. } = self else {
            return Shown::Text(String::new());
        };
        let asked = self.unit();
        let text = show_quantity(value, *dimension, asked.as_deref(), *decimals);
        Shown::Quantity { value, unit: dimension.si(), asked, text }
    }
}

/// The fields of a record, each a quantity's value or what is shown. A field beside which the same name
/// with `_u` tells its uncertainty has the digits of that.
fn by_uncertainty(
    fields: &[(Arc<str>, Shower)],
    parts: Vec<Result<f64, Shown>>,
) -> Vec<(Arc<str>, Shown)> {
    let mut showers: Vec<Cow<'_, Shower>> = fields.iter().map(|(_, s)| Cow::Borrowed(s)).collect();
    for (at, (name, _)) in fields.iter().enumerate() {
        let Some(of) = name.strip_suffix("_u") else { continue };
        let Ok(of) = fields.binary_search_by(|(other, _)| (**other).cmp(of)) else { continue };
        let (Some(Ok(uncertainty)), Some(Ok(value))) = (parts.get(at), parts.get(of)) else {
            continue;
        };
        let Some((_, shower)) = fields.get(of).filter(|_| *uncertainty > 0.0) else { continue };
        let tuned = shower.tuned(*value, Some(*uncertainty));
        for (place, shower) in [(at, tuned.difference()), (of, tuned)] {
            if let Some(place) = showers.get_mut(place) {
                *place = Cow::Owned(shower);
            }
        }
    }
    let shown = parts.into_iter().zip(fields).zip(showers).map(|((part, (name, _)), shower)| {
        let shown = part.map_or_else(|shown| shown, |value| shower.quantity(value));
        (name.clone(), shown)
    });
    shown.collect()
}

/// Digits after the point that show `digits` significant ones after rounding.
pub fn places(number: f64, significant: u8) -> u8 {
    let digits = usize::from(significant.saturating_sub(1));
    let rounded = format!("{number:.digits$e}");
    let magnitude = rounded.split_once('e').and_then(|(_, e)| e.parse::<i32>().ok());
    let wanted = magnitude.map_or(0, |magnitude| i32::from(significant) - 1 - magnitude);
    if number == 0.0 { 0 } else { wanted.clamp(0, MAX_PLACES) as u8 }
}

/// More of a unit than this is told in a larger one.
const MAX_COUNTED: f64 = 1e6;

/// Most digits after the point.
const MAX_PLACES: i32 = 17;

impl std::fmt::Display for Shown {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Shown::Quantity { text, .. } | Shown::Text(text) => f.write_str(text),
            Shown::Flag(flag) => write!(f, "{flag}"),
            Shown::List(items) => {
                let items: Vec<String> = items.iter().map(Shown::to_string).collect();
                write!(f, "[{}]", items.join(", "))
            }
            Shown::Record(fields) => {
                let fields = fields.iter().map(|(name, field)| format!("{name}: {field}"));
                write!(f, "{{{}}}", fields.collect::<Vec<_>>().join(", "))
            }
        }
    }
}
