//! Statistics: where values lie, how they spread, the line through them.

use crate::builtins::bound;
use crate::builtins::lists::{largest, smallest, some, worked};
use crate::builtins::records::made_of_numbers;
use crate::builtins::signature::{Arguments, Builtin, Context, Trait, Trouble, pure, wrong};
use crate::program::show::number_text;
use crate::program::value::Datum;
use crate::statistics::fit::{NoLine, line};
use crate::statistics::{correlated, describe, order};
use spintrue_head::NORMAL_PER_MEDIAN_ABSOLUTE;

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        pure("mean", |_, arguments| worked("mean", 1, arguments, describe::mean)).tried(),
        pure("median", |_, arguments| worked("median", 1, arguments, order::median))
            .with_result(bound::among)
            .tried(),
        pure("deviation", |_, arguments| {
            worked("standard deviation", 2, arguments, describe::deviation)
        })
        .with_traits(&[Trait::NotNegative])
        .tried(),
        pure("standard_error", |_, arguments| {
            worked("standard error", 2, arguments, describe::standard_error)
        })
        .tried(),
        pure("median_absolute_deviation", |_, arguments| {
            worked("median absolute deviation", 1, arguments, order::median_absolute_deviation)
        })
        .tried(),
        pure("robust_deviation", |_, arguments| {
            worked("robust deviation", 1, arguments, |values| {
                NORMAL_PER_MEDIAN_ABSOLUTE * order::median_absolute_deviation(values)
            })
        })
        .tried(),
        pure("rms", |_, arguments| worked("root mean square", 1, arguments, describe::rms)).tried(),
        pure("peak_to_peak", |_, arguments| {
            worked("peak to peak value", 1, arguments, |values| largest(values) - smallest(values))
        })
        .tried(),
        pure("percentile", percentile).with_result(bound::among).tried(),
        pure("autocorrelation", autocorrelation).tried(),
        pure("series", series).tried(),
        pure("linear_fit", linear_fit).tried(),
    ]
}

fn percentile(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let values = some("percentile", 1, arguments)?;
    let share = arguments.number(1);
    if !(0.0..=1.0).contains(&share) {
        let share = number_text(share * 100.0);
        let why = format!("`share` is {share} %; it lies from 0 % to 100 %, as in `50 %`");
        return wrong(why);
    }
    Ok(Datum::Number(order::percentile(values, share)))
}

fn autocorrelation(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let values = some("autocorrelation", 2, arguments)?;
    let lag = arguments.optional(1).unwrap_or(1.0);
    if lag.fract() != 0.0 || !(1.0..values.len() as f64).contains(&lag) {
        let most = values.len() - 1;
        let (lag, count) = (number_text(lag), values.len());
        return wrong(format!("`lag` is {lag}; of {count} elements it is 1 to {most}"));
    }
    let found = describe::autocorrelation(values, lag as usize);
    if found.is_nan() {
        return wrong("elements that are all alike have no autocorrelation");
    }
    Ok(Datum::Number(found))
}

fn series(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let values = some("series", 4, arguments)?;
    let Some(found) = correlated::series(values) else {
        return wrong("a series has 4 readings or more");
    };
    let fields = [
        ("correlation", found.correlation),
        ("degrees", found.degrees),
        ("deviation", found.deviation),
        ("deviation_u", found.deviation_u),
        ("mean", found.mean),
        ("u", found.u),
    ];
    made_of_numbers("series", "series", &fields)
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
    made_of_numbers("line", "linear_fit", &fields)
}
