//! Calls of routines and built-ins: what they take, what they are refused for, and what is known of their results.

use crate::bounds::exact::{filled, given};
use crate::bounds::finding::{Cause, Finding, KnownImages};
use crate::bounds::form::{Form, Params};
use crate::bounds::known::{Fact, Interval, Parts, Shape};
use crate::bounds::nodes::{NOTHING, Timed, What};
use crate::bounds::state::Key;
use crate::bounds::walk::{Called, Context, Cost, Flow, Walk};
use crate::builtins::{
    Builtin, CallFacts, Effect, Extent, Function, Misuse, Range, Refused, ResultBound, TimeBound,
    Trait, Trouble, place, record_layout, reference_place, table,
};
use crate::program::tree::{BuiltinCall, Call, Routine};
use crate::program::types::Layout;
use crate::source::Span;
use spintrue_head::Description;

/// Sets of arguments that one routine is walked for; then they are taken for any.
const MAX_CONTEXTS: usize = 32;

/// What may have been asked for, or nothing.
pub(super) fn any_speed(head: &Description) -> Range {
    Range { low: 0.0, high: head.speed_most }
}

impl Walk<'_> {
    /// A call of a routine: walked once for each set of arguments.
    pub(super) fn call(&mut self, call: &Call) -> Fact {
        let mut arguments: Vec<Fact> = call.arguments.iter().map(|a| self.expression(a)).collect();
        let program = self.program;
        let Some(routine) = program.routines.get(call.routine) else {
            return Fact::Number(Interval::any(None));
        };
        self.at = call.span;
        let speed = self.state.get(self.speed).number();
        let (looking, around) = (self.looking(), self.around);
        let contexts = self.known_calls.entry(call.routine).or_default();
        let same = |arguments: &[Fact]| {
            let mut known = contexts.iter();
            let is_same = |known: &&Context| {
                known.arguments == arguments
                    && known.speed == speed
                    && known.looking == looking
                    && known.around == around
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
                    contexts.push(Context {
                        arguments,
                        speed,
                        looking,
                        around,
                        called: called.clone(),
                    });
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
        let mut held = 0;
        let extents: Vec<Extent> =
            arguments.iter().map(|a| extent(a.as_ref(), call.item, &mut held)).collect();
        let speed = self.state.get(self.speed).number();
        let values = if self.is_proving() { given(call, &arguments) } else { Vec::new() };
        let unknown: KnownImages<'_> = &|_| None;
        let asked = CallFacts {
            head: self.head,
            arguments: &extents,
            speed: speed.range,
            presumed: self.around.presumed,
            lit: self.around.lit,
            armed: self.arms,
            values: &values,
            filled: &|index, usual| filled(arguments.get(index)?.as_ref()?, usual),
            images: self.proof.as_ref().map_or(unknown, |proof| proof.images),
            empty: &|index, record, list| is_empty(arguments.get(index), record, list),
        };
        let effort = builtin.time.effort(&asked);
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
            ResultBound::Computed(known) => Known::Extent(known(&asked)),
            ResultBound::Fields(known) => Known::Fields(known(&asked)),
            ResultBound::Items(count) => Known::Items(count(&asked)),
            ResultBound::Records(known) => Known::Records(known(&asked)),
            ResultBound::Unknown | ResultBound::Monotonic => Known::Extent(Extent::Unknown),
        };
        let answered = self.nodes.leaf(Some(call.span), effort.answered, Form::held(answered_by));
        let failing = self.nodes.leaf(Some(call.span), effort.failing, Form::default());
        let looks = self.looks_of_call(effort.answered, answered_by);
        let ended = self.nodes.sum([answered, looks]);
        self.spend(Cost { ended, failing });
        if matches!(builtin.time, TimeBound::Work(..)) {
            self.passes();
        }
        match builtin.time {
            TimeBound::Spin => self.spun(arguments.first().and_then(Option::as_ref)),
            _ if builtin.has(Effect::Provokes) || builtin.has(Effect::Switches) => self.unlock(),
            TimeBound::Halt => {
                // It may still turn.
                let halted = Interval { from: Some(call.span), ..Interval::only(0.0) };
                self.state.set(self.speed, Fact::Number(halted));
            }
            _ => {}
        }
        let is_refused = refused.is_some();
        if let Some(Refused { argument, why, help, misuse, at_speed }) = refused {
            let span = call.places.get(argument).copied().unwrap_or(call.span);
            let mut by = if at_speed { speed.form.params() } else { 0 };
            extent(arguments.get(argument).and_then(Option::as_ref), call.item, &mut by);
            let cause = match misuse {
                Misuse::Value => Cause::Refused,
                Misuse::Unknown => Cause::Unknown,
                Misuse::Signal => Cause::Signal,
            };
            let mut finding = Finding::new(cause, span, why, by);
            finding.help = help;
            self.found_by(finding);
        }
        let made = self.proof.as_mut();
        match made.and_then(|proof| proof.paper.worked_out(call, builtin, &values, held)) {
            Some(Ok(fact)) => return fact,
            Some(Err(Trouble::Value(why) | Trouble::Limit(why) | Trouble::Unusable(why)))
                if !is_refused =>
            {
                self.found_by(Finding::new(Cause::Refused, call.span, why, held));
            }
            Some(Err(_)) => {}
            None if is_refused => {}
            None => {
                if let Some(why) = self.tried(call, builtin, &arguments, &values) {
                    self.found_by(Finding::new(Cause::Refused, call.span, why, held));
                }
            }
        }
        // Why something is unknown is told with a bound alone.
        let from = (!self.is_proving()).then_some(call.span);
        result(call, builtin, &arguments, (held, from), known)
    }

    pub(super) fn forget_key(&mut self, key: Key) {
        if key == self.speed {
            let any = any_speed(self.head);
            self.state.set(key, Fact::Number(Interval::of(any)));
        } else {
            self.state.forget(key);
        }
    }

    /// The polygon is asked for a speed; one outside its range is refused.
    fn spun(&mut self, asked: Option<&Fact>) {
        let Some(Fact::Number(asked)) = asked else { return self.forget_key(self.speed) };
        // The last digit of a converted unit is let through.
        let least = self.head.speed_least * (1.0 - 1e-9);
        let low = asked.range.low.max(least);
        let high = asked.range.high.min(self.head.speed_most * (1.0 + 1e-9));
        if low <= high {
            let range = Range { low, high };
            let before = self.state.get(self.speed).number().range;
            let fresh = before.high < range.low || before.low > range.high;
            let speed = Interval { range, locked: false, fresh, ..asked.clone() };
            self.state.set(self.speed, Fact::Number(speed));
        } else if self.is_proving() {
            // What comes behind a refused speed would be said of the same mistake.
            self.forget_key(self.speed);
        }
    }
}

/// What a built-in says of its result.
enum Known {
    Extent(Extent),
    /// Some fields of a record.
    Fields(Vec<(&'static str, Range)>),
    /// So many items of the first list.
    Items(Range),
    /// So many records, of which these lists are empty.
    Records((Range, &'static [&'static str])),
}

/// Whether a list is surely empty in every record that an argument holds.
fn is_empty(argument: Option<&Option<Fact>>, record: &str, list: &str) -> bool {
    let (Some(Some(Fact::Shape(all))), Some(layout)) = (argument, record_layout(record)) else {
        return false;
    };
    let list = all.item(layout, None).reference(reference_place(record, list));
    list.count(Layout::WORD).range.high <= 0.0
}

/// So many records of which nothing is known but that some of their lists are empty.
fn records_of(from: Option<Span>, returns: &str, count: Interval, empty: &[&str]) -> Fact {
    let record = returns.strip_prefix("list of ").unwrap_or(returns);
    let layout = record_layout(record).unwrap_or_default();
    let mut refs = vec![Shape::unknown(from); layout.refs];
    for name in empty {
        if let Some(list) = refs.get_mut(reference_place(record, name)) {
            *list = Shape::exact(Vec::new(), Vec::new());
        }
    }
    let words = vec![Interval::any(from); layout.words];
    Fact::Shape(Shape::repeated(Interval { from, ..count }, words, refs))
}

/// A record of which some fields are known.
fn record_of(from: Option<Span>, returns: &str, fields: &[(&str, Range)]) -> Fact {
    let layout = record_layout(returns).unwrap_or_default();
    let mut words = vec![Interval::any(from); layout.words];
    for (name, range) in fields {
        if let Some(word) = words.get_mut(place(returns, name)) {
            *word = Interval { from, ..Interval::of(*range) };
        }
    }
    Fact::Shape(Shape::exact(words, vec![Shape::unknown(from); layout.refs]))
}

/// So many items that lie so, each of which may be any of a list.
fn items_of(list: Option<&Option<Fact>>, item: Layout, count: Interval) -> Fact {
    if count.range == Range::only(0.0) {
        return Fact::Shape(Shape::exact(Vec::new(), Vec::new()));
    }
    let any = match list {
        Some(Some(Fact::Shape(list))) => list.item(item, None).parts.clone(),
        _ => None,
    };
    Fact::Shape(match any {
        Some(Parts { words, refs, .. }) => Shape::repeated(count, words, refs),
        None => Shape::of_length(count),
    })
}

/// What is known of the result of a built-in. `held` are the params that its arguments depend on,
/// `known` is what the built-in itself says of it.
fn result(
    call: &BuiltinCall,
    builtin: &Builtin,
    arguments: &[Option<Fact>],
    (held, from): (Params, Option<Span>),
    known: Known,
) -> Fact {
    let made = |range: Range| {
        let from = from.filter(|_| !range.is_bounded());
        Interval { form: Form::held(held), from, ..Interval::of(range) }
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
    let known = match known {
        Known::Extent(known) => known,
        Known::Fields(fields) => return record_of(from, builtin.page().returns, &fields),
        Known::Items(count) => return items_of(arguments.first(), call.item, made(count)),
        Known::Records((count, empty)) => {
            return records_of(from, builtin.page().returns, made(count), empty);
        }
    };
    match known {
        Extent::Number(range) => Fact::Number(made(range)),
        // A list whose numbers are known holds numbers.
        Extent::List { count, values } if values.is_bounded() => {
            Fact::Shape(Shape::repeated(made(count), vec![made(values)], Vec::new()))
        }
        Extent::List { count, .. } => records_of(from, builtin.page().returns, made(count), &[]),
        Extent::Absent | Extent::Unknown => {
            // Where it is asked for a list, record or text, it is an unknown one.
            Fact::Number(Interval::any(from))
        }
    }
}

/// What a built-in may know of an argument; the params that it depends on are added.
fn extent(argument: Option<&Fact>, item: Layout, held: &mut Params) -> Extent {
    match argument {
        None => Extent::Absent,
        Some(Fact::Number(number)) => {
            *held |= number.form.params();
            Extent::Number(number.range)
        }
        Some(Fact::Shape(shape)) => {
            let item = if item == Layout::default() { Layout::WORD } else { item };
            let (count, values) = (shape.count(item), shape.values());
            *held |= count.form.params() | values.form.params();
            Extent::List { count: count.range, values: values.range }
        }
    }
}
