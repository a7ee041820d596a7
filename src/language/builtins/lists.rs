//! Lists: how many, sums, extremes, order.

use crate::builtins::bound;
use crate::builtins::records::datum;
use crate::builtins::signature::{Arguments, Builtin, Function, Trait, Trouble, pure, wrong};
use crate::program::types::Layout;
use crate::program::value::{Datum, Object, Value};
use crate::statistics::order;

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        Builtin::pure("count", Function::List(count))
            .with_traits(&[Trait::NotNegative])
            .with_result(bound::count),
        Builtin::pure("sum", Function::List(|list, _| list.as_words().iter().sum())),
        pure("smallest", |_, arguments| worked("smallest element", 1, arguments, smallest))
            .with_result(bound::among),
        pure("largest", |_, arguments| worked("largest element", 1, arguments, largest))
            .with_result(bound::among),
        pure("sorted", |_, arguments| {
            let words = order::sorted(arguments.words(0));
            Ok(datum(Object { words, refs: Vec::<Value>::new() }))
        })
        .with_result(bound::same),
    ]
}

fn count(list: &Value, item: Layout) -> f64 {
    let words = list.as_words().len().checked_div(item.words);
    words.or_else(|| list.as_refs().len().checked_div(item.refs)).unwrap_or(0) as f64
}

pub(super) fn smallest(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::INFINITY, f64::min)
}

pub(super) fn largest(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

/// The elements; an error where there are fewer than a result needs.
pub(super) fn some<'a>(
    what: &str,
    least: usize,
    arguments: Arguments<'a>,
) -> Result<&'a [f64], Trouble> {
    let words = arguments.words(0);
    if words.len() >= least {
        return Ok(words);
    }
    let needs = if least == 1 { "an empty list has no" } else { "fewer than two elements have no" };
    wrong(format!("{needs} {what}"))
}

/// A number that is worked out from the elements.
pub(super) fn worked(
    what: &str,
    least: usize,
    arguments: Arguments<'_>,
    work: fn(&[f64]) -> f64,
) -> Result<Datum, Trouble> {
    Ok(Datum::Number(work(some(what, least, arguments)?)))
}
