//! Values that are known whole, and what built-ins make of them before the run: those that ask nothing of the head are
//! simply called.

use crate::bounds::form::{Form, Params};
use crate::bounds::known::{Fact, Interval, Parts, Shape};
use crate::builtins::{Arguments, Builtin, Context, Effect, Function, TimeBound, Trait, Trouble};
use crate::program::tree::{BuiltinCall, Expression};
use crate::program::value::{Datum, Object, Value};
use crate::station::Station;
use spintrue_head::{Call, Description, Fault, Link, Reply};
use std::rc::Rc;
use std::sync::Arc;

/// Most doubles of a list that is handed to a built-in.
const MAX_GIVEN: usize = 4096;

/// A head that only says what it is.
struct Described(Description);

impl Link for Described {
    fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        match call {
            Call::Describe => Ok(Reply::Description(Box::new(self.0.clone()))),
            _ => Err(Fault::Refused("nothing is asked before the run".to_string())),
        }
    }

    fn now(&mut self) -> f64 {
        0.0
    }
}

/// A station on which built-ins are called that ask nothing.
pub(super) struct Paper(Station);

impl Paper {
    pub(super) fn new(head: &Description) -> Option<Paper> {
        let link = Box::new(Described(head.clone()));
        Some(Paper(Station::open(link, Arc::default()).ok()?))
    }
}

fn number(interval: &Interval) -> Option<f64> {
    let range = interval.range;
    // What a record does not tell is no number, and that is known.
    let absent = range.low.is_nan() && range.high.is_nan();
    (range.is_exact() || absent).then_some(range.low)
}

fn value(shape: &Shape) -> Option<Value> {
    if let Some(text) = &shape.text {
        return Some(Value::text(text));
    }
    let Parts { items, words, refs } = shape.parts.as_ref()?;
    // What holds for every item, all alike; without any, nothing is known of them.
    let count = match items {
        Some(_) if words.is_empty() && refs.is_empty() => return None,
        Some(items) => Some(items.range).filter(|range| range.is_exact())?.low as usize,
        None => 1,
    };
    if count.saturating_mul(words.len().max(refs.len())) > MAX_GIVEN {
        return None;
    }
    let one: Option<Vec<f64>> = words.iter().map(number).collect();
    let inner: Option<Vec<Value>> = refs.iter().map(|shape| value(shape)).collect();
    let (words, refs) = (one?.repeat(count), vec![inner?; count].concat());
    Some(Value::Object(Rc::new(Object { words, refs })))
}

/// A list of records of numbers of which some are known, with `usual` ones in place of the others.
pub(super) fn filled(fact: &Fact, usual: &[f64]) -> Option<Datum> {
    let Fact::Shape(shape) = fact else { return None };
    let (words, refs) = shape.parts.as_ref()?.spread()?;
    if !refs.is_empty() || words.iter().all(|word| number(word).is_none()) {
        return None;
    }
    let usual = usual.iter().copied().cycle();
    let words = words.iter().zip(usual).map(|(word, usual)| number(word).unwrap_or(usual));
    Some(Datum::Value(Value::words(words.collect())))
}

/// What an expression gives, where that is known whole.
pub(super) fn datum(fact: &Fact, expression: &Expression) -> Option<Datum> {
    match (fact, expression) {
        (Fact::Number(known), Expression::Flag(_)) => known.as_flag().map(Datum::Flag),
        (Fact::Number(known), _) => number(known).map(Datum::Number),
        (Fact::Shape(shape), _) => value(shape).map(Datum::Value),
    }
}

/// The arguments of a call where they are known whole; `Nothing` for one that was left out.
pub(super) fn given(call: &BuiltinCall, arguments: &[Option<Fact>]) -> Vec<Option<Datum>> {
    let one = |(fact, expression): (&Option<Fact>, &Option<Expression>)| match (fact, expression) {
        (Some(fact), Some(expression)) => datum(fact, expression),
        _ => Some(Datum::Nothing),
    };
    arguments.iter().zip(&call.arguments).map(one).collect()
}

/// A value as the walk knows it, which depends on these params.
fn fact(datum: &Datum, held: Params) -> Option<Fact> {
    let known = |value: f64| Interval { form: Form::held(held), ..Interval::only(value) };
    match datum {
        Datum::Number(number) => Some(Fact::Number(known(*number))),
        Datum::Flag(flag) => Some(Fact::Number(known(f64::from(*flag)))),
        Datum::Value(value) => Some(Fact::Shape(Shape::of(value).held(held))),
        Datum::Nothing => None,
    }
}

impl Paper {
    /// What a built-in makes of arguments that are known whole, or why it refuses them; none where that is not known
    /// before the run.
    pub(super) fn worked_out(
        &mut self,
        call: &BuiltinCall,
        builtin: &Builtin,
        given: &[Option<Datum>],
        held: Params,
    ) -> Option<Result<Fact, Trouble>> {
        let reads = |effect: &Effect| *effect == Effect::Reads;
        let asks_nothing = matches!(builtin.time, TimeBound::None)
            && builtin.page().effects.iter().all(reads)
            && !builtin.is(Trait::Changes);
        if !asks_nothing {
            return None;
        }
        let data: Vec<Datum> = given.iter().cloned().collect::<Option<_>>()?;
        let at = |index: usize| {
            data.get(index).map_or(f64::NAN, |datum| datum.given().unwrap_or(f64::NAN))
        };
        let made = match builtin.function {
            Function::Number1(work) => Ok(Datum::Number(work(at(0)))),
            Function::Number2(work) => Ok(Datum::Number(work(at(0), at(1)))),
            Function::List(work) => {
                let list = data.first().and_then(|datum| match datum {
                    Datum::Value(value) => Some(value),
                    _ => None,
                })?;
                Ok(Datum::Number(work(list, call.item)))
            }
            Function::General(work) => {
                let (item, like) = (call.item, &call.like);
                let mut context = Context { station: &mut self.0, item, like, all_conform: true };
                work(&mut context, Arguments(&data))
            }
        };
        match made {
            Ok(Datum::Number(number)) if !number.is_finite() => {
                let shown = data.iter().filter_map(|datum| match datum {
                    Datum::Number(number) => Some(crate::program::show::number_text(*number)),
                    Datum::Flag(flag) => Some(flag.to_string()),
                    Datum::Value(_) => Some("…".to_string()),
                    Datum::Nothing => None,
                });
                let shown = shown.collect::<Vec<_>>().join(", ");
                Some(Err(Trouble::Value(format!("{}({shown}) has no result", builtin.name))))
            }
            Ok(datum) => fact(&datum, held).map(Ok),
            Err(Trouble::Station(_)) => None,
            Err(trouble) => Some(Err(trouble)),
        }
    }
}
