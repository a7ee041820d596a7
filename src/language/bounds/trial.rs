//! Calls of which not every argument is known: they are tried with made-up values in place of what is not. A call that
//! fails with all of them fails for what is known.

use crate::bounds::exact::datum;
use crate::bounds::known::{Fact, Interval, Parts, Shape};
use crate::bounds::walk::Walk;
use crate::builtins::{Builtin, Function, Range, Trouble};
use crate::program::show::number_text;
use crate::program::tree::{BuiltinCall, Expression};
use crate::program::types::Layout;
use crate::program::value::{Datum, Object, Value};
use std::rc::Rc;

/// Numbers that stand for one that is not known: small and large, whole and broken, of either sign. The words of a
/// failure count where the first two lead to the same, so that nothing made up is in them.
const MADE_UP: [f64; 9] = [1.37, 2.91e-6, 0.83e6, -1.19, 1.0, 0.5, 0.0, 12.0, -7.3e-6];

/// Most numbers that are made up for one call.
const MAX_MADE_UP: usize = 4096;

/// One set of made-up values.
struct Trial {
    which: usize,
    /// How many numbers were made up.
    made: usize,
    /// How an item of the first list lies, where it may be of anything.
    item: Layout,
}

impl Trial {
    /// A number of this range, `nth` of its kind.
    fn number(&mut self, known: &Interval, nth: f64) -> f64 {
        self.made += 1;
        let made_up = MADE_UP.get(self.which).copied().unwrap_or(1.0) * (1.0 + nth);
        let Range { low, high } = known.range;
        if low.is_nan() || high.is_nan() {
            return f64::NAN;
        }
        if !known.range.is_bounded() {
            return made_up.max(low).min(high);
        }
        // Anywhere between the ends, and now and then whole.
        let share = (0.618_033_988_75 * (self.which as f64 + 1.0) + 0.754_877_666_25 * nth).fract();
        let between = low + (high - low) * share;
        let whole = between.round();
        if self.which.is_multiple_of(2) && low <= whole && whole <= high { whole } else { between }
    }

    /// How many items: the most, one less, then the fewest, as far as that is known.
    fn count(&self, count: Range) -> usize {
        let low = if count.low.is_finite() { count.low.max(0.0) } else { 0.0 };
        let high = if count.high.is_finite() { count.high } else { low + 40.0 };
        let count = match self.which {
            0 => high,
            1 => (high - 1.0).max(low),
            which if which.is_multiple_of(2) => high,
            _ => low,
        };
        count as usize
    }

    /// A list, record or text; `kind` is the word for it on the page.
    fn value(&mut self, shape: &Shape, kind: &str) -> Option<Value> {
        if let Some(text) = &shape.text {
            return Some(Value::text(text));
        }
        if kind == "text" {
            return Some(Value::text(if self.which.is_multiple_of(2) { "a" } else { "b" }));
        }
        let inner = kind.strip_prefix("list of ")?;
        let own = match inner {
            "anything" => self.item,
            _ if inner.starts_with("list of ") || inner == "text" => Layout::REF,
            _ => Layout::WORD,
        };
        let unknown =
            Parts { items: Some(Interval::any_count()), words: Vec::new(), refs: Vec::new() };
        let Parts { items, words, refs } = shape.parts.as_ref().unwrap_or(&unknown);
        let (words, refs) = match items {
            Some(_) if words.is_empty() && refs.is_empty() => {
                (vec![Interval::any(None); own.words], vec![Shape::unknown(None); own.refs])
            }
            _ => (words.clone(), refs.clone()),
        };
        let count = items.as_ref().map_or(1, |count| self.count(count.range));
        let each = count.saturating_mul(words.len() + refs.len());
        if self.made.saturating_add(each) > MAX_MADE_UP {
            return None;
        }
        let mut object = Object::default();
        for _ in 0..count {
            for word in &words {
                // Spread evenly and never alike: steps of the golden ratio.
                let nth = (object.words.len() as f64 * 0.618_033_988_75).fract();
                object.words.push(self.number(word, nth));
            }
            for shape in &refs {
                let value = match inner {
                    "anything" => Value::Nothing,
                    _ => self.value(shape, inner)?,
                };
                object.refs.push(value);
            }
        }
        Some(Value::Object(Rc::new(object)))
    }

    /// An argument.
    fn argument(
        &mut self,
        fact: &Fact,
        expression: &Expression,
        kind: &str,
        at: usize,
    ) -> Option<Datum> {
        if let Some(known) = datum(fact, expression) {
            return Some(known);
        }
        match (fact, expression) {
            (Fact::Number(_), Expression::Flag(_)) => {
                Some(Datum::Flag(self.which.is_multiple_of(2)))
            }
            (Fact::Number(number), _) => Some(Datum::Number(self.number(number, at as f64))),
            (Fact::Shape(shape), _) => self.value(shape, kind).map(Datum::Value),
        }
    }
}

impl Walk<'_> {
    /// Why a call fails with any values of its unknown arguments; none where it may go well, and of a built-in that makes
    /// more of them than a number or a list of numbers.
    pub(super) fn tried(
        &mut self,
        call: &BuiltinCall,
        builtin: &Builtin,
        arguments: &[Option<Fact>],
        given: &[Option<Datum>],
    ) -> Option<String> {
        if !builtin.is_tried || given.iter().all(Option::is_some) {
            return None;
        }
        let paper = &mut self.proof.as_mut()?.paper;
        let parameters = &builtin.page().parameters;
        let mut words: Vec<String> = Vec::new();
        for which in 0..MADE_UP.len() {
            let mut trial = Trial { which, made: 0, item: call.item };
            let all = arguments.iter().zip(&call.arguments).enumerate().map(|(at, argument)| {
                let (Some(fact), Some(expression)) = argument else { return Some(Datum::Nothing) };
                trial.argument(fact, expression, parameters.get(at)?.kind, at)
            });
            let all: Option<Vec<Datum>> = all.collect();
            let all: Vec<Option<Datum>> = all?.into_iter().map(Some).collect();
            match paper.worked_out(call, builtin, &all, 0)? {
                Ok(_) => return None,
                Err(Trouble::Value(why) | Trouble::Limit(why) | Trouble::Unusable(why)) => {
                    words.push(why);
                }
                Err(Trouble::Station(_)) => return None,
            }
        }
        if matches!(builtin.function, Function::Number1(_) | Function::Number2(_)) {
            let shown = given.iter().map(|known| match known {
                Some(Datum::Number(number)) => number_text(*number),
                _ => "…".to_string(),
            });
            let shown = shown.collect::<Vec<_>>().join(", ");
            return Some(format!("{}({shown}) has no result", builtin.name));
        }
        let mut words = words.into_iter();
        let (first, second) = (words.next()?, words.next()?);
        (first == second).then_some(first)
    }
}
