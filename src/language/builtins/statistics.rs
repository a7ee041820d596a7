//! Statistics: where values lie, how they spread, the line through them.

use crate::builtins::lists::{among, over};
use crate::builtins::records::{LINEAR_FIT, datum, made};
use crate::builtins::signature::{
    Arguments, Builtin, Context, NUMBER, OPEN, Parameter, Spec, Trait, Trouble, optional, required,
};
use crate::program::show::number_text;
use crate::program::value::Datum;
use crate::statistics::fit::{NoLine, line};
use crate::statistics::{describe, order};
use spintrue_head::Dimension;

const SECOND: Spec = Spec::Quantity(Dimension::open_powers(0, 1));

const VALUES: Parameter = required("xs", Spec::List(&OPEN), "quantities of one kind");

/// The built-ins of this topic.
pub(super) const BUILTINS: &[Builtin] = &[
    over(
        "mean",
        "The mean. An empty list has none and fails.",
        "expect \"mean\": mean([1 V, 3 V]) == 2 V",
        |_, arguments| worked("mean", 1, arguments, describe::mean),
    ),
    among(over(
        "median",
        "The middle element, or the mean of the two in the middle. An empty list has none and fails.",
        "expect \"median\": median([3 um, 1 um, 2 um]) == 2 um",
        |_, arguments| worked("median", 1, arguments, order::median),
    )),
    Builtin {
        traits: &[Trait::NotNegative],
        ..over(
            "deviation",
            "The standard deviation s with n - 1, worked out in two passes (NIST/SEMATECH e-Handbook 1.3.5.6, from memory). Fewer than two elements have none and fail.",
            "expect \"s\": deviation([1 V, 3 V]) within 1.4142 V .. 1.4143 V",
            |_, arguments| worked("standard deviation", 2, arguments, describe::deviation),
        )
    },
    over(
        "standard_error",
        "The standard deviation of the mean, s / sqrt(n): the standard uncertainty of a mean of readings that do not depend on each other (Type A, JCGM 100:2008, 4.2.3, from memory). Fewer than two elements have none and fail.",
        "expect \"of the mean\": standard_error([1 V, 3 V]) within 0.999 V .. 1.001 V",
        |_, arguments| worked("standard error", 2, arguments, describe::standard_error),
    ),
    over(
        "median_absolute_deviation",
        "The median of how far the elements lie from their median: a spread that a few wild readings do not move. `robust_deviation` scales it to a standard deviation. An empty list has none and fails.",
        "expect \"unmoved\": median_absolute_deviation([1 um, 2 um, 3 um, 900 um]) within 0.99 um .. 1.01 um",
        |_, arguments| {
            worked("median absolute deviation", 1, arguments, order::median_absolute_deviation)
        },
    ),
    over(
        "robust_deviation",
        "An estimate of the standard deviation that a few wild readings do not move: 1.482602218505602 times the median absolute deviation, the factor for a normal distribution (1 / its quantile at 3/4, derived). An empty list has none and fails.",
        "expect \"unmoved\": robust_deviation([1 um, 2 um, 3 um, 900 um]) within 1.482 um .. 1.483 um",
        |_, arguments| {
            worked("robust deviation", 1, arguments, |values| {
                order::NORMAL_PER_MEDIAN_ABSOLUTE * order::median_absolute_deviation(values)
            })
        },
    ),
    over(
        "rms",
        "The root mean square: the root of the mean of the squares, from zero and not from the mean. An empty list has none and fails.",
        "expect \"rms\": rms([3 mV, -3 mV]) within 2.999 mV .. 3.001 mV",
        |_, arguments| worked("root mean square", 1, arguments, describe::rms),
    ),
    over(
        "peak_to_peak",
        "The largest less the smallest element, never negative. An empty list has none and fails.",
        "expect \"height\": peak_to_peak([-2 V, 1 V, 3 V]) == 5 V",
        |_, arguments| {
            worked("peak to peak value", 1, arguments, |values| {
                let low = values.iter().copied().fold(f64::INFINITY, f64::min);
                values.iter().copied().fold(f64::NEG_INFINITY, f64::max) - low
            })
        },
    ),
    Builtin {
        parameters: &[
            VALUES,
            required("share", NUMBER, "the share of values below it, from 0 % to 100 %"),
        ],
        ..among(over(
            "percentile",
            "The value below which a share of the elements lies. Its rank in the sorted list is share * (n + 1), with straight lines between ranks; before the first rank it is the smallest element, behind the last one the largest (NIST/SEMATECH e-Handbook 7.2.6.2, from memory; Hyndman and Fan's sixth definition). An empty list and a share outside 0 % to 100 % have none and fail.",
            "expect \"nine in ten\": percentile([1 um, 2 um, 3 um, 4 um], 90 %) == 4 um
expect \"half\": percentile([4 um, 1 um, 3 um, 2 um], share: 50 %) within 2.49 um .. 2.51 um",
            percentile,
        ))
    },
    Builtin {
        parameters: &[
            VALUES,
            optional(
                "lag",
                NUMBER,
                "1",
                "how many elements later, a whole number from 1, smaller than the count",
            ),
        ],
        returns: NUMBER,
        ..over(
            "autocorrelation",
            "How elements depend on those before them: 1 where each repeats, -1 where they alternate, near 0 where they are independent (NIST/SEMATECH e-Handbook 1.3.5.12, from memory). Fewer than two elements, elements that are all alike, and a lag that is not inside the list fail.",
            "expect \"alternating\": autocorrelation([1 V, 2 V, 1 V, 2 V]) within -0.751 .. -0.749",
            autocorrelation,
        )
    },
    Builtin {
        parameters: &[
            required(
                "xs",
                Spec::List(&SECOND),
                "what was set, taken as known exactly: three or more, not all alike",
            ),
            required("ys", Spec::List(&OPEN), "what was read there, one per x"),
        ],
        returns: Spec::Record(&LINEAR_FIT),
        ..over(
            "linear_fit",
            "The straight line that leaves the smallest sum of squares over in y, all points counting alike, with the standard uncertainties of both coefficients from what is left over (NIST/SEMATECH e-Handbook 4.1.4.1 and JCGM 100:2008 H.3, from memory). Lists of different lengths, fewer than three points, and xs that are all alike have none and fail.",
            "let line = linear_fit([1 s, 2 s, 3 s], [5 mm, 7 mm, 9 mm])
expect \"slope\": line.slope within 1.999 mm/s .. 2.001 mm/s
expect \"start\": line.intercept within 2.999 mm .. 3.001 mm",
            linear_fit,
        )
    },
];

/// The elements; an error where there are fewer than a result needs.
fn some<'a>(what: &str, least: usize, arguments: Arguments<'a>) -> Result<&'a [f64], Trouble> {
    let words = arguments.words(0);
    if words.len() >= least {
        return Ok(words);
    }
    let needs = if least == 1 { "an empty list has no" } else { "fewer than two elements have no" };
    Err(Trouble::Value(format!("{needs} {what}")))
}

fn worked(
    what: &str,
    least: usize,
    arguments: Arguments<'_>,
    work: fn(&[f64]) -> f64,
) -> Result<Datum, Trouble> {
    Ok(Datum::Number(work(some(what, least, arguments)?)))
}

fn percentile(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let values = some("percentile", 1, arguments)?;
    let share = arguments.number(1);
    if !(0.0..=1.0).contains(&share) {
        let share = number_text(share * 100.0);
        let message = format!("`share` is {share} %; it lies from 0 % to 100 %");
        return Err(Trouble::Value(message));
    }
    Ok(Datum::Number(order::percentile(values, share)))
}

fn autocorrelation(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let values = some("autocorrelation", 2, arguments)?;
    let lag = arguments.optional(1).unwrap_or(1.0);
    if lag.fract() != 0.0 || !(1.0..values.len() as f64).contains(&lag) {
        let most = values.len() - 1;
        let (lag, count) = (number_text(lag), values.len());
        let message = format!("`lag` is {lag}; of {count} elements it is 1 to {most}");
        return Err(Trouble::Value(message));
    }
    let found = describe::autocorrelation(values, lag as usize);
    if found.is_nan() {
        return Err(Trouble::Value("elements that are all alike have no autocorrelation".into()));
    }
    Ok(Datum::Number(found))
}

fn linear_fit(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let words = |index: usize| arguments.words(index);
    let (xs, ys) = (words(0), words(1));
    let fitted = line(xs, ys).map_err(|reason| {
        Trouble::Value(match reason {
            NoLine::Unequal => {
                let (xs, ys) = (xs.len(), ys.len());
                format!("each x needs its y: there are {xs} xs and {ys} ys")
            }
            NoLine::Few => format!("a line is fitted to three points or more, not to {}", xs.len()),
            NoLine::Upright => "all xs are alike, so no line is told by them".to_string(),
        })
    })?;
    let fields = [
        ("intercept", fitted.intercept),
        ("intercept_u", fitted.intercept_u),
        ("residual", fitted.residual),
        ("slope", fitted.slope),
        ("slope_u", fitted.slope_u),
    ];
    finite("line", &fields)?;
    Ok(datum(made(&LINEAR_FIT, &fields.map(|(name, value)| (name, Datum::Number(value))))))
}

/// An error where a field of a record would have no value.
pub(super) fn finite(what: &str, fields: &[(&str, f64)]) -> Result<(), Trouble> {
    match fields.iter().find(|(_, value)| !value.is_finite()) {
        Some((name, _)) => Err(Trouble::Value(format!("the {what} has no {name}"))),
        None => Ok(()),
    }
}
