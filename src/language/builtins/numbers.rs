//! Numbers: magnitudes, roots, rounding, angles.

use crate::builtins::bound;
use crate::builtins::bound::ResultBound;
use crate::builtins::signature::{Builtin, Function, Trait};

const NOT_NEGATIVE: &[Trait] = &[Trait::NotNegative];

/// The value of a name that stands for a number in every script.
pub(crate) fn constant(name: &str) -> Option<f64> {
    matches!(name, "pi" | "π").then_some(std::f64::consts::PI)
}

fn one(name: &'static str, function: fn(f64) -> f64) -> Builtin {
    Builtin::pure(name, Function::Number1(function))
}

fn two(name: &'static str, function: fn(f64, f64) -> f64) -> Builtin {
    Builtin::pure(name, Function::Number2(function))
}

/// One whose result never falls where an argument rises.
fn rising(builtin: Builtin) -> Builtin {
    Builtin { result: ResultBound::Monotonic, ..builtin }
}

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        one("abs", f64::abs).with_traits(NOT_NEGATIVE).with_result(bound::magnitude),
        rising(one("sqrt", f64::sqrt)).with_traits(NOT_NEGATIVE),
        rising(two("smaller", f64::min)),
        rising(two("larger", f64::max)),
        two("rounded", |x, step| if step == 0.0 { f64::NAN } else { (x / step).round() * step })
            .tried(),
        rising(one("floor", f64::floor)),
        rising(one("ceiling", f64::ceil)),
        one("sin", libm::sin),
        one("cos", libm::cos),
        one("tan", libm::tan),
        one("arcsin", libm::asin),
        one("arccos", libm::acos),
        two("arctan", libm::atan2),
        one("exp", libm::exp).with_traits(NOT_NEGATIVE),
        one("ln", |x| if x > 0.0 { libm::log(x) } else { f64::NAN }),
        one("log10", |x| if x > 0.0 { libm::log10(x) } else { f64::NAN }),
        two("power", libm::pow),
    ]
}
