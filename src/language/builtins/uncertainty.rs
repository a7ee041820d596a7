//! Uncertainty budgets: components together, degrees of freedom, coverage.

use crate::builtins::signature::{Arguments, Builtin, Context, Trouble, pure, wrong};
use crate::program::show::number_text;
use crate::program::value::Datum;
use crate::statistics::distributions::student_two_sided;
use crate::statistics::uncertainty::{combined, effective_degrees};

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        pure("combined_uncertainty", |_, arguments| {
            Ok(Datum::Number(combined(components(arguments)?)))
        }),
        pure("effective_degrees_of_freedom", effective),
        pure("coverage_factor", |_, arguments| Ok(Datum::Number(factor(arguments, 0)?))),
        pure("expanded_uncertainty", |_, arguments| {
            let u = arguments.number(0);
            if u < 0.0 {
                return wrong("`u` is negative; a standard uncertainty is not");
            }
            Ok(Datum::Number(u * factor(arguments, 1)?))
        }),
    ]
}

fn components(arguments: Arguments<'_>) -> Result<&[f64], Trouble> {
    let components = arguments.words(0);
    if components.is_empty() {
        return wrong("a budget without components has no uncertainty");
    }
    match components.iter().position(|u| *u < 0.0) {
        Some(index) => {
            wrong(format!("component {index} is negative; a standard uncertainty is not"))
        }
        None => Ok(components),
    }
}

fn effective(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let components = components(arguments)?;
    let degrees = arguments.words(1);
    if components.len() != degrees.len() {
        return wrong(format!(
            "each component needs its degrees of freedom: there are {} and {}",
            components.len(),
            degrees.len()
        ));
    }
    if let Some(index) = degrees.iter().position(|d| *d < 1.0) {
        return wrong(format!("the degrees of freedom of component {index} are below 1"));
    }
    if components.iter().all(|u| *u == 0.0) {
        return wrong("components that are all zero have no degrees of freedom");
    }
    Ok(Datum::Number(effective_degrees(components, degrees)))
}

/// From a probability and degrees of freedom, both of which may be left out.
fn factor(arguments: Arguments<'_>, first: usize) -> Result<f64, Trouble> {
    let probability = arguments.optional(first).unwrap_or(0.95);
    let degrees = arguments.optional(first + 1).unwrap_or(f64::INFINITY);
    if !(probability > 0.0 && probability < 1.0) {
        let probability = number_text(probability * 100.0);
        return wrong(format!("`probability` is {probability} %; it lies between 0 % and 100 %"));
    }
    if degrees < 1.0 {
        let degrees = number_text(degrees);
        return wrong(format!("`degrees_of_freedom` is {degrees}; there is at least 1"));
    }
    Ok(student_two_sided(probability, degrees))
}
