//! What is known of values before a script runs: numbers between two ends, lists by their length.
//! Uses builtins (ranges) and program.

use crate::bounds::form::{Form, Params};
use crate::builtins::Range;
use crate::program::types::Layout;
use crate::program::value::Value;
use crate::source::Span;
use std::cell::OnceCell;
use std::rc::Rc;

/// Most doubles of a list that are known one by one.
const MAX_EXACT: usize = 4096;
/// The same of a list that is there before the run, such as the rows of a table.
const MAX_KEPT: usize = 1 << 16;

/// What is known of a number, or of a flag as 0 or 1.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Interval {
    pub range: Range,
    /// How it depends on params.
    pub form: Form,
    /// The call that made it unknown.
    pub from: Option<Span>,
    /// Of the speed that the polygon was asked for: lock was waited for since.
    pub locked: bool,
    /// Of the same: it was another one before, and no time has passed since.
    pub fresh: bool,
}

/// What is known of a list, record or text.
#[derive(Clone, Debug)]
pub(super) struct Shape {
    /// Nothing is known without them.
    pub parts: Option<Parts>,
    /// The text, where it is one that is known.
    pub text: Option<Rc<str>>,
    /// The call that made it unknown.
    from: Option<Span>,
    any: AnyItem,
}

/// What holds for all items that lie so, kept since loops ask for it again and again.
#[derive(Clone, Debug, Default)]
struct AnyItem(OnceCell<(Layout, Rc<Shape>)>);

impl PartialEq for Shape {
    fn eq(&self, other: &Shape) -> bool {
        // What holds for all items follows from the parts.
        let is_alike = || self.parts == other.parts && self.text == other.text;
        std::ptr::eq(self, other) || (self.from == other.from && is_alike())
    }
}

/// The parts of a list or record.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Parts {
    /// How many items, where the parts hold for every one, or how many bytes of a text; none where they are all
    /// parts, as they lie.
    pub items: Option<Interval>,
    pub words: Vec<Interval>,
    pub refs: Vec<Rc<Shape>>,
}

/// What is known of a value.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Fact {
    /// A number or flag.
    Number(Interval),
    /// Anything else.
    Shape(Rc<Shape>),
}

impl Interval {
    /// Known exactly, and by no param.
    pub(super) fn only(value: f64) -> Interval {
        Interval::of(Range::only(value))
    }

    pub(super) fn of(range: Range) -> Interval {
        Interval { range, form: Form::default(), from: None, locked: false, fresh: false }
    }

    /// Unknown, because of a call.
    pub(super) fn any(from: Option<Span>) -> Interval {
        Interval { from, ..Interval::of(Range::ANY) }
    }

    /// Any number of items or turns.
    pub(super) fn any_count() -> Interval {
        Interval::of(Range { low: 0.0, high: f64::INFINITY })
    }

    /// A flag; none where it is not known.
    pub(super) fn flag(flag: Option<bool>) -> Interval {
        match flag {
            Some(flag) => Interval::only(f64::from(flag)),
            None => Interval::of(Range { low: 0.0, high: 1.0 }),
        }
    }

    /// The flag, where it is known.
    pub(super) fn as_flag(&self) -> Option<bool> {
        self.range.is_exact().then_some(self.range.low != 0.0)
    }

    /// It is known to be no number.
    pub(super) fn is_no_number(&self) -> bool {
        self.range.low.is_nan() && self.range.high.is_nan()
    }

    /// It surely lies above another.
    pub(super) fn is_above(&self, other: &Interval) -> bool {
        self.range.is_bounded() && other.range.is_bounded() && self.range.low > other.range.high
    }

    /// Worked out from others in no simple way.
    #[must_use]
    pub(super) fn after(mut self, others: &[&Interval]) -> Interval {
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
    pub(super) fn joined(&self, other: &Interval) -> Interval {
        if self == other {
            return self.clone();
        }
        Interval::of(self.range.joined(other.range)).after(&[self, other])
    }
}

impl Parts {
    /// A list without items fits any other.
    fn is_empty(&self) -> bool {
        self.items.is_none() && self.words.is_empty() && self.refs.is_empty()
    }

    /// What holds for the parts of both, where they lie alike.
    fn joined(&self, other: &Parts) -> Option<Parts> {
        let none = Interval::only(0.0);
        match (&self.items, &other.items) {
            (Some(some), None) if other.is_empty() => {
                return Some(Parts { items: Some(some.joined(&none)), ..self.clone() });
            }
            (None, Some(_)) if self.is_empty() => return other.joined(self),
            _ => {}
        }
        let alike = self.items.is_some() == other.items.is_some()
            && self.words.len() == other.words.len()
            && self.refs.len() == other.refs.len();
        let items = self.items.as_ref().zip(other.items.as_ref());
        alike.then(|| Parts {
            items: items.map(|(one, more)| one.joined(more)),
            words: self.words.iter().zip(&other.words).map(|(a, b)| a.joined(b)).collect(),
            refs: self.refs.iter().zip(&other.refs).map(|(a, b)| a.joined(b)).collect(),
        })
    }

    /// Every part, as they lie, where they are few enough; what is known of every item is repeated.
    pub(super) fn spread(&self) -> Option<(Vec<Interval>, Vec<Rc<Shape>>)> {
        let count = match &self.items {
            None => return Some((self.words.clone(), self.refs.clone())),
            Some(count) => count.range.is_exact().then_some(count.range.low as usize)?,
        };
        let size = self.words.len().max(self.refs.len());
        let fits = (1..=MAX_EXACT).contains(&count.saturating_mul(size));
        fits.then(|| {
            let words = (0..count).flat_map(|_| &self.words).cloned().collect();
            (words, (0..count).flat_map(|_| &self.refs).cloned().collect())
        })
    }

    /// The item at a place, of items that lie as `item`, where every part is known.
    fn item(&self, item: Layout, at: usize) -> Option<Rc<Shape>> {
        let range = |size: usize| (size * at)..(size * at).saturating_add(size);
        let words = self.words.get(range(item.words))?;
        let refs = self.refs.get(range(item.refs))?;
        Some(Shape::exact(words.to_vec(), refs.to_vec()))
    }
}

impl Shape {
    /// Nothing is known, because of a call.
    pub(super) fn unknown(from: Option<Span>) -> Rc<Shape> {
        thread_local! {
            static NOTHING: Rc<Shape> = Rc::new(Shape::of_parts(None));
        }
        match from {
            Some(_) => Rc::new(Shape { from, ..Shape::of_parts(None) }),
            None => NOTHING.with(Rc::clone),
        }
    }

    /// Every part, as they lie.
    pub(super) fn exact(words: Vec<Interval>, refs: Vec<Rc<Shape>>) -> Rc<Shape> {
        Rc::new(Shape::of_parts(Some(Parts { items: None, words, refs })))
    }

    /// How many items, and what is known of the parts of every one.
    pub(super) fn repeated(
        count: Interval,
        words: Vec<Interval>,
        refs: Vec<Rc<Shape>>,
    ) -> Rc<Shape> {
        Rc::new(Shape::of_parts(Some(Parts { items: Some(count), words, refs })))
    }

    fn of_parts(parts: Option<Parts>) -> Shape {
        Shape { parts, text: None, from: None, any: AnyItem::default() }
    }

    /// So many items or bytes, of which nothing else is known.
    pub(super) fn of_length(count: Interval) -> Rc<Shape> {
        Shape::repeated(count, Vec::new(), Vec::new())
    }

    /// A text.
    pub(super) fn of_text(text: &str) -> Rc<Shape> {
        let length = Interval::only(text.len() as f64);
        let parts = Parts { items: Some(length), words: Vec::new(), refs: Vec::new() };
        Rc::new(Shape { text: Some(text.into()), ..Shape::of_parts(Some(parts)) })
    }

    /// The same, which depends on these params.
    pub(super) fn held(self: Rc<Shape>, params: Params) -> Rc<Shape> {
        let known = self.parts.as_ref().filter(|_| params != 0 && self.text.is_none());
        let Some(Parts { items, words, refs }) = known else { return self };
        let held = |number: &Interval| Interval { form: Form::held(params), ..number.clone() };
        let parts = Parts {
            items: items.as_ref().map(held),
            words: words.iter().map(held).collect(),
            refs: refs.iter().map(|shape| shape.clone().held(params)).collect(),
        };
        Rc::new(Shape::of_parts(Some(parts)))
    }

    /// Of a value: every part, unless it is very long.
    pub(super) fn of(value: &Value) -> Rc<Shape> {
        if let Value::Text(text) = value {
            return Shape::of_text(text);
        }
        let Value::Object(object) = value else { return Shape::unknown(None) };
        if object.words.len().max(object.refs.len()) > MAX_KEPT {
            return Shape::unknown(None);
        }
        let words = object.words.iter().map(|word| Interval::only(*word)).collect();
        Shape::exact(words, object.refs.iter().map(Shape::of).collect())
    }

    /// What is known of its parts is forgotten, but not how many they are.
    #[must_use]
    pub(super) fn blurred(&self) -> Rc<Shape> {
        let parts = self.parts.as_ref().map(|Parts { items, words, refs }| Parts {
            items: items.clone(),
            words: vec![Interval::any(None); words.len()],
            refs: vec![Shape::unknown(None); refs.len()],
        });
        Rc::new(Shape { from: self.from, ..Shape::of_parts(parts) })
    }

    /// The same with other parts from a place in an item on; none where not every part is known.
    pub(super) fn with(
        &self,
        (item, at): (Layout, usize),
        offset: Layout,
        (words, refs): (Vec<Interval>, Vec<Rc<Shape>>),
    ) -> Option<Rc<Shape>> {
        fn put<T>(all: &mut [T], from: usize, new: Vec<T>) -> Option<()> {
            let place = all.get_mut(from..from.checked_add(new.len())?)?;
            place.iter_mut().zip(new).for_each(|(old, new)| *old = new);
            Some(())
        }
        let (mut all, mut others) = self.parts.as_ref()?.spread()?;
        let place = |stride: usize, offset: usize| stride.checked_mul(at)?.checked_add(offset);
        put(&mut all, place(item.words, offset.words)?, words)?;
        put(&mut others, place(item.refs, offset.refs)?, refs)?;
        Some(Shape::exact(all, others))
    }

    /// The same with another value at the end of a way of hops: how items lie, which one, and where in it; none where
    /// the way is not known.
    pub(super) fn stored(
        &self,
        hops: &[(Layout, Option<usize>, Layout)],
        new: (Vec<Interval>, Vec<Rc<Shape>>),
    ) -> Option<Rc<Shape>> {
        let ((stride, at, offset), rest) = hops.split_first()?;
        let place = (*stride, (*at)?);
        if rest.is_empty() {
            return self.with(place, *offset, new);
        }
        let inner = match *stride == Layout::default() {
            true => self.reference(offset.refs),
            false => self.item(*stride, *at).reference(offset.refs),
        };
        let inner = inner.stored(rest, new)?;
        self.with(place, *offset, (Vec::new(), vec![inner]))
    }

    /// What holds for both.
    #[must_use]
    pub(super) fn joined(self: &Rc<Shape>, other: &Rc<Shape>) -> Rc<Shape> {
        let same_text = self.text.is_some() && self.text == other.text;
        if Rc::ptr_eq(self, other) || same_text {
            return self.clone();
        }
        match (&self.parts, &other.parts) {
            (Some(a), Some(b)) => Rc::new(Shape::of_parts(a.joined(b))),
            (None, _) => Shape::unknown(self.from),
            (_, None) => Shape::unknown(other.from),
        }
    }

    /// One behind the other, of items that lie as `item`.
    #[must_use]
    pub(super) fn followed(&self, other: &Shape, item: Layout) -> Rc<Shape> {
        // How many there are would not be known to depend on params.
        let is_fixed = |parts: &&Parts| parts.items.as_ref().is_none_or(|n| n.form.is_fixed());
        // Of what nothing is known but how many there are, one is as good as all.
        let tells = |parts: &&Parts| {
            let is_told = |word: &Interval| word.range != Range::ANY;
            let told =
                parts.words.iter().any(is_told) || parts.refs.iter().any(|r| r.parts.is_some());
            parts.items.is_none() || told
        };
        let spread = |shape: &Shape| {
            shape.parts.as_ref().filter(is_fixed).filter(tells).and_then(Parts::spread)
        };
        if let (Some((mut words, mut refs)), Some((more, others))) = (spread(self), spread(other)) {
            words.extend(more);
            refs.extend(others);
            if words.len() + refs.len() <= MAX_EXACT {
                return Shape::exact(words, refs);
            }
        }
        let (one, more) = (self.count(item), other.count(item));
        let (low, high) = (one.range.low + more.range.low, one.range.high + more.range.high);
        let count = Interval::of(Range { low, high }).after(&[&one, &more]);
        let filled = [(self, one), (other, more)].into_iter().filter(|(_, n)| n.range.high > 0.0);
        let items = filled.map(|(shape, _)| shape.item(item, None)).reduce(|a, b| a.joined(&b));
        match items.as_ref().and_then(|any| any.parts.clone()) {
            Some(Parts { words, refs, .. }) => Shape::repeated(count, words, refs),
            None => Shape::of_length(count),
        }
    }

    /// How many items that lie as `item`.
    pub(super) fn count(&self, item: Layout) -> Interval {
        match &self.parts {
            None => Interval { from: self.from, ..Interval::any_count() },
            Some(Parts { items: Some(count), .. }) => count.clone(),
            Some(Parts { words, refs, .. }) => {
                let words = words.len().checked_div(item.words);
                let count = words.or_else(|| refs.len().checked_div(item.refs));
                Interval::only(count.unwrap_or(0) as f64)
            }
        }
    }

    /// Where an item begins, of items that lie as `item`, where every part is known.
    pub(super) fn place(&self, item: Layout, at: usize) -> Option<Layout> {
        let parts = self.parts.as_ref().filter(|parts| parts.items.is_none())?;
        let (place, end) = (item.times(at), item.times(at.saturating_add(1)));
        (end.words <= parts.words.len() && end.refs <= parts.refs.len()).then_some(place)
    }

    /// One item as a record: the one at `at`, or what holds for all.
    pub(super) fn item(&self, item: Layout, at: Option<usize>) -> Rc<Shape> {
        let Some(parts) = &self.parts else { return Shape::unknown(self.from) };
        let one = |at: usize| parts.item(item, at);
        if let (Some(at), None) = (at, &parts.items) {
            return one(at).unwrap_or_else(|| Shape::unknown(None));
        }
        let joined = || match parts {
            Parts { items: Some(_), words, refs }
                if words.len() == item.words && refs.len() == item.refs =>
            {
                Shape::exact(words.clone(), refs.clone())
            }
            Parts { items: Some(count), .. } => Shape::unknown(count.from),
            _ => {
                let count = self.count(item).range.high as usize;
                let all = (0..count).filter_map(one).reduce(|a, b| a.joined(&b));
                all.unwrap_or_else(|| Shape::unknown(None))
            }
        };
        let (layout, any) = self.any.0.get_or_init(|| (item, joined()));
        if *layout == item { any.clone() } else { joined() }
    }

    /// A double of a record.
    pub(super) fn word(&self, at: usize) -> Interval {
        let word = self.parts.as_ref().and_then(|parts| parts.words.get(at));
        word.cloned().unwrap_or(Interval::any(self.from))
    }

    /// A reference of a record.
    pub(super) fn reference(&self, at: usize) -> Rc<Shape> {
        let reference = self.parts.as_ref().and_then(|parts| parts.refs.get(at));
        reference.cloned().unwrap_or_else(|| Shape::unknown(self.from))
    }

    /// Between which values all its doubles lie.
    pub(super) fn values(&self) -> Interval {
        let words = self.parts.iter().flat_map(|parts| &parts.words).cloned();
        words.reduce(|a, b| a.joined(&b)).unwrap_or(Interval::any(self.from))
    }
}

impl Fact {
    /// What holds for both.
    #[must_use]
    pub(super) fn joined(&self, other: &Fact) -> Fact {
        match (self, other) {
            (Fact::Number(a), Fact::Number(b)) => Fact::Number(a.joined(b)),
            (Fact::Shape(a), Fact::Shape(b)) => Fact::Shape(a.joined(b)),
            _ => Fact::Shape(Shape::unknown(None)),
        }
    }

    /// The number; anything where it is none.
    pub(super) fn number(self) -> Interval {
        match self {
            Fact::Number(number) => number,
            Fact::Shape(_) => Interval::any(None),
        }
    }

    /// The list, record or text.
    pub(super) fn shape(self) -> Rc<Shape> {
        match self {
            Fact::Shape(shape) => shape,
            Fact::Number(number) => Shape::unknown(number.from),
        }
    }
}

/// From the smallest to the largest of some results; anything where one of them is no number.
pub(super) fn among(values: [f64; 4]) -> Range {
    if values.iter().any(|value| value.is_nan()) {
        return Range::ANY;
    }
    let start = Range { low: f64::INFINITY, high: f64::NEG_INFINITY };
    values.iter().fold(start, |all, value| all.joined(Range::only(*value)))
}

/// Results of `f` at the ends, between which all others lie.
pub(super) fn corners(a: Range, b: Range, f: impl Fn(f64, f64) -> f64) -> Range {
    among([f(a.low, b.low), f(a.low, b.high), f(a.high, b.low), f(a.high, b.high)])
}
