//! Polynomials through points, and the waves in a list.

use crate::builtins::records::{datum, listed, made, reference, width};
use crate::builtins::signature::{Arguments, Builtin, Context, Trouble, pure, wrong};
use crate::builtins::{lists::some, records::field};
use crate::program::show::number_text;
use crate::program::value::{Datum, Object, Value};
use crate::statistics::polynomial;
use crate::statistics::polynomial::{MAX_DEGREE, NoFit};
use crate::statistics::spectrum;
use std::rc::Rc;

/// Most elements whose spectrum is taken.
const MAX_SPECTRUM: usize = 2_000_000;

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        pure("polynomial_fit", polynomial_fit).tried(),
        pure("fitted", fitted),
        pure("spectrum", spectrum_of).tried(),
    ]
}

fn list(words: Vec<f64>) -> Value {
    Value::words(words)
}

fn polynomial_fit(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let words = |index: usize| arguments.words(index);
    let (xs, ys, degree, u) = (words(0), words(1), arguments.number(2), words(3));
    if xs.len() != ys.len() {
        let (xs, ys) = (xs.len(), ys.len());
        return wrong(format!("each x needs its y: there are {xs} xs and {ys} ys"));
    }
    if degree.fract() != 0.0 || !(0.0..=MAX_DEGREE as f64).contains(&degree) {
        let degree = number_text(degree);
        return wrong(format!("`degree` is {degree}; it is a whole number from 0 to {MAX_DEGREE}"));
    }
    let is_given = arguments.get(3).is_some_and(|u| *u != Datum::Nothing);
    if is_given && u.len() != ys.len() {
        let (ys, u) = (ys.len(), u.len());
        return wrong(format!(
            "each y needs its uncertainty: there are {ys} ys and {u} uncertainties"
        ));
    }
    if let Some(at) = u.iter().position(|u| *u <= 0.0) {
        return wrong(format!(
            "uncertainty {at} is not positive, so its point would weigh without end"
        ));
    }
    let fit = polynomial::polynomial(xs, ys, degree as usize, u).map_err(|reason| {
        let count = xs.len();
        Trouble::Value(match reason {
            NoFit::Few(needed) => {
                format!(
                    "a fit of degree {} takes {needed} points or more, not {count}",
                    number_text(degree)
                )
            }
            NoFit::Alike => {
                let needed = number_text(degree + 1.0);
                format!(
                    "a fit of degree {} takes {needed} different xs or more",
                    number_text(degree)
                )
            }
        })
    })?;
    let rows = Object { words: Vec::new(), refs: fit.covariance.into_iter().map(list).collect() };
    let numbers = [fit.residual, fit.misfit, fit.half, fit.middle];
    if numbers.iter().chain(&fit.coefficients).any(|value| !value.is_finite()) {
        return wrong("the points are too far apart in size for a fit");
    }
    let number = |value: f64| Datum::Number(value);
    Ok(datum(made(
        "polynomial_fit",
        &[
            ("coefficients", Datum::Value(list(fit.coefficients))),
            ("covariance", Datum::Value(Value::Object(Rc::new(rows)))),
            ("degrees_of_freedom", number(fit.degrees)),
            ("half", number(fit.half)),
            ("middle", number(fit.middle)),
            ("misfit", number(fit.misfit)),
            ("residual", number(fit.residual)),
        ],
    )))
}

fn fitted(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    const FIT: &str = "polynomial_fit";
    let words = arguments.words(0).get(..width(FIT)).unwrap_or_default();
    let of = |name: &str| reference(FIT, arguments.get(0), name);
    let (middle, half) = (field!(FIT, words, "middle"), field!(FIT, words, "half"));
    let coefficients = of("coefficients").map_or(&[][..], Value::as_words);
    let rows = of("covariance").map_or(&[][..], Value::as_refs);
    let rows: Vec<&[f64]> = rows.iter().map(Value::as_words).collect();
    let t = (arguments.number(1) - middle) / half;
    let (value, slope, variance) = polynomial::fitted(coefficients, &rows, t);
    let numbers = [("slope", slope / half), ("u", variance.max(0.0).sqrt()), ("value", value)];
    crate::builtins::records::made_of_numbers("fit", "fitted", &numbers)
}

fn spectrum_of(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let values = some("spectrum", 2, arguments)?;
    let step = arguments.number(1);
    if step <= 0.0 {
        return wrong("`step` is not positive; it is the distance from one element to the next");
    }
    if values.len() > MAX_SPECTRUM {
        let message = format!("a spectrum is taken of at most {MAX_SPECTRUM} elements");
        return Err(Trouble::Limit(message));
    }
    let tones = spectrum::spectrum(values).into_iter();
    let tones = tones.map(|tone| {
        [
            ("amplitude", Datum::Number(tone.amplitude)),
            ("frequency", Datum::Number(tone.frequency / step)),
            ("phase", Datum::Number(tone.phase)),
        ]
    });
    Ok(listed("tone", tones))
}
