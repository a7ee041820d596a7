//! The limits of checks, for the plots and tables that show what they were decided on. No label and no list says
//! which belong together: a check is about a column of numbers where its value is a statistic of that column.

use crate::paper::plot::ends;
use crate::record::checks::CheckRow;
use spintrue_head::{Dimension, parse_unit};
use spintrue_language::{CheckBound, Shown};

/// The statistic of a column that a check was decided on; the first that fits counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Statistic {
    /// The largest magnitude.
    Largest,
    /// From the smallest to the largest.
    Spread,
    Mean,
    /// The standard deviation.
    Deviation,
    /// Of a straight line through all points.
    Slope,
}

/// A limit in SI, and the acceptance limit that the guard band leaves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct End {
    pub at: f64,
    pub accepted: f64,
}

/// What a check asks of a column.
#[derive(Clone, Debug)]
pub(super) struct Limits<'a> {
    pub check: &'a CheckRow,
    pub statistic: Statistic,
    pub low: Option<End>,
    pub high: Option<End>,
}

/// A column of numbers in SI.
#[derive(Clone, Debug, Default)]
pub(super) struct Column<'a> {
    /// Its name as a field of the script.
    pub name: &'a str,
    /// What each stands at; the order where it is nothing else.
    pub x: &'a [f64],
    pub y: &'a [f64],
    pub x_dimension: Dimension,
    pub y_dimension: Dimension,
}

/// Computed in another order, a statistic may differ by this share of the numbers that it is of.
const ROUNDING: f64 = 1e-9;

/// The limits of the checks that were decided on a column, one of each statistic, that which counts first.
pub(super) fn limits_of<'a>(checks: &'a [CheckRow], column: &Column<'_>) -> Vec<Limits<'a>> {
    let statistics = statistics(column);
    let exact = statistics.iter().filter_map(|(statistic, value, dimension)| {
        let check = checks.iter().find(|check| is_of(check, *value, *dimension, column.y))?;
        Some((check, *statistic))
    });
    // A check may add something small to what it names.
    let named = || {
        let (statistic, value, dimension) = statistics.first()?;
        let check = checks.iter().find(|check| names(check, column.name, *value, *dimension))?;
        Some((check, *statistic))
    };
    let mut decided: Vec<_> = exact.collect();
    if decided.is_empty() {
        decided.extend(named());
    }
    decided.into_iter().filter_map(|(check, statistic)| limits(check, statistic, column)).collect()
}

fn limits<'a>(
    check: &'a CheckRow,
    statistic: Statistic,
    column: &Column<'_>,
) -> Option<Limits<'a>> {
    let measured = check.measured.as_ref()?;
    let number = |shown: &Shown| quantity(shown).map(|(value, _)| value);
    let at = |bound: &Option<CheckBound>| bound.as_ref().and_then(|bound| number(&bound.at));
    let (low, high) = (at(&measured.low), at(&measured.high));
    let value = number(&measured.value)?;
    let to_limit = [low.map(|low| value - low), high.map(|high| high - value)];
    let to_limit = to_limit.into_iter().flatten().fold(f64::INFINITY, f64::min);
    let margin = measured.margin.as_ref().and_then(number);
    let guard = margin.map_or(0.0, |margin| (to_limit - margin).max(0.0));
    let low = low.map(|at| End { at, accepted: at + guard });
    let high = high.map(|at| End { at, accepted: at - guard });
    // A limit of a magnitude holds on both sides.
    let mirrored = |end: End| End { at: -end.at, accepted: -end.accepted };
    let both = statistic == Statistic::Largest && column.y.iter().any(|y| *y < 0.0);
    let low = low.or_else(|| high.filter(|_| both).map(mirrored));
    (low.is_some() || high.is_some()).then_some(Limits { check, statistic, low, high })
}

/// The statistics of a column in the order in which they count, with their dimensions.
fn statistics(column: &Column<'_>) -> Vec<(Statistic, f64, Dimension)> {
    let Column { x, y, x_dimension, y_dimension, .. } = *column;
    let count = y.len() as f64;
    if y.is_empty() || y.iter().chain(x).any(|value| !value.is_finite()) {
        return Vec::new();
    }
    let (low, high) = ends(y.iter().copied());
    let mean = |values: &[f64]| values.iter().sum::<f64>() / count;
    let (x_mean, y_mean) = (mean(x), mean(y));
    let mut known = vec![
        (Statistic::Largest, low.abs().max(high.abs()), y_dimension),
        (Statistic::Spread, high - low, y_dimension),
        (Statistic::Mean, y_mean, y_dimension),
    ];
    let deviation = (y.iter().map(|y| (y - y_mean).powi(2)).sum::<f64>() / (count - 1.0)).sqrt();
    known.extend((count > 1.0).then_some((Statistic::Deviation, deviation, y_dimension)));
    let squares: f64 = x.iter().map(|x| (x - x_mean).powi(2)).sum();
    let products: f64 = x.iter().zip(y).map(|(x, y)| (x - x_mean) * (y - y_mean)).sum();
    let slope = y_dimension.over(x_dimension).filter(|_| squares > 0.0);
    known.extend(slope.map(|dimension| (Statistic::Slope, products / squares, dimension)));
    known
}

fn quantity(shown: &Shown) -> Option<(f64, Dimension)> {
    let Shown::Quantity { value, unit, .. } = shown else { return None };
    let dimension = match unit.as_str() {
        "" => Dimension::NUMBER,
        unit => parse_unit(unit).ok()?.dimension,
    };
    value.is_finite().then_some((*value, dimension))
}

/// Whether a check was decided on this very number. Counts are equal by chance.
fn is_of(check: &CheckRow, wanted: f64, dimension: Dimension, of: &[f64]) -> bool {
    let value = check.measured.as_ref().and_then(|measured| quantity(&measured.value));
    let scale = of.iter().fold(wanted.abs(), |most, value| most.max(value.abs()));
    value.is_some_and(|(value, known)| {
        let is_count = dimension.is_number() && value.fract() == 0.0;
        known == dimension
            && value != 0.0
            && !is_count
            && (value.abs() - wanted.abs()).abs() <= ROUNDING * wanted.abs().max(scale * ROUNDING)
    })
}

/// Whether the value of a check names the column as a field of something, outside lists, and is equal within
/// its uncertainty.
fn names(check: &CheckRow, name: &str, wanted: f64, dimension: Dimension) -> bool {
    let Some(measured) = &check.measured else { return false };
    let (Some((value, known)), Some((uncertainty, _))) =
        (quantity(&measured.value), measured.uncertainty.as_ref().and_then(quantity))
    else {
        return false;
    };
    let condition = check.fact("condition").unwrap_or_default();
    let expression = condition.split('±').next().unwrap_or_default();
    let mut fields = expression.split('.').skip(1);
    let is_named = fields.any(|behind| {
        behind.strip_prefix(name).is_some_and(|rest| {
            !rest.starts_with(|c: char| c.is_alphanumeric() || c == '_' || c == '(')
        })
    });
    is_named
        && !expression.contains('[')
        && known == dimension
        && (value - wanted).abs() <= uncertainty
}
