//! Ways out that reports offer: near names, and the step from one kind to another.

use crate::program::types::Type;
use crate::units::{Dimension, suited};

/// The candidate nearest to a misspelt name, if one is near enough to be meant.
pub(super) fn near<'a>(wrong: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let lower = wrong.to_lowercase();
    known
        .filter(|candidate| *candidate != wrong)
        .map(|candidate| {
            let distance = strsim::damerau_levenshtein(&lower, &candidate.to_lowercase());
            (distance, candidate)
        })
        .filter(|(distance, candidate)| {
            let length = wrong.chars().count().min(candidate.chars().count());
            *distance <= (length / 3).max(usize::from(length > 1))
        })
        .min()
        .map(|(_, candidate)| candidate)
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
        (Type::Quantity(_), Type::Flag) => {
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
        let suited = suited(1.0, to).map(|unit| unit.text);
        let unit = unit.or(suited.as_deref())?;
        return Some(format!("{} needs a unit, such as `{is} {unit}`", with_article(kind.name)));
    }
    let needed = to.over(from)?;
    let turn = Dimension::ANGLE;
    if needed == turn {
        return Some(format!("a turn is an angle, so many turns are `{is} * 1 rev`"));
    }
    if Some(needed) == turn.power(-1) {
        return Some(format!("a turn is an angle, so `{is} / 1 rev` counts turns"));
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
