//! Expressions: what is known of their values, and what they take.

use crate::bounds::form::Form;
use crate::bounds::known::{Num, Shape, Val};
use crate::bounds::loops::{Turn, span_of};
use crate::bounds::nodes::{NOTHING, What};
use crate::bounds::state::Key;
use crate::bounds::walk::{Called, Cost, Flow, Walk};
use crate::builtins::{CallFacts, Extent, Function, Range, ResultBound, TimeBound, kind, table};
use crate::program::tree::{
    Access, Arithmetic, BuiltinCall, Call, Comparison, Expression, Flag, Number, Part, Piece, Ref,
};
use crate::program::types::Layout;
use std::rc::Rc;

/// Sets of arguments that one routine is walked for; then they are taken for any.
const CONTEXTS_MOST: usize = 32;

/// Ends of `f` where it rises with every number.
fn at_ends(a: Range, b: Range, f: impl Fn(f64, f64) -> f64) -> Range {
    Range { low: f(a.low, b.low), high: f(a.high, b.high) }
}

/// Smallest and largest of four.
fn among(values: [f64; 4]) -> Range {
    if values.iter().any(|value| value.is_nan()) {
        return Range::ANY;
    }
    let start = Range { low: f64::INFINITY, high: f64::NEG_INFINITY };
    values.iter().fold(start, |all, value| all.joined(Range::only(*value)))
}

/// What holds for one of two numbers that go together in a sum or product.
fn combined(a: &Num, b: &Num, range: Range, form: impl Fn() -> Form) -> Num {
    let num = Num::of(range).after(&[a, b]);
    if a.range.is_exact() && b.range.is_exact() && num.range.is_exact() {
        Num { form: form(), ..num }
    } else {
        num
    }
}

impl Walk<'_> {
    /// An expression of any type.
    pub(super) fn expression(&mut self, expression: &Expression) -> Val {
        match expression {
            Expression::Number(number) => Val::Num(self.number(number)),
            Expression::Flag(flag) => Val::Num(self.flag(flag)),
            Expression::Ref(reference) => Val::Shape(self.reference(reference)),
        }
    }

    /// A number.
    pub(super) fn number(&mut self, number: &Number) -> Num {
        match number {
            Number::Constant(value) => return Num::only(*value),
            Number::Local(slot) => return self.state.get(Key::Word(slot.0)).num(),
            _ => {}
        }
        if !self.enter() {
            return Num::any(None);
        }
        let num = self.number_here(number);
        self.depth -= 1;
        num
    }

    fn number_here(&mut self, number: &Number) -> Num {
        match number {
            Number::Constant(value) => Num::only(*value),
            Number::Local(slot) => self.state.get(Key::Word(slot.0)).num(),
            Number::Negate(a) => {
                let a = self.number(a);
                let range = Range { low: -a.range.high, high: -a.range.low };
                combined(&a, &a, range, || a.form.times(a.range.low, &Form::default(), -1.0))
            }
            Number::Arithmetic(operation, a, b) => {
                let (a, b) = (self.number(a), self.number(b));
                let (x, y) = (a.range, b.range);
                match operation {
                    Arithmetic::Add => combined(&a, &b, at_ends(x, y, |x, y| x + y), || {
                        a.form.plus(x.low, &b.form, y.low, 1.0)
                    }),
                    Arithmetic::Subtract => {
                        let range = Range { low: x.low - y.high, high: x.high - y.low };
                        combined(&a, &b, range, || a.form.plus(x.low, &b.form, y.low, -1.0))
                    }
                    Arithmetic::Multiply => {
                        let products =
                            [x.low * y.low, x.low * y.high, x.high * y.low, x.high * y.high];
                        combined(&a, &b, among(products), || a.form.times(x.low, &b.form, y.low))
                    }
                }
            }
            Number::Divide(a, b, _) => {
                let (a, b) = (self.number(a), self.number(b));
                let (x, y) = (a.range, b.range);
                let range = if y.low > 0.0 || y.high < 0.0 {
                    among([x.low / y.low, x.low / y.high, x.high / y.low, x.high / y.high])
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
            Number::Modulo(a, b, _) => {
                let (a, b) = (self.number(a), self.number(b));
                let largest = b.range.low.abs().max(b.range.high.abs());
                let low = if b.range.low >= 0.0 { 0.0 } else { -largest };
                let high = if b.range.high <= 0.0 { 0.0 } else { largest };
                Num::of(Range { low, high }).after(&[&a, &b])
            }
            Number::Power(a, exponent, _) => {
                let a = self.number(a);
                Num::of(powered(a.range, *exponent)).after(&[&a])
            }
            Number::Access(access) => {
                self.access(access, |shape, at| Val::Num(shape.word(at.words))).num()
            }
            Number::Call(call) => self.call(call).num(),
            Number::Builtin(call) => self.builtin(call).num(),
        }
    }

    /// A flag, as 0 or 1.
    pub(super) fn flag(&mut self, flag: &Flag) -> Num {
        match flag {
            Flag::Constant(value) => return Num::flag(Some(*value)),
            Flag::Local(slot) => return self.state.get(Key::Word(slot.0)).num(),
            _ => {}
        }
        if !self.enter() {
            return Num::flag(None);
        }
        let num = self.flag_here(flag);
        self.depth -= 1;
        num
    }

    fn flag_here(&mut self, flag: &Flag) -> Num {
        match flag {
            Flag::Constant(value) => Num::flag(Some(*value)),
            Flag::Local(slot) => self.state.get(Key::Word(slot.0)).num(),
            Flag::Not(a) => {
                let a = self.flag(a);
                Num::flag(a.as_flag().map(|flag| !flag)).after(&[&a])
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
                let known = match (a.as_flag(), b.as_flag()) {
                    (_, Some(b)) if b == decisive => Some(b),
                    (Some(_), Some(b)) => Some(b),
                    _ => None,
                };
                Num::flag(known).after(&[&a, &b])
            }
            Flag::Compare(comparison, a, b) => {
                let (a, b) = (self.number(a), self.number(b));
                let known = compared(*comparison, a.range, b.range);
                if known.is_none() && a.range.is_bounded() && b.range.is_bounded() {
                    self.vague += 1;
                }
                Num::flag(known).after(&[&a, &b])
            }
            Flag::Within(value, low, high) => {
                let (v, l, h) = (self.number(value), self.number(low), self.number(high));
                let above = compared(Comparison::GreaterEqual, v.range, l.range);
                let below = compared(Comparison::LessEqual, v.range, h.range);
                let known = match (above, below) {
                    (Some(true), Some(true)) => Some(true),
                    (Some(false), Some(_)) | (Some(_), Some(false)) => Some(false),
                    _ => None,
                };
                Num::flag(known).after(&[&v, &l, &h])
            }
            Flag::EqualFlags(a, b, same) => {
                let (a, b) = (self.flag(a), self.flag(b));
                let known = a.as_flag().zip(b.as_flag()).map(|(a, b)| (a == b) == *same);
                Num::flag(known).after(&[&a, &b])
            }
            Flag::EqualRefs(a, b, _) => {
                self.reference(a);
                self.reference(b);
                Num::flag(None)
            }
            Flag::Access(access) => {
                self.access(access, |shape, at| Val::Num(shape.word(at.words))).num()
            }
            Flag::Call(call) => self.call(call).num(),
            Flag::Builtin(call) => self.builtin(call).num(),
        }
    }

    /// A list, record or text.
    pub(super) fn reference(&mut self, reference: &Ref) -> Rc<Shape> {
        if let Ref::Local(slot) = reference {
            return self.state.get(Key::Ref(slot.0)).shape();
        }
        let unknown = || Rc::new(Shape::Unknown(None));
        if !self.enter() {
            return unknown();
        }
        let shape = match reference {
            Ref::Local(_) | Ref::Text(_) => unknown(),
            Ref::Kept(value) => Rc::new(Shape::of(value)),
            Ref::Interpolated(pieces, _) => {
                for piece in pieces {
                    if let Piece::Value(value, _) = piece {
                        self.expression(value);
                    }
                }
                unknown()
            }
            Ref::Made(parts, _) => self.made(parts),
            Ref::Range(first, last, _) => {
                let (first, last) = (self.number(first), self.number(last));
                let count = self.steps(&first, &last);
                let items = span_of(&first, &last, &count);
                Rc::new(Shape::Repeated(count, vec![items], Vec::new()))
            }
            Ref::Comprehension(comprehension) => {
                let turn = Turn::Element(comprehension.only_if.as_ref(), &comprehension.element);
                self.each(comprehension.target, &comprehension.over, comprehension.span, turn)
            }
            Ref::Joined(a, b, _) => {
                let (a, b) = (self.reference(a), self.reference(b));
                Rc::new(a.followed(&b))
            }
            Ref::Access(access) => {
                self.access(access, |shape, at| Val::Shape(shape.reference(at.refs))).shape()
            }
            Ref::Record(access, size) => {
                let size = *size;
                let whole = move |shape: &Shape, at: Layout| {
                    let words = (0..size.words).map(|i| shape.word(at.words + i)).collect();
                    let refs = (0..size.refs).map(|i| shape.reference(at.refs + i)).collect();
                    Val::Shape(Rc::new(Shape::Exact(words, refs)))
                };
                self.access(access, whole).shape()
            }
            Ref::Call(call) => self.call(call).shape(),
            Ref::Builtin(call) => self.builtin(call).shape(),
        };
        self.depth -= 1;
        shape
    }

    /// A list or record written out.
    fn made(&mut self, parts: &[Part]) -> Rc<Shape> {
        let (mut words, mut refs) = (Vec::new(), Vec::new());
        let mut whole = true;
        for part in parts {
            match self.expression(&part.value) {
                Val::Num(num) => words.push(num),
                Val::Shape(shape) if part.record => match &*shape {
                    Shape::Exact(inner, others) => {
                        words.extend(inner.iter().cloned());
                        refs.extend(others.iter().cloned());
                    }
                    _ => whole = false,
                },
                Val::Shape(shape) => refs.push(shape),
            }
        }
        Rc::new(if whole { Shape::Exact(words, refs) } else { Shape::Unknown(None) })
    }

    /// Reads out of a list or record.
    fn access(&mut self, access: &Access, read: impl Fn(&Shape, Layout) -> Val) -> Val {
        let of = self.reference(&access.of);
        let Some(index) = &access.index else { return read(&of, access.offset) };
        let index = self.number(index);
        let exact = index.range.is_exact() && index.range.low >= 0.0;
        let item = of.item(access.stride, exact.then_some(index.range.low as usize));
        let val = read(&item, access.offset);
        match val {
            Val::Num(num) if !index.form.is_fixed() => Val::Num(num.clone().after(&[&num, &index])),
            val => val,
        }
    }

    /// A call of a routine: walked once for each set of arguments.
    pub(super) fn call(&mut self, call: &Call) -> Val {
        let mut arguments: Vec<Val> = call.arguments.iter().map(|a| self.expression(a)).collect();
        let program = self.program;
        let Some(routine) = program.routines.get(call.routine) else {
            return Val::Num(Num::any(None));
        };
        self.at = call.span;
        let speed = self.state.get(self.speed).num();
        let contexts = self.known_calls.entry(call.routine).or_default();
        if contexts.len() >= CONTEXTS_MOST
            && !contexts.iter().any(|(known, at, _)| *known == arguments && *at == speed)
        {
            for argument in &mut arguments {
                *argument = match argument {
                    Val::Num(num) => Val::Num(Num::any(Some(call.span)).after(&[num])),
                    Val::Shape(_) => Val::Shape(Rc::new(Shape::Unknown(Some(call.span)))),
                };
            }
        }
        let known = contexts.iter().find(|(known, at, _)| *known == arguments && *at == speed);
        let known = known.map(|(.., called)| called.clone());
        let called = match known {
            Some(called) => called,
            None => {
                if !self.enter() {
                    return Val::Num(Num::any(None));
                }
                let called = self.called(routine, &arguments);
                self.depth -= 1;
                if self.unrolling == 0 || self.fuel > 0 {
                    let contexts = self.known_calls.entry(call.routine).or_default();
                    contexts.push((arguments, speed, called.clone()));
                }
                called
            }
        };
        let ended = self.nodes.call(call.span, called.cost.ended);
        let failing = self.nodes.call(call.span, called.cost.failing);
        self.spend(Cost { ended, failing });
        self.state.set(self.speed, Val::Num(called.speed));
        called.result
    }

    fn called(&mut self, routine: &crate::program::tree::Routine, arguments: &[Val]) -> Called {
        let mark = self.state.mark();
        for (slot, argument) in routine.parameters.iter().zip(arguments) {
            self.state.set((*slot).into(), argument.clone());
        }
        let returned = std::mem::take(&mut self.returned);
        let loops = std::mem::take(&mut self.loops);
        let (cost, flow) = self.block(&routine.body);
        self.loops = loops;
        let mut ways = std::mem::replace(&mut self.returned, returned);
        if flow == Flow::Next || ways.is_empty() {
            ways.push((None, self.state.get(self.speed).num()));
        }
        self.state.undo(mark);
        let speeds = ways.iter().map(|(_, speed)| speed.clone());
        let speed = speeds.reduce(|a, b| a.joined(&b)).unwrap_or(Num::any(None));
        let results = ways.into_iter().filter_map(|(result, _)| result);
        let result = results.reduce(|a, b| a.joined(&b)).unwrap_or(Val::Num(Num::any(None)));
        Called { cost, result, speed }
    }

    /// A call of a built-in.
    pub(super) fn builtin(&mut self, call: &BuiltinCall) -> Val {
        let arguments: Vec<Option<Val>> =
            call.arguments.iter().map(|a| a.as_ref().map(|a| self.expression(a))).collect();
        let Some(builtin) = table().get(call.builtin) else {
            let unknown = self.nodes.unknown(call.span, What::Depth, None);
            self.spend(Cost { ended: unknown, failing: NOTHING });
            return Val::Num(Num::any(Some(call.span)));
        };
        let extents: Vec<Extent> =
            arguments.iter().map(|a| extent(a.as_ref(), call.item)).collect();
        let speed = self.state.get(self.speed).num();
        let asked = CallFacts {
            head: self.head,
            arguments: &extents,
            speed: speed.range,
            armed: self.seen.arms,
        };
        let effort = builtin.time.effort(&asked);
        let mut held = held_by(&arguments);
        if let TimeBound::Work(..) = builtin.time {
            let vague = extents.iter().any(|e| matches!(e, Extent::Number(r) if !r.is_exact()));
            if vague || !speed.range.is_exact() {
                self.vague += 1;
            }
            held |= speed.form.params();
        } else {
            held = 0;
        }
        let gives = match builtin.result {
            ResultBound::Computed(known) => known(&asked),
            _ => Extent::Unknown,
        };
        let answered = self.nodes.leaf(Some(call.span), effort.answered, Form::held(held));
        let failing = self.nodes.leaf(Some(call.span), effort.failing, Form::default());
        self.spend(Cost { ended: answered, failing });
        match builtin.time {
            TimeBound::Spin => self.spun(arguments.first().and_then(Option::as_ref)),
            TimeBound::Halt => self.forget_key(self.speed),
            _ => {}
        }
        self.result(call, &builtin.function, builtin.result, &arguments, gives)
    }

    /// The polygon is asked for a speed; one outside its range is refused.
    fn spun(&mut self, asked: Option<&Val>) {
        let Some(Val::Num(asked)) = asked else { return self.forget_key(self.speed) };
        // The last digit of a converted unit is let through.
        let least = self.head.speed_least * (1.0 - 1e-9);
        let low = asked.range.low.max(least);
        let high = asked.range.high.min(self.head.speed_most * (1.0 + 1e-9));
        if low <= high {
            let speed = Num { range: Range { low, high }, ..asked.clone() };
            self.state.set(self.speed, Val::Num(speed));
        }
    }

    fn result(
        &self,
        call: &BuiltinCall,
        function: &Function,
        bound: ResultBound,
        arguments: &[Option<Val>],
        known: Extent,
    ) -> Val {
        let held = held_by(arguments);
        let made = |range: Range| {
            let from = (!range.is_bounded()).then_some(call.span);
            Num { range, form: Form::held(held), from }
        };
        let rising = matches!(bound, ResultBound::Monotonic);
        // One that is not known at both ends may be no number at all.
        let range = |index: usize| match arguments.get(index) {
            Some(Some(Val::Num(num))) if num.range.is_bounded() => num.range,
            _ => Range::ANY,
        };
        let usable = |r: Range| r.is_exact() || rising;
        let ends = match function {
            Function::Number1(f) if usable(range(0)) => {
                Some(Range { low: f(range(0).low), high: f(range(0).high) })
            }
            Function::Number2(f) if usable(range(0)) && usable(range(1)) => {
                Some(at_ends(range(0), range(1), f))
            }
            _ => None,
        };
        if let Some(ends) = ends {
            let ends = if ends.low.is_nan() || ends.high.is_nan() { Range::ANY } else { ends };
            return Val::Num(made(ends));
        }
        match known {
            Extent::Number(range) => Val::Num(made(range)),
            Extent::List { count, values } if call_gives_numbers(values) => {
                Val::Shape(Rc::new(Shape::Repeated(made(count), vec![made(values)], Vec::new())))
            }
            Extent::List { count, .. } => {
                let count = Num { from: Some(call.span), ..made(count) };
                Val::Shape(Rc::new(Shape::Repeated(count, Vec::new(), Vec::new())))
            }
            Extent::Absent | Extent::Unknown => unknown(call),
        }
    }
}

/// A list whose numbers are known holds numbers; the fields of records are not told apart.
fn call_gives_numbers(values: Range) -> bool {
    values.is_bounded()
}

/// A result of which nothing is known.
fn unknown(call: &BuiltinCall) -> Val {
    let returns = table().get(call.builtin).map(|builtin| kind(builtin.page().returns));
    match returns {
        Some(kind) if kind.layout() == Layout::WORD && !is_record(&kind) => {
            Val::Num(Num::any(Some(call.span)))
        }
        _ => Val::Shape(Rc::new(Shape::Unknown(Some(call.span)))),
    }
}

fn is_record(kind: &crate::program::types::Type) -> bool {
    matches!(kind, crate::program::types::Type::Record(_))
}

fn held_by(arguments: &[Option<Val>]) -> u64 {
    arguments.iter().flatten().fold(0, |all, argument| match argument {
        Val::Num(num) => all | num.form.params(),
        Val::Shape(shape) => {
            all | shape.count(Layout::WORD).form.params() | shape.values().form.params()
        }
    })
}

fn extent(argument: Option<&Val>, item: Layout) -> Extent {
    match argument {
        None => Extent::Absent,
        Some(Val::Num(num)) => Extent::Number(num.range),
        Some(Val::Shape(shape)) => {
            let item = if item == Layout::default() { Layout::WORD } else { item };
            Extent::List { count: shape.count(item).range, values: shape.values().range }
        }
    }
}

/// Whether a comparison holds, where it does so for all values.
fn compared(comparison: Comparison, a: Range, b: Range) -> Option<bool> {
    // Without both ends a value may be no number at all.
    if !(a.is_bounded() && b.is_bounded()) {
        return None;
    }
    let less = if a.high < b.low {
        Some(true)
    } else if a.low >= b.high {
        Some(false)
    } else {
        None
    };
    let less_equal = if a.high <= b.low {
        Some(true)
    } else if a.low > b.high {
        Some(false)
    } else {
        None
    };
    let apart = a.high < b.low || a.low > b.high;
    let equal = if apart {
        Some(false)
    } else if a.is_exact() && b.is_exact() {
        Some(a.low == b.low)
    } else {
        None
    };
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
    let ends = [low.powi(exponent), high.powi(exponent)];
    let zero = if low < 0.0 && high > 0.0 { 0.0 } else { low.powi(exponent) };
    let [a, b] = ends;
    let all = among([a, b, zero, b]);
    if exponent <= 1 {
        return all;
    }
    let room = |value: f64| value.abs() * 1e-12;
    Range { low: all.low - room(all.low), high: all.high + room(all.high) }
}
