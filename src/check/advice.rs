//! Ways out that reports offer: near names, and the step from one kind to another.

use crate::program::types::Type;
use crate::units::{Dimension, suited};

/// The candidate nearest to a misspelt name, if one is near enough to be meant.
pub(crate) fn near<'a>(wrong: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let lower = wrong.to_lowercase();
    let enough = |candidate: &&str| {
        let distance = strsim::damerau_levenshtein(&lower, &candidate.to_lowercase());
        let length = wrong.chars().count().min(candidate.chars().count());
        *candidate != wrong && distance <= (length / 3).max(usize::from(length > 2))
    };
    // Among those, people get the beginning of a word right.
    known
        .filter(enough)
        .map(|candidate| (strsim::jaro_winkler(&lower, &candidate.to_lowercase()), candidate))
        .max_by(|a, b| a.0.total_cmp(&b.0).then_with(|| b.1.cmp(a.1)))
        .map(|(_, candidate)| candidate)
}

/// What is meant by the name of a routine in other languages.
pub(super) fn elsewhere(name: &str) -> Option<&'static str> {
    Some(match name {
        "max" | "maximum" => "the larger of two is `larger(a, b)`, of a list `largest(xs)`",
        "min" | "minimum" => "the smaller of two is `smaller(a, b)`, of a list `smallest(xs)`",
        "std" | "stdev" | "stddev" | "sd" => "the standard deviation is `deviation(xs)`",
        "quantile" | "quantiles" => "the value below 90 % of a list is `percentile(xs, 90 %)`",
        "polyfit" | "linregress" => "a straight line is fitted by `linear_fit(xs, ys)`",
        "average" | "avg" => "the average is `mean(xs)`",
        "len" | "length" | "size" => "the number of elements is `count(xs)`",
        "append" | "push" | "add" => "a list grows with `xs = xs + [x]`",
        "range" => "a range is written `0..n`: from 0 up to but without n",
        "print" | "println" | "printf" | "echo" => "a line is printed with `note \"...\"`",
        "sleep" | "delay" => "time passes with `wait 200 ms`",
        "assert" => "a check is `expect \"label\": value <= limit`",
        "round" => "`rounded(x, step: 0.1 mm)` rounds to whole steps",
        "ceil" => "it is called `ceiling`",
        "log" => "the natural logarithm is `ln(x)`, the decimal one `log10(x)`",
        "pow" => "a whole power is written `x^2`; others are `power(x, 0.5)`",
        "atan2" | "atan" => "it is called `arctan(y, x)`",
        "asin" | "acos" => "they are called `arcsin` and `arccos`",
        "pi" => "half a turn is `180 deg`; as a plain number `180 deg / 1 rad`",
        "stop" | "halt" => "the polygon is stopped by `brake()`, or runs out after `coast()`",
        _ => return None,
    })
}

/// What is meant by the name of a value in other languages.
pub(super) fn value_elsewhere(name: &str) -> Option<&'static str> {
    Some(match name {
        "True" | "TRUE" => "it is written `true`",
        "False" | "FALSE" => "it is written `false`",
        "null" | "nil" | "None" | "NULL" => {
            "every value is there; keep a flag beside it, or use an empty list"
        }
        "end" | "endif" | "done" => "a block ends with `}`",
        _ => return None,
    })
}

/// How to get from the type that is there to the one that is needed, where one step does it.
/// `is` is the text of the expression, `unit` the unit of what it stands beside.
pub(super) fn step(is: &str, from: &Type, to: &Type, unit: Option<&str>) -> Option<String> {
    let loose = ['+', '-', '<', '>', '=', '±'];
    let words = [" and ", " or ", " in ", " within ", ".."];
    let wrapped = if is.contains(loose) || words.iter().any(|word| is.contains(word)) {
        format!("({is})")
    } else {
        is.to_string()
    };
    match (from, to) {
        (Type::Quantity(from), Type::Quantity(to)) => quantity_step(&wrapped, *from, *to, unit),
        (Type::Temperature, Type::Quantity(to)) if *to == Dimension::TEMPERATURE => {
            Some(format!("a temperature minus another is a difference: `{wrapped} - 20 degC`"))
        }
        (Type::Quantity(from), Type::Temperature) if *from == Dimension::TEMPERATURE => {
            Some("a temperature is written in degC: `25 degC`; K is for differences".to_string())
        }
        (Type::Quantity(_) | Type::Flag | Type::Temperature, Type::Text) => {
            Some(format!("write it into a text: \"{{{is}}}\""))
        }
        (item, Type::List(list)) if **list == *item => {
            Some(format!("a list of one is written `[{is}]`"))
        }
        (Type::Quantity(_), Type::Flag) if !is.starts_with(|c: char| c.is_ascii_digit()) => {
            Some(format!("compare it with something: `{wrapped} > ...`"))
        }
        _ => None,
    }
}

fn quantity_step(is: &str, from: Dimension, to: Dimension, unit: Option<&str>) -> Option<String> {
    if from.is_number()
        && let Some(kind) = to.kind()
        && is.parse::<f64>().is_ok()
    {
        // Lengths of this trade are seldom in metres.
        let usual = if to == Dimension::LENGTH { 1e-3 } else { 1.0 };
        let suited = suited(usual, to).map(|unit| unit.text);
        let unit = unit.or(suited.as_deref())?;
        return Some(format!("{} needs a unit, such as `{is} {unit}`", with_article(kind.name)));
    }
    let needed = to.over(from)?;
    let turn = Dimension::ANGLE;
    if needed == turn {
        return Some(format!("a turn is an angle: as turns it is `{is} * 1 rev`"));
    }
    if Some(needed) == turn.power(-1) {
        return Some(format!("a turn is an angle: counted in turns it is `{is} / 1 rev`"));
    }
    let literal = is.starts_with(|c: char| c.is_ascii_digit());
    if Some(to) == from.power(-1) && !literal {
        return Some(format!("turn it over: `1 / {is}`"));
    }
    None
}

/// "a length", "an angle", "text", "D^2".
pub(super) fn with_article(name: &str) -> String {
    match name.chars().next() {
        _ if name == "nothing" || name == "text" || name == "something unknown" => name.to_string(),
        Some(first) if first.is_uppercase() => name.to_string(),
        Some('a' | 'e' | 'i' | 'o' | 'u') => format!("an {name}"),
        _ => format!("a {name}"),
    }
}

/// `1 argument`, `2 arguments`.
pub(super) fn count(number: usize, noun: &str) -> String {
    format!("{number} {noun}{}", if number == 1 { "" } else { "s" })
}

/// A list in words: "`a`, `b` and `c`".
pub(super) fn listed(items: &[String]) -> String {
    match items {
        [] => "none".to_string(),
        [one] => format!("`{one}`"),
        [first @ .., last] => {
            let first: Vec<String> = first.iter().map(|i| format!("`{i}`")).collect();
            format!("{} and `{last}`", first.join(", "))
        }
    }
}
