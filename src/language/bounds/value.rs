//! Expressions: what is known of their values, and what they take.

use crate::bounds::exact::datum;
use crate::bounds::form::Form;
use crate::bounds::known::{Fact, Interval, Parts, Shape, among, corners};
use crate::bounds::loops::{Turn, span_of};
use crate::bounds::state::Key;
use crate::bounds::walk::Walk;
use crate::builtins::Range;
use crate::program::show::Shower;
use crate::program::tree::{
    Access, Arithmetic, Comparison, Expression, Flag, Number, Part, Piece, Ref,
};
use crate::program::types::Layout;
use crate::program::value::remainder;
use crate::source::Span;
use std::borrow::Cow;
use std::rc::Rc;

/// Most bytes of a text that is known as it is.
const MAX_KNOWN_TEXT: usize = 4096;

/// What holds for a result of two numbers; `form` is asked only where both are known exactly.
fn combined(a: &Interval, b: &Interval, range: Range, form: impl Fn() -> Form) -> Interval {
    if a.is_no_number() || b.is_no_number() {
        // What is worked out from no number is none.
        let held = Form::held(a.form.params() | b.form.params());
        return Interval { form: held, ..Interval::only(f64::NAN) };
    }
    let number = Interval::of(range).after(&[a, b]);
    if a.range.is_exact() && b.range.is_exact() && number.range.is_exact() {
        Interval { form: form(), ..number }
    } else {
        number
    }
}

/// The doubles and references of a part of a list or record; none where they are not known.
pub(super) fn parts_of(part: &Part, value: Fact) -> Option<(Vec<Interval>, Vec<Rc<Shape>>)> {
    match value {
        Fact::Number(number) => Some((vec![number], Vec::new())),
        Fact::Shape(shape) if part.record => match &shape.parts {
            Some(Parts { items: None, words, refs }) => Some((words.clone(), refs.clone())),
            _ => None,
        },
        Fact::Shape(shape) => Some((Vec::new(), vec![shape])),
    }
}

impl Walk<'_> {
    /// An expression of any type.
    pub(super) fn expression(&mut self, expression: &Expression) -> Fact {
        match expression {
            Expression::Number(number) => Fact::Number(self.number(number)),
            Expression::Flag(flag) => Fact::Number(self.flag(flag)),
            Expression::Ref(reference) => Fact::Shape(self.reference(reference)),
        }
    }

    /// A number.
    pub(super) fn number(&mut self, number: &Number) -> Interval {
        match number {
            Number::Constant(value) => Interval::only(*value),
            Number::Local(slot) => self.state.get(Key::Word(slot.0)).number(),
            _ => self.deeper(|walk| walk.number_here(number)).unwrap_or(Interval::any(None)),
        }
    }

    fn number_here(&mut self, number: &Number) -> Interval {
        match number {
            Number::Constant(_) | Number::Local(_) => self.number(number),
            Number::Negate(a) => {
                let a = self.number(a);
                let range = Range { low: -a.range.high, high: -a.range.low };
                combined(&a, &a, range, || a.form.times(a.range.low, &Form::default(), -1.0))
            }
            Number::Arithmetic(operation, a, b) => {
                let (a, b) = (self.number(a), self.number(b));
                let (x, y) = (a.range, b.range);
                let range = corners(x, y, |x, y| match operation {
                    Arithmetic::Add => x + y,
                    Arithmetic::Subtract => x - y,
                    Arithmetic::Multiply => x * y,
                });
                combined(&a, &b, range, || match operation {
                    Arithmetic::Add => a.form.plus(x.low, &b.form, y.low, 1.0),
                    Arithmetic::Subtract => a.form.plus(x.low, &b.form, y.low, -1.0),
                    Arithmetic::Multiply => a.form.times(x.low, &b.form, y.low),
                })
            }
            Number::Divide(a, b, span) => {
                let (a, b) = (self.number(a), self.number(b));
                self.judge_divisor(&b, *span);
                let (x, y) = (a.range, b.range);
                let range = if y.low > 0.0 || y.high < 0.0 {
                    corners(x, y, |x, y| x / y)
                } else {
                    Range::ANY
                };
                let over = b.form.is_fixed() && range.is_exact();
                combined(&a, &b, range, || {
                    if over {
                        a.form.times(x.low, &Form::default(), 1.0 / y.low)
                    } else {
                        Form::held(a.form.params() | b.form.params())
                    }
                })
            }
            Number::Modulo(a, b, span) => {
                let (a, b) = (self.number(a), self.number(b));
                self.judge_divisor(&b, *span);
                if a.range.is_exact() && b.range.is_exact() && b.range.low != 0.0 {
                    let rest = remainder(a.range.low, b.range.low);
                    return Interval::only(rest).after(&[&a, &b]);
                }
                let largest = b.range.low.abs().max(b.range.high.abs());
                let low = if b.range.low >= 0.0 { 0.0 } else { -largest };
                let high = if b.range.high <= 0.0 { 0.0 } else { largest };
                Interval::of(Range { low, high }).after(&[&a, &b])
            }
            Number::Power(a, exponent, span) => {
                let a = self.number(a);
                if *exponent < 0 {
                    self.judge_divisor(&a, *span);
                }
                Interval::of(powered(a.range, *exponent)).after(&[&a])
            }
            Number::Access(access) => {
                self.access(access, |shape, at| Fact::Number(shape.word(at.words))).number()
            }
            Number::Choice(choice) => {
                let (condition, yes, no) = &**choice;
                let number = |walk: &mut Self, number: &Number| Fact::Number(walk.number(number));
                self.choice(condition, [yes, no], number).number()
            }
            Number::Call(call) => self.call(call).number(),
            Number::Builtin(call) => self.builtin(call).number(),
        }
    }

    /// A flag, as 0 or 1.
    pub(super) fn flag(&mut self, flag: &Flag) -> Interval {
        match flag {
            Flag::Constant(value) => Interval::flag(Some(*value)),
            Flag::Local(slot) => self.state.get(Key::Word(slot.0)).number(),
            _ => self.deeper(|walk| walk.flag_here(flag)).unwrap_or(Interval::flag(None)),
        }
    }

    fn flag_here(&mut self, flag: &Flag) -> Interval {
        match flag {
            Flag::Constant(_) | Flag::Local(_) => self.flag(flag),
            Flag::Not(a) => {
                let a = self.flag(a);
                Interval::flag(a.as_flag().map(|flag| !flag)).after(&[&a])
            }
            Flag::And(a, b) | Flag::Or(a, b) => {
                let decisive = matches!(flag, Flag::Or(..));
                let a = self.flag(a);
                if self.decision(&a) == Some(decisive) {
                    return a;
                }
                // The second one may be left out.
                let mark = self.state.mark();
                let b = self.flag(b);
                let way = self.state.take(mark);
                self.state.join(&[Default::default(), way]);
                let decides = |b: &bool| *b == decisive || a.as_flag().is_some();
                Interval::flag(b.as_flag().filter(decides)).after(&[&a, &b])
            }
            Flag::Compare(comparison, a, b) => {
                let (a, b) = (self.number(a), self.number(b));
                let known = compared(*comparison, a.range, b.range);
                if known.is_none() && a.range.is_bounded() && b.range.is_bounded() {
                    self.vague += 1;
                }
                Interval::flag(known).after(&[&a, &b])
            }
            Flag::Within(value, low, high) => {
                let (v, l, h) = (self.number(value), self.number(low), self.number(high));
                let above = compared(Comparison::GreaterEqual, v.range, l.range);
                let below = compared(Comparison::LessEqual, v.range, h.range);
                let known = above.zip(below).map(|(above, below)| above && below);
                let nothing = l.is_above(&h).then_some(false);
                Interval::flag(nothing.or(known)).after(&[&v, &l, &h])
            }
            Flag::EqualFlags(a, b, same) => {
                let (a, b) = (self.flag(a), self.flag(b));
                let known = a.as_flag().zip(b.as_flag()).map(|(a, b)| (a == b) == *same);
                Interval::flag(known).after(&[&a, &b])
            }
            Flag::EqualRefs(a, b, same) => {
                let (a, b) = (self.reference(a), self.reference(b));
                let texts = a.text.as_ref().zip(b.text.as_ref()).filter(|_| self.is_proving());
                Interval::flag(texts.map(|(a, b)| (a == b) == *same))
            }
            Flag::Access(access) => {
                self.access(access, |shape, at| Fact::Number(shape.word(at.words))).number()
            }
            Flag::Choice(choice) => {
                let (condition, yes, no) = &**choice;
                let flag = |walk: &mut Self, flag: &Flag| Fact::Number(walk.flag(flag));
                self.choice(condition, [yes, no], flag).number()
            }
            Flag::Call(call) => self.call(call).number(),
            Flag::Builtin(call) => self.builtin(call).number(),
        }
    }

    /// A list, record or text.
    pub(super) fn reference(&mut self, reference: &Ref) -> Rc<Shape> {
        match reference {
            Ref::Local(slot) => self.state.get(Key::Ref(slot.0)).shape(),
            _ => {
                let shape = self.deeper(|walk| walk.reference_here(reference));
                shape.unwrap_or_else(|| Shape::unknown(None))
            }
        }
    }

    fn reference_here(&mut self, reference: &Ref) -> Rc<Shape> {
        match reference {
            Ref::Local(_) => self.reference(reference),
            Ref::Text(text) => Shape::of_text(text),
            Ref::Kept(value) => Shape::of(value),
            Ref::Interpolated(pieces, span) => self.interpolated(pieces, *span),
            Ref::Made(parts, _) => self.made(parts),
            Ref::Range(first, last, span) => {
                let (first, last) = (self.number(first), self.number(last));
                let count = self.steps(&first, &last);
                self.judge_range(&count, *span);
                let items = span_of(&first, &last, &count);
                Shape::repeated(count, vec![items], Vec::new())
            }
            Ref::Comprehension(comprehension) => {
                let turn = Turn::Element(comprehension.only_if.as_ref(), &comprehension.element);
                self.each(comprehension.target, &comprehension.over, comprehension.span, turn)
            }
            Ref::Joined(a, b, item, span) => {
                let (a, b) = (self.reference(a), self.reference(b));
                let whole = a.followed(&b, *item);
                self.burn_copy(&whole);
                self.judge_list(&whole.count(*item), *item, *span);
                whole
            }
            Ref::Access(access) => {
                self.access(access, |shape, at| Fact::Shape(shape.reference(at.refs))).shape()
            }
            Ref::Record(access, size) => {
                let size = *size;
                let whole = move |shape: &Shape, at: Layout| {
                    let words = (0..size.words).map(|i| shape.word(at.words + i)).collect();
                    let refs = (0..size.refs).map(|i| shape.reference(at.refs + i)).collect();
                    Fact::Shape(Shape::exact(words, refs))
                };
                self.access(access, whole).shape()
            }
            Ref::Choice(choice) => {
                let (condition, yes, no) = &**choice;
                let shape =
                    |walk: &mut Self, reference: &Ref| Fact::Shape(walk.reference(reference));
                self.choice(condition, [yes, no], shape).shape()
            }
            Ref::Call(call) => self.call(call).shape(),
            Ref::Builtin(call) => self.builtin(call).shape(),
        }
    }

    /// One of two values, of which only that is worked out.
    fn choice<T>(
        &mut self,
        condition: &Flag,
        [yes, no]: [&T; 2],
        value: impl Fn(&mut Self, &T) -> Fact,
    ) -> Fact {
        let flag = self.flag(condition);
        if let Some(decided) = self.decision(&flag) {
            return value(self, if decided { yes } else { no });
        }
        let mark = self.state.mark();
        let first = value(self, yes);
        let one = self.state.take(mark);
        let second = value(self, no);
        let other = self.state.take(mark);
        self.state.join(&[one, other]);
        match first.joined(&second) {
            Fact::Number(number) => Fact::Number(number.after(&[&flag])),
            shape => shape,
        }
    }

    /// Text with values in it: what it is, or how long.
    fn interpolated(&mut self, pieces: &[Piece], span: Span) -> Rc<Shape> {
        let mut text = Some(String::new());
        let mut length = Interval::only(0.0);
        for piece in pieces {
            let (known, bytes) = match piece {
                Piece::Plain(plain) => (Some(Cow::from(&**plain)), Interval::any_count()),
                Piece::Value(value, shower) => {
                    let fact = self.expression(value);
                    let datum = self.is_proving().then(|| datum(&fact, value)).flatten();
                    let text = datum.map(|datum| Cow::from(shower.text(&datum)));
                    (text, self.shown_length(&fact, shower, span))
                }
            };
            let bytes = known.as_ref().map_or(bytes, |text| Interval::only(text.len() as f64));
            let (low, high) =
                (length.range.low + bytes.range.low, length.range.high + bytes.range.high);
            length = Interval::of(Range { low, high }).after(&[&length, &bytes]);
            text = text.zip(known).map(|(text, more)| text + &more);
            text = text.filter(|text| text.len() <= MAX_KNOWN_TEXT);
        }
        self.judge_text(&length, span);
        text.map_or_else(|| Shape::of_length(length), |text| Shape::of_text(&text))
    }

    /// How many bytes a value takes that is shown.
    fn shown_length(&mut self, fact: &Fact, shower: &Shower, span: Span) -> Interval {
        match (fact, shower) {
            (Fact::Shape(text), Shower::Text) => text.count(Layout::WORD),
            (Fact::Shape(list), Shower::List(_)) => {
                self.judge_shown(&list.count(Layout::default()), span);
                Interval::any_count()
            }
            _ => Interval::any_count(),
        }
    }

    /// A list or record written out.
    fn made(&mut self, parts: &[Part]) -> Rc<Shape> {
        let (mut words, mut refs) = (Vec::new(), Vec::new());
        let mut whole = true;
        for part in parts {
            let value = self.expression(&part.value);
            match parts_of(part, value) {
                Some((more, others)) => {
                    words.extend(more);
                    refs.extend(others);
                }
                None => whole = false,
            }
        }
        if whole {
            Shape::exact(words, refs)
        } else {
            // A list has as many items as parts; the fields of a record are not counted.
            Shape::of_length(Interval::only(parts.len() as f64))
        }
    }

    /// Reads out of a list or record.
    fn access(&mut self, access: &Access, read: impl Fn(&Shape, Layout) -> Fact) -> Fact {
        let of = self.reference(&access.of);
        let Some(index) = &access.index else { return read(&of, access.offset) };
        let index = self.number(index);
        self.judge_index(&index, &of.count(access.stride), access.span);
        let exact = index.range.is_exact() && index.range.low >= 0.0;
        let at = exact.then_some(index.range.low as usize);
        let fact = match at.and_then(|at| of.place(access.stride, at)) {
            Some(place) => read(&of, place.plus(access.offset)),
            None => read(&of.item(access.stride, at), access.offset),
        };
        match fact {
            Fact::Number(number) if !index.form.is_fixed() => {
                Fact::Number(number.clone().after(&[&number, &index]))
            }
            fact => fact,
        }
    }
}

/// Whether a comparison holds, where it does so for all values.
fn compared(comparison: Comparison, a: Range, b: Range) -> Option<bool> {
    let is_none = |range: Range| range.low.is_nan() && range.high.is_nan();
    if is_none(a) || is_none(b) {
        return Some(comparison == Comparison::Unequal);
    }
    // Without both ends a value may be no number at all.
    if !(a.is_bounded() && b.is_bounded()) {
        return None;
    }
    let sure = |yes: bool, no: bool| (yes || no).then_some(yes);
    let less = sure(a.high < b.low, a.low >= b.high);
    let less_equal = sure(a.high <= b.low, a.low > b.high);
    let equal =
        sure(a.is_exact() && b.is_exact() && a.low == b.low, a.high < b.low || a.low > b.high);
    match comparison {
        Comparison::Less => less,
        Comparison::GreaterEqual => less.map(|less| !less),
        Comparison::LessEqual => less_equal,
        Comparison::Greater => less_equal.map(|less| !less),
        Comparison::Equal => equal,
        Comparison::Unequal => equal.map(|equal| !equal),
    }
}

/// A whole power, with room for its last digits.
fn powered(range: Range, exponent: i32) -> Range {
    let Range { low, high } = range;
    if !range.is_bounded() || exponent < 0 {
        let even = exponent % 2 == 0;
        return if even { Range { low: 0.0, high: f64::INFINITY } } else { Range::ANY };
    }
    let (a, b) = (low.powi(exponent), high.powi(exponent));
    let zero = if low < 0.0 && high > 0.0 { 0.0 } else { a };
    let all = among([a, b, zero, b]);
    if exponent <= 1 {
        return all;
    }
    let room = |value: f64| value.abs() * 1e-12;
    Range { low: all.low - room(all.low), high: all.high + room(all.high) }
}
