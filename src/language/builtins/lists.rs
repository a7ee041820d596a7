//! Lists: how many, sums, extremes, order.

use crate::builtins::bound;
use crate::builtins::bound::ResultBound;
use crate::builtins::records::datum;
use crate::builtins::signature::{
    Arguments, Builtin, Context, NUMBER, OPEN, Parameter, Spec, Trait, Trouble, Work, general,
    required,
};
use crate::program::value::{Datum, Object, Value};
use crate::statistics::order;

const XS: &[Parameter] = &[required("xs", Spec::List(&OPEN), "quantities of one kind")];

/// One quantity from a list of its kind.
pub(super) const fn over(
    name: &'static str,
    meaning: &'static str,
    example: &'static str,
    work: Work,
) -> Builtin {
    Builtin { name, parameters: XS, returns: OPEN, meaning, example, ..general(work) }
}

/// One whose result lies between the elements.
pub(super) const fn among(builtin: Builtin) -> Builtin {
    Builtin { result: ResultBound::Computed(bound::among), ..builtin }
}

/// The built-ins of this topic.
pub(super) const BUILTINS: &[Builtin] = &[
    Builtin {
        name: "count",
        traits: &[Trait::NotNegative],
        parameters: &[required("xs", Spec::List(&Spec::Any), "a list of anything")],
        returns: NUMBER,
        meaning: "How many elements a list has.",
        example: "expect \"three\": count([1 mm, 2 mm, 3 mm]) == 3",
        result: ResultBound::Computed(bound::count),
        ..general(count)
    },
    over(
        "sum",
        "The sum; of no elements it is zero.",
        "expect \"sum\": sum([1 V, 2 V]) == 3 V",
        sum,
    ),
    among(over(
        "smallest",
        "The smallest element. An empty list has none and fails.",
        "expect \"smallest\": smallest([3 um, 1 um, 2 um]) == 1 um",
        smallest,
    )),
    among(over(
        "largest",
        "The largest element. An empty list has none and fails.",
        "expect \"largest\": largest([3 um, 1 um, 2 um]) == 3 um",
        largest,
    )),
    Builtin {
        name: "sorted",
        parameters: XS,
        returns: Spec::List(&OPEN),
        meaning: "The elements from the smallest to the largest.",
        example: "expect \"sorted\": sorted([3 um, 1 um, 2 um]) == [1 um, 2 um, 3 um]",
        result: ResultBound::Computed(bound::same),
        ..general(sorted)
    },
];

fn count(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let refs = match arguments.get(0) {
        Some(Datum::Value(value)) => value.as_refs().len(),
        _ => 0,
    };
    let words = arguments.words(0).len();
    let each = context.item;
    let count = words.checked_div(each.words).or_else(|| refs.checked_div(each.refs));
    Ok(Datum::Number(count.unwrap_or(0) as f64))
}

fn sum(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    Ok(Datum::Number(arguments.words(0).iter().sum()))
}

/// The elements; an error where there are none.
fn some<'a>(what: &str, arguments: Arguments<'a>) -> Result<&'a [f64], Trouble> {
    match arguments.words(0) {
        [] => Err(Trouble::Value(format!("an empty list has no {what}"))),
        words => Ok(words),
    }
}

fn smallest(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let words = some("smallest element", arguments)?;
    Ok(Datum::Number(words.iter().copied().fold(f64::INFINITY, f64::min)))
}

fn largest(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let words = some("largest element", arguments)?;
    Ok(Datum::Number(words.iter().copied().fold(f64::NEG_INFINITY, f64::max)))
}

fn sorted(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let object = Object { words: order::sorted(arguments.words(0)), refs: Vec::<Value>::new() };
    Ok(datum(object))
}
