//! Numbers: magnitudes, roots, rounding, angles.

use crate::builtins::bound;
use crate::builtins::bound::ResultBound;
use crate::builtins::signature::{
    ANGLE, Builtin, Function, NUMBER, Parameter, Spec, Trait, general, required,
};
use crate::program::value::Datum;
use spintrue_head::Dimension;

const fn open(exponent: i8) -> Spec {
    Spec::Quantity(Dimension::open_power(exponent))
}

const fn of(
    name: &'static str,
    parameters: &'static [Parameter],
    returns: Spec,
    meaning: &'static str,
    example: &'static str,
    function: Function,
) -> Builtin {
    let pure = general(|_, _| Ok(Datum::Nothing));
    Builtin { name, parameters, returns, meaning, example, function, ..pure }
}

const fn one(
    name: &'static str,
    parameters: &'static [Parameter],
    returns: Spec,
    meaning: &'static str,
    example: &'static str,
    function: fn(f64) -> f64,
) -> Builtin {
    of(name, parameters, returns, meaning, example, Function::Number1(function))
}

const fn two(
    name: &'static str,
    parameters: &'static [Parameter],
    returns: Spec,
    meaning: &'static str,
    example: &'static str,
    function: fn(f64, f64) -> f64,
) -> Builtin {
    of(name, parameters, returns, meaning, example, Function::Number2(function))
}

const fn not_negative(builtin: Builtin) -> Builtin {
    Builtin { traits: &[Trait::NotNegative], ..builtin }
}

/// One whose result never falls where an argument rises.
const fn rising(builtin: Builtin) -> Builtin {
    Builtin { result: ResultBound::Monotonic, ..builtin }
}

const X: &[Parameter] = &[required("x", open(1), "any quantity")];
const PLAIN: &[Parameter] = &[required("x", NUMBER, "a plain number")];
const TURNED: &[Parameter] = &[required("angle", ANGLE, "an angle")];
const BOTH: &[Parameter] = &[
    required("a", open(1), "any quantity"),
    required("b", open(1), "a quantity of the same kind"),
];

/// The built-ins of this topic.
pub(super) const BUILTINS: &[Builtin] = &[
    Builtin {
        traits: &[Trait::NotNegative],
        result: ResultBound::Computed(bound::magnitude),
        ..one(
            "abs",
            X,
            open(1),
            "The magnitude of a quantity.",
            "expect \"abs\": abs(-3 um) == 3 um",
            f64::abs,
        )
    },
    not_negative(rising(one(
        "sqrt",
        &[required("x", open(2), "a quantity, not negative, of a kind that has a root")],
        open(1),
        "The square root; of an area it is a length. A negative value has none and fails.",
        "expect \"side\": sqrt(9 mm^2) within 2.999 mm .. 3.001 mm",
        f64::sqrt,
    ))),
    rising(two(
        "smaller",
        BOTH,
        open(1),
        "The smaller of two quantities.",
        "expect \"smaller\": smaller(3 um, 5 um) == 3 um",
        f64::min,
    )),
    rising(two(
        "larger",
        BOTH,
        open(1),
        "The larger of two quantities.",
        "expect \"larger\": larger(3 um, 5 um) == 5 um",
        f64::max,
    )),
    two(
        "rounded",
        &[
            required("x", open(1), "any quantity"),
            required("step", open(1), "what it is rounded to a whole multiple of, not zero"),
        ],
        open(1),
        "The nearest whole multiple of a step; halves away from zero. A step of zero fails.",
        "expect \"ticks\": rounded(23 ns, step: 10 ns) within 19.9 ns .. 20.1 ns",
        |x, step| if step == 0.0 { f64::NAN } else { (x / step).round() * step },
    ),
    rising(one(
        "floor",
        PLAIN,
        NUMBER,
        "The largest whole number that is not larger.",
        "expect \"floor\": floor(2.7) == 2",
        f64::floor,
    )),
    rising(one(
        "ceiling",
        PLAIN,
        NUMBER,
        "The smallest whole number that is not smaller.",
        "expect \"ceiling\": ceiling(2.2) == 3",
        f64::ceil,
    )),
    one(
        "sin",
        TURNED,
        NUMBER,
        "The sine of an angle.",
        "expect \"sine\": sin(30 deg) within 0.4999 .. 0.5001",
        libm::sin,
    ),
    one(
        "cos",
        TURNED,
        NUMBER,
        "The cosine of an angle.",
        "expect \"cosine\": cos(60 deg) within 0.4999 .. 0.5001",
        libm::cos,
    ),
    one(
        "tan",
        TURNED,
        NUMBER,
        "The tangent of an angle.",
        "expect \"tangent\": tan(45 deg) within 0.9999 .. 1.0001",
        libm::tan,
    ),
    one(
        "arcsin",
        PLAIN,
        ANGLE,
        "The angle from -90 deg to 90 deg with this sine; a number outside -1 to 1 has none and fails.",
        "expect \"angle\": arcsin(0.5) within 29.99 deg .. 30.01 deg",
        libm::asin,
    ),
    one(
        "arccos",
        PLAIN,
        ANGLE,
        "The angle from 0 deg to 180 deg with this cosine; a number outside -1 to 1 has none and fails.",
        "expect \"angle\": arccos(0.5) within 59.99 deg .. 60.01 deg",
        libm::acos,
    ),
    two(
        "arctan",
        &[
            required("y", open(1), "the side across from the angle"),
            required("x", open(1), "the side along it, of the same kind"),
        ],
        ANGLE,
        "The angle of the point (x, y), from -180 deg to 180 deg.",
        "expect \"angle\": arctan(1 mm, 1 mm) within 44.9 deg .. 45.1 deg",
        libm::atan2,
    ),
    not_negative(one(
        "exp",
        PLAIN,
        NUMBER,
        "e to the power of a number.",
        "expect \"e\": exp(1) within 2.718 .. 2.719",
        libm::exp,
    )),
    one(
        "ln",
        PLAIN,
        NUMBER,
        "The natural logarithm; fails for negative numbers and zero.",
        "expect \"ln\": ln(exp(2)) within 1.9999 .. 2.0001",
        |x| if x > 0.0 { libm::log(x) } else { f64::NAN },
    ),
    one(
        "log10",
        PLAIN,
        NUMBER,
        "The decimal logarithm; fails for negative numbers and zero.",
        "expect \"decades\": log10(1000) within 2.9999 .. 3.0001",
        |x| if x > 0.0 { libm::log10(x) } else { f64::NAN },
    ),
    two(
        "power",
        &[
            required("base", NUMBER, "a plain number"),
            required("exponent", NUMBER, "any plain number"),
        ],
        NUMBER,
        "A number to any power; a negative base needs a whole exponent. For whole exponents known beforehand write `x^2`, which takes any kind.",
        "expect \"root of two\": power(2, 0.5) within 1.4142 .. 1.4143",
        libm::pow,
    ),
];
