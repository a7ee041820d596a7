//! Lists: how many, sums, extremes, order.

use crate::builtins::bound;
use crate::builtins::bound::ResultBound;
use crate::builtins::records::datum;
use crate::builtins::signature::{
    Arguments, Builtin, Context, Function, Trait, Trouble, pure, wrong,
};
use crate::program::show::number_text;
use crate::program::types::Layout;
use crate::program::value::{Datum, Object, Value};
use crate::statistics::order;

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        Builtin::pure("count", Function::List(count))
            .with_traits(&[Trait::NotNegative])
            .with_result(bound::count),
        // The checker makes a branch of the call.
        pure("choose", |_, _| wrong("a choice is made where it stands"))
            .with_traits(&[Trait::Chooses]),
        Builtin::pure("sum", Function::List(|list, _| list.as_words().iter().sum())),
        pure("smallest", |_, arguments| worked("smallest element", 1, arguments, smallest))
            .with_result(bound::among)
            .tried(),
        pure("largest", |_, arguments| worked("largest element", 1, arguments, largest))
            .with_result(bound::among)
            .tried(),
        pure("sorted", |_, arguments| {
            let words = order::sorted(arguments.words(0));
            Ok(datum(Object { words, refs: Vec::<Value>::new() }))
        })
        .with_result(bound::same),
        Builtin {
            result: ResultBound::Items(bound::as_many),
            ..pure("sorted_by", sorted_by).tried()
        },
        Builtin { result: ResultBound::Items(bound::sliced), ..pure("slice", slice).tried() },
        pure("find", find),
    ]
}

/// The items of the first list, each with its doubles and references.
fn items<'a>(context: &Context<'_>, arguments: Arguments<'a>) -> Vec<(&'a [f64], &'a [Value])> {
    let Layout { words, refs } = context.item;
    let (all_words, all_refs) = match arguments.get(0) {
        Some(Datum::Value(value)) => (value.as_words(), value.as_refs()),
        _ => (&[][..], &[][..]),
    };
    let count = all_words.len().checked_div(words).or(all_refs.len().checked_div(refs));
    let item = |at: usize| {
        let words = all_words.get(at * words..(at + 1) * words).unwrap_or_default();
        (words, all_refs.get(at * refs..(at + 1) * refs).unwrap_or_default())
    };
    (0..count.unwrap_or(0)).map(item).collect()
}

fn list<'a>(items: impl IntoIterator<Item = (&'a [f64], &'a [Value])>) -> Datum {
    let mut object = Object::default();
    for (words, refs) in items {
        object.words.extend_from_slice(words);
        object.refs.extend_from_slice(refs);
    }
    datum(object)
}

fn sorted_by(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let (items, keys) = (items(context, arguments), arguments.words(1));
    if items.len() != keys.len() {
        let (items, keys) = (items.len(), keys.len());
        return wrong(format!("each element needs its key: there are {items} and {keys} keys"));
    }
    let mut keyed: Vec<_> = keys.iter().zip(items).collect();
    keyed.sort_by(|(a, _), (b, _)| a.total_cmp(b));
    Ok(list(keyed.into_iter().map(|(_, item)| item)))
}

fn slice(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let items = items(context, arguments);
    let count = items.len() as f64;
    let (first, last) = (arguments.number(1), arguments.optional(2).unwrap_or(count));
    let is_place = |place: f64| place.fract() == 0.0 && (0.0..=count).contains(&place);
    if !is_place(first) || !is_place(last) || last < first {
        let (first, last) = (number_text(first), number_text(last));
        let count = items.len();
        return wrong(format!(
            "{first} to {last} is no slice of {count} elements: both lie from 0 to {count}, in order"
        ));
    }
    Ok(list(items.get(first as usize..last as usize).unwrap_or_default().iter().copied()))
}

fn find(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let word =
        arguments.get(1).map_or(0.0, |x| if x.flag() { 1.0 } else { x.given().unwrap_or(0.0) });
    let (words, whole) = ([word], arguments.get(1));
    let is_it = |(words_of, refs_of): (&[f64], &[Value])| match whole {
        // A text or list is one reference; a record lies spread out.
        Some(Datum::Value(value)) => {
            refs_of == std::slice::from_ref(value)
                || (words_of, refs_of) == (value.as_words(), value.as_refs())
        }
        _ => words_of == words,
    };
    let items = items(context, arguments).into_iter().enumerate();
    let places = items.filter(|(_, item)| is_it(*item)).map(|(at, _)| at as f64);
    Ok(datum(Object { words: places.collect(), refs: Vec::new() }))
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
