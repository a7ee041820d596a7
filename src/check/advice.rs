//! Ways out that reports offer: near names, and the step from one kind to another.

use crate::program::types::Type;
use crate::units::Dimension;

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
/// `is` is the text of the expression.
pub(super) fn step(is: &str, from: &Type, to: &Type) -> Option<String> {
    let wrapped = if is.chars().all(|c| c.is_alphanumeric() || "_.()".contains(c)) {
        is.to_string()
    } else {
        format!("({is})")
    };
    match (from, to) {
        (Type::Quantity(from), Type::Quantity(to)) => quantity_step(&wrapped, *from, *to),
        (Type::Temperature, Type::Quantity(to)) if *to == Dimension::TEMPERATURE => Some(format!(
            "a temperature minus another is a difference: `{wrapped} - 20 degC`"
        )),
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

fn quantity_step(is: &str, from: Dimension, to: Dimension) -> Option<String> {
    let needed = to.over(from)?;
    let turn = Dimension::ANGLE;
    if needed == turn {
        return Some(format!("a turn is an angle: `{is} * 1 rev` is {} turns", article(to)));
    }
    if Some(needed) == turn.power(-1) {
        return Some(format!("a turn is an angle: `{is} / 1 rev` counts turns"));
    }
    if from.is_number()
        && let Some(kind) = to.kind()
        && let Some((unit, _)) = kind.shown_in.first()
    {
        return Some(format!("a {} needs a unit, such as `{unit}`", kind.name));
    }
    if Some(to) == from.power(-1) {
        return Some(format!("turn it over: `1 / {is}`"));
    }
    None
}

fn article(dimension: Dimension) -> &'static str {
    if dimension == Dimension::ROTATION { "so many" } else { "that many" }
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
