//! What is known of values before a script runs: numbers between two ends, lists by their length.
//! Uses builtins (ranges) and program.

use crate::bounds::form::Form;
use crate::builtins::Range;
use crate::program::types::Layout;
use crate::program::value::Value;
use crate::source::Span;
use std::rc::Rc;

/// Most doubles of a list that are known one by one.
const EXACT_MOST: usize = 4096;

/// What is known of a number, or of a flag as 0 or 1.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Num {
    /// Its ends.
    pub range: Range,
    /// How it depends on params.
    pub form: Form,
    /// The call that made it unknown.
    pub from: Option<Span>,
}

/// What is known of a list, record or text.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Shape {
    /// Nothing.
    Unknown(Option<Span>),
    /// Every part, as they lie.
    Exact(Vec<Num>, Vec<Rc<Shape>>),
    /// How many items, and what is known of the parts of every one.
    Repeated(Num, Vec<Num>, Vec<Rc<Shape>>),
}

/// What is known of a value.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Val {
    /// A number or flag.
    Num(Num),
    /// Anything else.
    Shape(Rc<Shape>),
}

impl Num {
    /// Known exactly, and by no param.
    pub(super) fn only(value: f64) -> Num {
        Num::of(Range::only(value))
    }

    /// Between two ends.
    pub(super) fn of(range: Range) -> Num {
        Num { range, form: Form::default(), from: None }
    }

    /// Unknown, because of a call.
    pub(super) fn any(from: Option<Span>) -> Num {
        Num { range: Range::ANY, form: Form::default(), from }
    }

    /// A flag.
    pub(super) fn flag(flag: Option<bool>) -> Num {
        match flag {
            Some(true) => Num::only(1.0),
            Some(false) => Num::only(0.0),
            None => Num::of(Range { low: 0.0, high: 1.0 }),
        }
    }

    /// The flag, where it is known.
    pub(super) fn as_flag(&self) -> Option<bool> {
        self.range.is_exact().then_some(self.range.low != 0.0)
    }

    /// Worked out from others in no simple way.
    #[must_use]
    pub(super) fn after(mut self, others: &[&Num]) -> Num {
        let held = others.iter().fold(0, |all, other| all | other.form.params());
        self.form = Form::held(held);
        self.from = self.from.or_else(|| others.iter().find_map(|other| other.from));
        if self.range.low.is_nan() || self.range.high.is_nan() {
            self.range = Range::ANY;
        }
        self
    }

    /// What holds for both.
    #[must_use]
    pub(super) fn joined(&self, other: &Num) -> Num {
        if self == other {
            return self.clone();
        }
        Num::of(self.range.joined(other.range)).after(&[self, other])
    }
}

impl Shape {
    /// Of a value: every part, unless it is very long.
    pub(super) fn of(value: &Value) -> Shape {
        let Value::Object(object) = value else { return Shape::Unknown(None) };
        if object.words.len().max(object.refs.len()) > EXACT_MOST {
            return Shape::Unknown(None);
        }
        let words = object.words.iter().map(|word| Num::only(*word)).collect();
        let refs = object.refs.iter().map(|inner| Rc::new(Shape::of(inner))).collect();
        Shape::Exact(words, refs)
    }

    /// What is known of its parts is forgotten, but not how many they are.
    #[must_use]
    pub(super) fn blurred(&self) -> Shape {
        let unknown = Rc::new(Shape::Unknown(None));
        let refs = |refs: &[Rc<Shape>]| vec![unknown.clone(); refs.len()];
        match self {
            Shape::Unknown(from) => Shape::Unknown(*from),
            Shape::Exact(words, r) => Shape::Exact(vec![Num::any(None); words.len()], refs(r)),
            Shape::Repeated(count, words, r) => {
                Shape::Repeated(count.clone(), vec![Num::any(None); words.len()], refs(r))
            }
        }
    }

    /// What holds for both.
    #[must_use]
    pub(super) fn joined(self: &Rc<Shape>, other: &Rc<Shape>) -> Rc<Shape> {
        if Rc::ptr_eq(self, other) {
            return self.clone();
        }
        let parts = |a: &[Num], b: &[Num]| a.iter().zip(b).map(|(a, b)| a.joined(b)).collect();
        let inner =
            |a: &[Rc<Shape>], b: &[Rc<Shape>]| a.iter().zip(b).map(|(a, b)| a.joined(b)).collect();
        let alike = |a: &[Num], b: &[Num], c: &[Rc<Shape>], d: &[Rc<Shape>]| {
            a.len() == b.len() && c.len() == d.len()
        };
        Rc::new(match (&**self, &**other) {
            (Shape::Exact(a, c), Shape::Exact(b, d)) if alike(a, b, c, d) => {
                Shape::Exact(parts(a, b), inner(c, d))
            }
            (Shape::Repeated(n, a, c), Shape::Repeated(m, b, d)) if alike(a, b, c, d) => {
                Shape::Repeated(n.joined(m), parts(a, b), inner(c, d))
            }
            (Shape::Unknown(from), _) | (_, Shape::Unknown(from)) => Shape::Unknown(*from),
            _ => Shape::Unknown(None),
        })
    }

    /// One behind the other, of items that lie as `item`.
    #[must_use]
    pub(super) fn followed(&self, other: &Shape) -> Shape {
        match (self, other) {
            (Shape::Exact(a, c), Shape::Exact(b, d))
                if a.len() + b.len() + c.len() + d.len() <= EXACT_MOST =>
            {
                Shape::Exact([&a[..], b].concat(), [&c[..], d].concat())
            }
            (Shape::Repeated(n, a, c), Shape::Repeated(m, b, d))
                if a.len() == b.len() && c.len() == d.len() =>
            {
                let count = Num::of(Range {
                    low: n.range.low + m.range.low,
                    high: n.range.high + m.range.high,
                });
                let words = a.iter().zip(b).map(|(a, b)| a.joined(b)).collect();
                let refs = c.iter().zip(d).map(|(c, d)| c.joined(d)).collect();
                Shape::Repeated(count.after(&[n, m]), words, refs)
            }
            (Shape::Unknown(from), _) | (_, Shape::Unknown(from)) => Shape::Unknown(*from),
            _ => Shape::Unknown(None),
        }
    }

    /// How many items that lie as `item`.
    pub(super) fn count(&self, item: Layout) -> Num {
        match self {
            Shape::Unknown(from) => {
                Num { from: *from, ..Num::of(Range { low: 0.0, high: f64::INFINITY }) }
            }
            Shape::Exact(words, refs) => {
                let words = words.len().checked_div(item.words);
                let count = words.or_else(|| refs.len().checked_div(item.refs));
                Num::only(count.unwrap_or(0) as f64)
            }
            Shape::Repeated(count, ..) => count.clone(),
        }
    }

    /// One item as a record: the one at `at`, or what holds for all.
    pub(super) fn item(&self, item: Layout, at: Option<usize>) -> Shape {
        match self {
            Shape::Unknown(from) => Shape::Unknown(*from),
            Shape::Repeated(count, words, refs) => {
                if words.len() == item.words && refs.len() == item.refs {
                    Shape::Exact(words.clone(), refs.clone())
                } else {
                    Shape::Unknown(count.from)
                }
            }
            Shape::Exact(words, refs) => {
                let range = |size: usize, at: usize| (size * at)..(size * at).saturating_add(size);
                let one = |at: usize| {
                    let words = words.get(range(item.words, at))?;
                    let refs = refs.get(range(item.refs, at))?;
                    Some(Rc::new(Shape::Exact(words.to_vec(), refs.to_vec())))
                };
                let count = self.count(item).range.high as usize;
                let shape = match at {
                    Some(at) => one(at),
                    None => (0..count).filter_map(one).reduce(|a, b| a.joined(&b)),
                };
                shape.map_or(Shape::Unknown(None), |shape| (*shape).clone())
            }
        }
    }

    /// A double of a record.
    pub(super) fn word(&self, at: usize) -> Num {
        match self {
            Shape::Unknown(from) => Num::any(*from),
            Shape::Exact(words, _) | Shape::Repeated(_, words, _) => {
                words.get(at).cloned().unwrap_or(Num::any(None))
            }
        }
    }

    /// A reference of a record.
    pub(super) fn reference(&self, at: usize) -> Rc<Shape> {
        match self {
            Shape::Unknown(from) => Rc::new(Shape::Unknown(*from)),
            Shape::Exact(_, refs) | Shape::Repeated(_, _, refs) => {
                refs.get(at).cloned().unwrap_or_else(|| Rc::new(Shape::Unknown(None)))
            }
        }
    }

    /// Between which values all its doubles lie.
    pub(super) fn values(&self) -> Num {
        match self {
            Shape::Unknown(from) => Num::any(*from),
            Shape::Exact(words, _) | Shape::Repeated(_, words, _) => {
                words.iter().cloned().reduce(|a, b| a.joined(&b)).unwrap_or(Num::any(None))
            }
        }
    }
}

impl Val {
    /// What holds for both.
    #[must_use]
    pub(super) fn joined(&self, other: &Val) -> Val {
        match (self, other) {
            (Val::Num(a), Val::Num(b)) => Val::Num(a.joined(b)),
            (Val::Shape(a), Val::Shape(b)) => Val::Shape(a.joined(b)),
            _ => Val::Shape(Rc::new(Shape::Unknown(None))),
        }
    }

    /// The number; anything where it is none.
    pub(super) fn num(self) -> Num {
        match self {
            Val::Num(num) => num,
            Val::Shape(_) => Num::any(None),
        }
    }

    /// The list, record or text.
    pub(super) fn shape(self) -> Rc<Shape> {
        match self {
            Val::Shape(shape) => shape,
            Val::Num(_) => Rc::new(Shape::Unknown(None)),
        }
    }
}
