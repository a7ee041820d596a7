//! Expressions: what is known of their values, and what they take.

use crate::bounds::exact::given;
use crate::bounds::finding::{Cause, Finding, ImageSizes};
use crate::bounds::form::{Form, Params};
use crate::bounds::known::{Fact, Interval, Parts, Shape, among, corners};
use crate::bounds::loops::{Turn, span_of};
use crate::bounds::nodes::{NOTHING, Timed, What};
use crate::bounds::state::Key;
use crate::bounds::walk::{Called, Context, Cost, Flow, Walk};
use crate::builtins::{
    Builtin, CallFacts, Extent, Function, Range, Refused, ResultBound, TimeBound, Trait, Trouble,
    kind, table,
};
use crate::program::tree::{
    Access, Arithmetic, BuiltinCall, Call, Comparison, Expression, Flag, Number, Part, Piece, Ref,
    Routine,
};
use crate::program::types::{Layout, Type};
use crate::program::value::remainder;
use std::rc::Rc;

/// Sets of arguments that one routine is walked for; then they are taken for any.
const MAX_CONTEXTS: usize = 32;

/// What holds for a result of two numbers; `form` is asked only where both are known exactly.
fn combined(a: &Interval, b: &Interval, range: Range, form: impl Fn() -> Form) -> Interval {
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
                Interval::flag(known).after(&[&v, &l, &h])
            }
            Flag::EqualFlags(a, b, same) => {
                let (a, b) = (self.flag(a), self.flag(b));
                let known = a.as_flag().zip(b.as_flag()).map(|(a, b)| (a == b) == *same);
                Interval::flag(known).after(&[&a, &b])
            }
            Flag::EqualRefs(a, b, _) => {
                self.reference(a);
                self.reference(b);
                Interval::flag(None)
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
            Ref::Interpolated(pieces, _) => {
                for piece in pieces {
                    if let Piece::Value(value, _) = piece {
                        self.expression(value);
                    }
                }
                Shape::unknown(None)
            }
            Ref::Made(parts, _) => self.made(parts),
            Ref::Range(first, last, _) => {
                let (first, last) = (self.number(first), self.number(last));
                let count = self.steps(&first, &last);
                let items = span_of(&first, &last, &count);
                Shape::repeated(count, vec![items], Vec::new())
            }
            Ref::Comprehension(comprehension) => {
                let turn = Turn::Element(comprehension.only_if.as_ref(), &comprehension.element);
                self.each(comprehension.target, &comprehension.over, comprehension.span, turn)
            }
            Ref::Joined(a, b, _) => {
                let (a, b) = (self.reference(a), self.reference(b));
                a.followed(&b)
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
        if whole { Shape::exact(words, refs) } else { Shape::unknown(None) }
    }

    /// Reads out of a list or record.
    fn access(&mut self, access: &Access, read: impl Fn(&Shape, Layout) -> Fact) -> Fact {
        let of = self.reference(&access.of);
        let Some(index) = &access.index else { return read(&of, access.offset) };
        let index = self.number(index);
        self.judge_index(&index, &of.count(access.stride), access.span);
        let exact = index.range.is_exact() && index.range.low >= 0.0;
        let item = of.item(access.stride, exact.then_some(index.range.low as usize));
        match read(&item, access.offset) {
            Fact::Number(number) if !index.form.is_fixed() => {
                Fact::Number(number.clone().after(&[&number, &index]))
            }
            fact => fact,
        }
    }

    /// A call of a routine: walked once for each set of arguments.
    pub(super) fn call(&mut self, call: &Call) -> Fact {
        let mut arguments: Vec<Fact> = call.arguments.iter().map(|a| self.expression(a)).collect();
        let program = self.program;
        let Some(routine) = program.routines.get(call.routine) else {
            return Fact::Number(Interval::any(None));
        };
        self.at = call.span;
        let speed = self.state.get(self.speed).number();
        let looking = self.looking();
        let contexts = self.known_calls.entry(call.routine).or_default();
        let same = |arguments: &[Fact]| {
            let mut known = contexts.iter();
            let is_same = |known: &&Context| {
                known.arguments == arguments && known.speed == speed && known.looking == looking
            };
            known.find(is_same).map(|known| known.called.clone())
        };
        let mut known = same(&arguments);
        if known.is_none() && contexts.len() >= MAX_CONTEXTS {
            for argument in &mut arguments {
                *argument = match argument {
                    Fact::Number(number) => {
                        Fact::Number(Interval::any(Some(call.span)).after(&[number]))
                    }
                    Fact::Shape(_) => Fact::Shape(Shape::unknown(Some(call.span))),
                };
            }
            known = same(&arguments);
        }
        let called = match known {
            Some(called) => called,
            None => {
                let (called, findings) =
                    self.collecting(|walk| walk.deeper(|walk| walk.called(routine, &arguments)));
                let called = called.map(|called| Called { findings, ..called });
                let Some(called) = called else { return Fact::Number(Interval::any(None)) };
                if self.unrolling == 0 || self.fuel > 0 {
                    let contexts = self.known_calls.entry(call.routine).or_default();
                    contexts.push(Context { arguments, speed, looking, called: called.clone() });
                }
                called
            }
        };
        self.found_in_call(&called.findings, call.span);
        let Cost { ended, failing } = called.cost;
        let ended = self.nodes.timed(Timed::Routine(call.routine), ended, failing);
        let ended = self.nodes.call(call.span, ended);
        let failing = self.nodes.call(call.span, failing);
        self.spend(Cost { ended, failing });
        self.state.set(self.speed, Fact::Number(called.speed));
        called.result
    }

    fn called(&mut self, routine: &Routine, arguments: &[Fact]) -> Called {
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
            ways.push((None, self.state.get(self.speed).number()));
        }
        self.state.undo(mark);
        let speeds = ways.iter().map(|(_, speed)| speed.clone());
        let speed = speeds.reduce(|a, b| a.joined(&b)).unwrap_or(Interval::any(None));
        let results = ways.into_iter().filter_map(|(result, _)| result);
        let result =
            results.reduce(|a, b| a.joined(&b)).unwrap_or(Fact::Number(Interval::any(None)));
        Called { cost, result, speed, findings: Vec::new() }
    }

    /// A call of a built-in.
    pub(super) fn builtin(&mut self, call: &BuiltinCall) -> Fact {
        let arguments: Vec<Option<Fact>> =
            call.arguments.iter().map(|a| a.as_ref().map(|a| self.expression(a))).collect();
        let Some(builtin) = table().get(call.builtin) else {
            let unknown = self.nodes.unknown(call.span, What::Depth, None);
            self.spend(Cost { ended: unknown, failing: NOTHING });
            return Fact::Number(Interval::any(Some(call.span)));
        };
        let extents: Vec<Extent> =
            arguments.iter().map(|a| extent(a.as_ref(), call.item)).collect();
        let speed = self.state.get(self.speed).number();
        let values = if self.is_proving() { given(call, &arguments) } else { Vec::new() };
        let unknown: ImageSizes<'_> = &|_| None;
        let asked = CallFacts {
            head: self.head,
            arguments: &extents,
            speed: speed.range,
            armed: self.seen.arms,
            values: &values,
            images: self.proof.as_ref().map_or(unknown, |proof| proof.images),
        };
        let effort = builtin.time.effort(&asked);
        let held = held_by(&arguments);
        if builtin.is(Trait::NeedsLock) && matches!(builtin.time, TimeBound::Work(..)) {
            self.judge_pulses(call.span);
        }
        let refused = builtin.refuses.filter(|_| self.is_proving()).and_then(|judge| judge(&asked));
        let mut answered_by = 0;
        if let TimeBound::Work(..) = builtin.time {
            let vague = extents.iter().any(|e| matches!(e, Extent::Number(r) if !r.is_exact()));
            if vague || !speed.range.is_exact() {
                self.vague += 1;
            }
            answered_by = held | speed.form.params();
        }
        let known = match builtin.result {
            ResultBound::Computed(known) => known(&asked),
            _ => Extent::Unknown,
        };
        let answered = self.nodes.leaf(Some(call.span), effort.answered, Form::held(answered_by));
        let failing = self.nodes.leaf(Some(call.span), effort.failing, Form::default());
        let looks = self.looks_of_call(effort.answered, answered_by);
        let ended = self.nodes.sum([answered, looks]);
        self.spend(Cost { ended, failing });
        match builtin.time {
            TimeBound::Spin => self.spun(arguments.first().and_then(Option::as_ref)),
            TimeBound::Halt => {
                // It may still turn.
                let halted = Interval { from: Some(call.span), ..Interval::only(0.0) };
                self.state.set(self.speed, Fact::Number(halted));
            }
            _ => {}
        }
        if let Some(Refused { argument, why, help, at_speed }) = refused {
            let span = call.places.get(argument).copied().unwrap_or(call.span);
            let own = arguments.get(argument).map_or(0, |own| held_by(std::slice::from_ref(own)));
            let by = own | if at_speed { speed.form.params() } else { 0 };
            let mut finding = Finding::new(Cause::Refused, span, why, by);
            finding.help = help;
            self.found_by(finding);
        }
        let made = self.proof.as_mut();
        match made.and_then(|proof| proof.paper.worked_out(call, builtin, &values, held)) {
            Some(Ok(fact)) => return fact,
            Some(Err(Trouble::Value(why) | Trouble::Limit(why) | Trouble::Unusable(why))) => {
                self.found_by(Finding::new(Cause::Refused, call.span, why, held));
            }
            Some(Err(Trouble::Station(_))) | None => {}
        }
        result(call, builtin, &arguments, held, known)
    }

    /// The polygon is asked for a speed; one outside its range is refused.
    fn spun(&mut self, asked: Option<&Fact>) {
        let Some(Fact::Number(asked)) = asked else { return self.forget_key(self.speed) };
        // The last digit of a converted unit is let through.
        let least = self.head.speed_least * (1.0 - 1e-9);
        let low = asked.range.low.max(least);
        let high = asked.range.high.min(self.head.speed_most * (1.0 + 1e-9));
        if low <= high {
            let speed = Interval { range: Range { low, high }, ..asked.clone() };
            self.state.set(self.speed, Fact::Number(speed));
        }
    }
}

/// What is known of the result of a built-in. `held` are the params that its arguments depend on,
/// `known` is what the built-in itself says of it.
fn result(
    call: &BuiltinCall,
    builtin: &Builtin,
    arguments: &[Option<Fact>],
    held: Params,
    known: Extent,
) -> Fact {
    let made = |range: Range| {
        let from = (!range.is_bounded()).then_some(call.span);
        Interval { range, form: Form::held(held), from }
    };
    let rising = matches!(builtin.result, ResultBound::Monotonic);
    // One that is not known at both ends may be no number at all.
    let range = |index: usize| match arguments.get(index) {
        Some(Some(Fact::Number(number))) if number.range.is_bounded() => number.range,
        _ => Range::ANY,
    };
    let (a, b) = (range(0), range(1));
    let usable = |range: Range| range.is_exact() || rising;
    let ends = match &builtin.function {
        Function::Number1(f) if usable(a) => Some((f(a.low), f(a.high))),
        Function::Number2(f) if usable(a) && usable(b) => {
            Some((f(a.low, b.low), f(a.high, b.high)))
        }
        _ => None,
    };
    if let Some((low, high)) = ends {
        let unknown = low.is_nan() || high.is_nan();
        return Fact::Number(made(if unknown { Range::ANY } else { Range { low, high } }));
    }
    match known {
        Extent::Number(range) => Fact::Number(made(range)),
        // A list whose numbers are known holds numbers; the fields of records are not told apart.
        Extent::List { count, values } if values.is_bounded() => {
            Fact::Shape(Shape::repeated(made(count), vec![made(values)], Vec::new()))
        }
        Extent::List { count, .. } => {
            let count = Interval { from: Some(call.span), ..made(count) };
            Fact::Shape(Shape::repeated(count, Vec::new(), Vec::new()))
        }
        Extent::Absent | Extent::Unknown => {
            let kind = kind(builtin.page().returns);
            if kind.layout() == Layout::WORD && !matches!(kind, Type::Record(_)) {
                Fact::Number(Interval::any(Some(call.span)))
            } else {
                Fact::Shape(Shape::unknown(Some(call.span)))
            }
        }
    }
}

fn held_by(arguments: &[Option<Fact>]) -> Params {
    arguments.iter().flatten().fold(0, |all, argument| match argument {
        Fact::Number(number) => all | number.form.params(),
        Fact::Shape(shape) => {
            all | shape.count(Layout::WORD).form.params() | shape.values().form.params()
        }
    })
}

fn extent(argument: Option<&Fact>, item: Layout) -> Extent {
    match argument {
        None => Extent::Absent,
        Some(Fact::Number(number)) => Extent::Number(number.range),
        Some(Fact::Shape(shape)) => {
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
