//! Uncertainty budgets: components together, degrees of freedom, coverage.

use crate::builtins::records::{datum, field, made, width};
use crate::builtins::signature::{Arguments, Builtin, Context, Trouble, pure, wrong};
use crate::program::show::number_text;
use crate::program::value::{Datum, Value};
use crate::statistics::distributions::student_two_sided;
use crate::statistics::uncertainty::{combined, effective_degrees};
use spintrue_head::MAX_DEGREES;

const COMPONENT: &str = "component";

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        pure("combined_uncertainty", |_, arguments| {
            Ok(Datum::Number(combined(components(arguments)?)))
        })
        .tried(),
        pure("effective_degrees_of_freedom", effective).tried(),
        pure("coverage_factor", |_, arguments| Ok(Datum::Number(factor(arguments, 0)?))).tried(),
        pure("expanded_uncertainty", |_, arguments| {
            let u = arguments.number(0);
            if u < 0.0 {
                return wrong("`u` is negative; a standard uncertainty is not");
            }
            Ok(Datum::Number(u * factor(arguments, 1)?))
        })
        .tried(),
        pure("type_a", |_, arguments| {
            let degrees = arguments.number(2);
            component(arguments, "A", degrees)
        })
        .tried(),
        pure("type_b", |_, arguments| {
            let degrees = arguments.optional(3).unwrap_or(MAX_DEGREES);
            let source = arguments.text(2).trim().to_string();
            if source.is_empty() {
                return wrong("`source` is empty: say where this component is known from");
            }
            component(arguments, &format!("B: {source}"), degrees)
        })
        .tried(),
    ]
}

fn component(arguments: Arguments<'_>, source: &str, degrees: f64) -> Result<Datum, Trouble> {
    let (name, u) = (arguments.text(0).trim(), arguments.number(1));
    if name.is_empty() {
        return wrong("`name` is empty: say what this component is");
    }
    if u < 0.0 {
        return wrong("`u` is negative; a standard uncertainty is not");
    }
    if degrees < 1.0 {
        let degrees = number_text(degrees);
        return wrong(format!("`degrees_of_freedom` is {degrees}; there is at least 1"));
    }
    Ok(datum(made(
        COMPONENT,
        &[
            ("degrees", Datum::Number(degrees)),
            ("name", Datum::Value(Value::text(name))),
            ("source", Datum::Value(Value::text(source))),
            ("u", Datum::Number(u)),
        ],
    )))
}

/// A component of a budget.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Component {
    /// What it is.
    pub name: String,
    /// `A`, or `B` with where it is known from.
    pub source: String,
    /// Standard uncertainty, times its sensitivity.
    pub u: f64,
    /// Degrees of freedom.
    pub degrees: f64,
}

/// The total of a list of components.
pub(crate) struct Budget {
    pub components: Vec<Component>,
    /// Expanded to 95 %.
    pub expanded: f64,
    /// Effective degrees of freedom; many where they are beyond doubt.
    pub degrees: f64,
    /// Expanded over combined standard uncertainty.
    pub factor: f64,
}

/// Adds up a list of components (JCGM 100:2008, 5.1.2, G.4.1 and G.3); none of an empty list.
pub(crate) fn budget(list: &Value) -> Option<Budget> {
    let words = list.as_words().chunks_exact(width(COMPONENT).max(1));
    let components = words.zip(list.as_refs().chunks_exact(2)).map(|(words, texts)| {
        let text = |at: usize| texts.get(at).map_or("", Value::as_text).to_string();
        let (u, degrees) = (field!(COMPONENT, words, "u"), field!(COMPONENT, words, "degrees"));
        Component { name: text(0), source: text(1), u, degrees }
    });
    let components: Vec<Component> = components.collect();
    let (us, degrees): (Vec<f64>, Vec<f64>) = components.iter().map(|c| (c.u, c.degrees)).unzip();
    let u = combined(&us);
    let degrees = if u == 0.0 { MAX_DEGREES } else { effective_degrees(&us, &degrees) };
    let degrees = degrees.min(MAX_DEGREES);
    let factor = student_two_sided(0.95, degrees);
    (!components.is_empty()).then_some(Budget { components, expanded: factor * u, degrees, factor })
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
