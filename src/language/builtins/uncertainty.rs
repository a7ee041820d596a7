//! Uncertainty budgets: components together, degrees of freedom, coverage.

use crate::builtins::signature::{
    Arguments, Builtin, Context, Default, NUMBER, OPEN, Parameter, Spec, Trouble, general,
    optional, required,
};
use crate::program::show::number_text;
use crate::program::value::Datum;
use crate::statistics::distributions::student_two_sided;
use crate::statistics::uncertainty::{combined, effective_degrees};

const COMPONENTS: Parameter = Parameter {
    name: "components",
    spec: Spec::List(&OPEN),
    default: Default::Required,
    meaning: "standard uncertainties that do not depend on each other, in the unit of the result \
              (each already times its sensitivity), none negative",
};

const PROBABILITY: Parameter = optional(
    "probability",
    NUMBER,
    "95 %",
    "how probably the interval holds the true value, between 0 % and 100 %",
);

const DEGREES: Parameter = optional(
    "degrees_of_freedom",
    NUMBER,
    "infinitely many: the normal distribution",
    "effective degrees of freedom of the standard uncertainty, at least 1",
);

/// The built-ins of this topic.
pub(super) const BUILTINS: &[Builtin] = &[
    Builtin {
        name: "combined_uncertainty",
        parameters: &[COMPONENTS],
        returns: OPEN,
        meaning: "The combined standard uncertainty: the root of the sum of the squares of its components (JCGM 100:2008, 5.1.2, from memory). An empty list and a negative component fail.",
        example: "expect \"both\": combined_uncertainty([3 um, 4 um]) within 4.999 um .. 5.001 um",
        ..general(|_, arguments| Ok(Datum::Number(combined(components(arguments)?))))
    },
    Builtin {
        name: "effective_degrees_of_freedom",
        parameters: &[
            COMPONENTS,
            Parameter {
                name: "degrees_of_freedom",
                spec: Spec::List(&NUMBER),
                default: Default::Required,
                meaning: "of each component, at least 1: readings - 1 where it was measured; a \
                          large number such as 1e9 where it is beyond doubt",
            },
        ],
        returns: NUMBER,
        meaning: "The effective degrees of freedom of a combined standard uncertainty by the Welch-Satterthwaite formula, not rounded (JCGM 100:2008, G.4.1, from memory). Lists of different lengths, an empty list, a negative component, components that are all zero, and degrees of freedom below 1 fail.",
        example: "let degrees = effective_degrees_of_freedom([0.25 um, 0.57 um, 0.82 um], [9, 4, 14])
expect \"about nineteen\": degrees within 18.95 .. 19.05",
        ..general(effective)
    },
    Builtin {
        name: "coverage_factor",
        parameters: &[PROBABILITY, DEGREES],
        returns: NUMBER,
        meaning: "What a standard uncertainty is multiplied by to give an expanded one: the two-sided quantile of Student's t (JCGM 100:2008, G.3 and table G.2, from memory). A probability that is not between 0 % and 100 %, and degrees of freedom below 1, fail.",
        example: "expect \"few readings\": coverage_factor(95 %, degrees_of_freedom: 4) within 2.77 .. 2.78
expect \"many\": coverage_factor(95.45 %) within 1.999 .. 2.001",
        ..general(|_, arguments| Ok(Datum::Number(factor(arguments, 0)?)))
    },
    Builtin {
        name: "expanded_uncertainty",
        parameters: &[
            required("u", OPEN, "a standard uncertainty, not negative"),
            PROBABILITY,
            DEGREES,
        ],
        returns: OPEN,
        meaning: "The expanded uncertainty U = k * u, with k from `coverage_factor` (JCGM 100:2008, 6.2 and G.6.4, from memory). A negative uncertainty, a probability that is not between 0 % and 100 %, and degrees of freedom below 1 fail.",
        example: "expect \"U\": expanded_uncertainty(32 nm, 99 %, degrees_of_freedom: 16) within 93 nm .. 94 nm",
        ..general(|_, arguments| {
            let u = arguments.number(0);
            if u < 0.0 {
                return Err(Trouble::Value(
                    "`u` is negative; a standard uncertainty is not".into(),
                ));
            }
            Ok(Datum::Number(u * factor(arguments, 1)?))
        })
    },
];

fn components(arguments: Arguments<'_>) -> Result<&[f64], Trouble> {
    let components = arguments.words(0);
    if components.is_empty() {
        return Err(Trouble::Value("a budget without components has no uncertainty".into()));
    }
    match components.iter().position(|u| *u < 0.0) {
        Some(index) => Err(Trouble::Value(format!(
            "component {index} is negative; a standard uncertainty is not"
        ))),
        None => Ok(components),
    }
}

fn effective(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let components = components(arguments)?;
    let degrees = arguments.words(1);
    if components.len() != degrees.len() {
        return Err(Trouble::Value(format!(
            "each component needs its degrees of freedom: there are {} and {}",
            components.len(),
            degrees.len()
        )));
    }
    if let Some(index) = degrees.iter().position(|d| *d < 1.0) {
        let message = format!("the degrees of freedom of component {index} are below 1");
        return Err(Trouble::Value(message));
    }
    if components.iter().all(|u| *u == 0.0) {
        let message = "components that are all zero have no degrees of freedom";
        return Err(Trouble::Value(message.into()));
    }
    Ok(Datum::Number(effective_degrees(components, degrees)))
}

/// From a probability and degrees of freedom, both of which may be left out.
fn factor(arguments: Arguments<'_>, first: usize) -> Result<f64, Trouble> {
    let probability = arguments.optional(first).unwrap_or(0.95);
    let degrees = arguments.optional(first + 1).unwrap_or(f64::INFINITY);
    if !(probability > 0.0 && probability < 1.0) {
        return Err(Trouble::Value(format!(
            "`probability` is {} %; it lies between 0 % and 100 %",
            number_text(probability * 100.0)
        )));
    }
    if degrees < 1.0 {
        let message =
            format!("`degrees_of_freedom` is {}; there is at least 1", number_text(degrees));
        return Err(Trouble::Value(message));
    }
    Ok(student_two_sided(probability, degrees))
}
