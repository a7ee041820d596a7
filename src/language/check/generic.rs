//! Matching the types of arguments against a signature that is open in its dimensions or takes
//! anything.

use crate::program::types::{RecordType, Type};
use spintrue_head::{Dimension, OPEN_DIMENSION};
use std::rc::Rc;

/// What the open parts of a signature stand for in one call.
#[derive(Default)]
pub(super) struct Bindings {
    dimensions: [Option<Dimension>; OPEN_DIMENSION],
    any: Option<Type>,
    /// What stands for a point is a temperature.
    absolute: Option<bool>,
}

/// How an argument fits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Fit {
    /// It does.
    Fits,
    /// It does not.
    Unlike,
    /// Cannot be told before other arguments have been looked at.
    Later,
}

impl Bindings {
    /// Matches one argument's type; binds what it tells.
    pub(super) fn fit(&mut self, wanted: &Type, given: &Type) -> Fit {
        match (wanted, given) {
            (_, Type::Unknown) | (Type::Unknown, _) => Fit::Fits,
            (Type::Any, Type::Nothing) => Fit::Unlike,
            (Type::Any, given) => match &self.any {
                None => {
                    self.any = Some(given.clone());
                    Fit::Fits
                }
                Some(any) if any == given => Fit::Fits,
                Some(_) => Fit::Unlike,
            },
            (Type::Quantity(wanted), Type::Quantity(given)) => self.solve(*wanted, *given),
            (Type::Point(wanted), Type::Quantity(given)) => self.point(*wanted, *given, false),
            (Type::Point(wanted), Type::Temperature) => {
                self.point(*wanted, Dimension::TEMPERATURE, true)
            }
            (Type::List(wanted), Type::List(given)) => self.fit(wanted, given),
            (wanted, given) if wanted == given && is_closed(wanted) => Fit::Fits,
            (Type::Record(wanted), Type::Record(given)) => self.fit_records(wanted, given),
            _ => Fit::Unlike,
        }
    }

    fn fit_records(&mut self, wanted: &RecordType, given: &RecordType) -> Fit {
        if wanted.fields.len() != given.fields.len() {
            return Fit::Unlike;
        }
        let mut all = Fit::Fits;
        for ((wanted_name, wanted), (given_name, given)) in wanted.fields.iter().zip(&given.fields)
        {
            if wanted_name != given_name {
                return Fit::Unlike;
            }
            match self.fit(wanted, given) {
                Fit::Fits => {}
                Fit::Later => all = Fit::Later,
                Fit::Unlike => return Fit::Unlike,
            }
        }
        all
    }

    fn point(&mut self, wanted: Dimension, given: Dimension, absolute: bool) -> Fit {
        if *self.absolute.get_or_insert(absolute) == absolute {
            self.solve(wanted, given)
        } else {
            Fit::Unlike
        }
    }

    fn solve(&mut self, wanted: Dimension, given: Dimension) -> Fit {
        let mut known = wanted.without_open();
        let mut unknown = None;
        for (index, bound) in self.dimensions.iter().enumerate() {
            let exponent = wanted.open_exponent(index);
            match bound {
                _ if exponent == 0 => {}
                Some(bound) => {
                    let part = bound.power(i32::from(exponent)).and_then(|p| known.times(p));
                    let Some(part) = part else { return Fit::Unlike };
                    known = part;
                }
                None if unknown.is_some() => return Fit::Later,
                None => unknown = Some((index, exponent)),
            }
        }
        let Some((index, exponent)) = unknown else {
            return if known == given { Fit::Fits } else { Fit::Unlike };
        };
        let rest = given.over(known).and_then(|rest| rest.root(exponent));
        match (rest, self.dimensions.get_mut(index)) {
            (Some(rest), Some(slot)) => {
                *slot = Some(rest);
                Fit::Fits
            }
            _ => Fit::Unlike,
        }
    }

    /// A type of the signature with the open parts filled in; none where one is not known.
    pub(super) fn filled(&self, kind: &Type) -> Option<Type> {
        Some(match kind {
            kind if is_closed(kind) => kind.clone(),
            Type::Any => self.any.clone()?,
            Type::Quantity(dimension) => {
                let mut filled = dimension.without_open();
                for (index, bound) in self.dimensions.iter().enumerate() {
                    let exponent = dimension.open_exponent(index);
                    if exponent != 0 {
                        filled = filled.times((*bound)?.power(i32::from(exponent))?)?;
                    }
                }
                Type::Quantity(filled)
            }
            Type::Point(_) if self.absolute == Some(true) => Type::Temperature,
            Type::Point(dimension) => self.filled(&Type::Quantity(*dimension))?,
            Type::List(item) => Type::List(Rc::new(self.filled(item)?)),
            Type::Record(record) => {
                let fields = record.fields.iter();
                let fields = fields.map(|(n, t)| Some((n.clone(), self.filled(t)?)));
                let fields = fields.collect::<Option<Vec<_>>>()?;
                Type::Record(Rc::new(RecordType { fields, ..(**record).clone() }))
            }
            other => other.clone(),
        })
    }
}

/// Is of one kind in every call.
fn is_closed(kind: &Type) -> bool {
    match kind {
        Type::Any | Type::Point(_) => false,
        Type::Quantity(dimension) => !dimension.is_open(),
        Type::List(item) => is_closed(item),
        Type::Record(record) => record.fields.iter().all(|(_, kind)| is_closed(kind)),
        _ => true,
    }
}

#[cfg(test)]
mod tests {
    use super::{Bindings, Fit};
    use crate::program::types::Type;
    use spintrue_head::Dimension;

    #[test]
    fn open_dimensions_are_solved_for() {
        let open = Dimension::open(0);
        let squared = Type::Quantity(open.power(2).unwrap());
        let area = Type::Quantity(Dimension::LENGTH.power(2).unwrap());
        let mut bindings = Bindings::default();
        assert_eq!(bindings.fit(&squared, &area), Fit::Fits);
        let length = Type::Quantity(Dimension::LENGTH);
        assert_eq!(bindings.filled(&Type::Quantity(open)), Some(length.clone()));
        assert_eq!(Bindings::default().fit(&squared, &length), Fit::Unlike);
        let both = Type::Quantity(open.times(Dimension::open(1)).unwrap());
        assert_eq!(Bindings::default().fit(&both, &area), Fit::Later);
    }
}
