//! Lists: how many, sums, extremes, order.

use crate::builtins::bound::{self, Gives, Longest};
use crate::builtins::records::datum;
use crate::builtins::signature::{Builtin, Context, Default, Function, Parameter, Spec, Trouble};
use crate::program::value::{Datum, Object, Value};
use crate::statistics::order;
use crate::units::Dimension;

const OPEN: Spec = Spec::Quantity(Dimension::open_power(1));
const NUMBER: Spec = Spec::Quantity(Dimension::NUMBER);

const XS: &[Parameter] = &[Parameter {
    name: "xs",
    spec: Spec::List(&OPEN),
    default: Default::Required,
    meaning: "quantities of one kind",
}];

const fn over(
    name: &'static str,
    meaning: &'static str,
    example: &'static str,
    function: fn(&mut Context<'_>, &[Datum]) -> Result<Datum, Trouble>,
) -> Builtin {
    let function = Function::General(function);
    let gives = Gives::Anything;
    let longest = Longest::Nothing;
    Builtin {
        name,
        parameters: XS,
        returns: OPEN,
        effects: &[],
        meaning,
        example,
        longest,
        gives,
        function,
    }
}

/// The built-ins of this topic.
pub(super) const BUILTINS: &[Builtin] = &[
    Builtin {
        name: "count",
        parameters: &[Parameter {
            name: "xs",
            spec: Spec::List(&Spec::Any),
            default: Default::Required,
            meaning: "a list of anything",
        }],
        returns: NUMBER,
        effects: &[],
        meaning: "How many elements a list has.",
        example: "expect \"three\": count([1 mm, 2 mm, 3 mm]) == 3",
        longest: Longest::Nothing,
        gives: Gives::Known(bound::count),
        function: Function::General(count),
    },
    over(
        "sum",
        "The sum; of no elements it is zero.",
        "expect \"sum\": sum([1 V, 2 V]) == 3 V",
        sum,
    ),
    Builtin {
        gives: Gives::Known(bound::among),
        ..over(
            "smallest",
            "The smallest element. An empty list has none and fails.",
            "expect \"smallest\": smallest([3 um, 1 um, 2 um]) == 1 um",
            smallest,
        )
    },
    Builtin {
        gives: Gives::Known(bound::among),
        ..over(
            "largest",
            "The largest element. An empty list has none and fails.",
            "expect \"largest\": largest([3 um, 1 um, 2 um]) == 3 um",
            largest,
        )
    },
    Builtin {
        name: "sorted",
        parameters: XS,
        returns: Spec::List(&OPEN),
        effects: &[],
        meaning: "The elements from the smallest to the largest.",
        example: "expect \"sorted\": sorted([3 um, 1 um, 2 um]) == [1 um, 2 um, 3 um]",
        longest: Longest::Nothing,
        gives: Gives::Known(bound::same),
        function: Function::General(sorted),
    },
];

fn words(arguments: &[Datum]) -> &[f64] {
    arguments.first().map_or(&[], Datum::words)
}

fn count(context: &mut Context<'_>, arguments: &[Datum]) -> Result<Datum, Trouble> {
    let refs = match arguments.first() {
        Some(Datum::Value(value)) => value.as_refs().len(),
        _ => 0,
    };
    let words = words(arguments).len();
    let each = context.item;
    let count = words.checked_div(each.words).or_else(|| refs.checked_div(each.refs));
    Ok(Datum::Number(count.unwrap_or(0) as f64))
}

fn sum(_: &mut Context<'_>, arguments: &[Datum]) -> Result<Datum, Trouble> {
    Ok(Datum::Number(words(arguments).iter().sum()))
}

/// The elements; an error where there are none.
fn some<'a>(what: &str, arguments: &'a [Datum]) -> Result<&'a [f64], Trouble> {
    match words(arguments) {
        [] => Err(Trouble::Value(format!("an empty list has no {what}"))),
        words => Ok(words),
    }
}

fn smallest(_: &mut Context<'_>, arguments: &[Datum]) -> Result<Datum, Trouble> {
    let words = some("smallest element", arguments)?;
    Ok(Datum::Number(words.iter().copied().fold(f64::INFINITY, f64::min)))
}

fn largest(_: &mut Context<'_>, arguments: &[Datum]) -> Result<Datum, Trouble> {
    let words = some("largest element", arguments)?;
    Ok(Datum::Number(words.iter().copied().fold(f64::NEG_INFINITY, f64::max)))
}

fn sorted(_: &mut Context<'_>, arguments: &[Datum]) -> Result<Datum, Trouble> {
    let object = Object { words: order::sorted(words(arguments)), refs: Vec::<Value>::new() };
    Ok(datum(object))
}
