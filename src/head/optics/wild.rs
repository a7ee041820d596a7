//! Readings that are far off: the digit of a gauge, and marks that it read wildly wrong.

use crate::optics::{Mark, TimedReading};

/// Steps of less are rounding of doubles, in m.
const MIN_STEP: f64 = 1e-12;

/// How far a difference may be off a whole number of digits, in digits.
const MAX_FRACTION: f64 = 1e-3;

/// The digit of a gauge: the common step of all its readings of which all differences are multiples; not
/// a number where there is none.
pub(crate) fn digit(all: &[Vec<TimedReading>], value: fn(&Mark) -> f64) -> f64 {
    let marks = all.iter().flatten().flat_map(|timed| &timed.reading.marks);
    let mut values: Vec<f64> = marks.map(value).collect();
    values.sort_unstable_by(f64::total_cmp);
    let steps = || values.iter().zip(values.iter().skip(1)).map(|(low, high)| high - low);
    let step = steps().filter(|step| *step > MIN_STEP).fold(f64::NAN, f64::min);
    let whole = |difference: f64| {
        let digits = difference / step;
        (digits - digits.round()).abs() <= MAX_FRACTION
    };
    let common =
        values.iter().zip(values.first().into_iter().cycle()).all(|(v, low)| whole(v - low));
    if common { step } else { f64::NAN }
}

/// Standard deviations beyond which a mark is wild.
const MAX_DEVIATION: f64 = 3.5;

/// Median of absolute deviations to standard deviation of a normal distribution.
const NORMAL: f64 = 1.482_602_218_505_602;

/// Adds to each reading's count the marks that are wild: those that lie farther from the median of their
/// facet's readings of that place than 3.5 times a scale. `value` is what a mark of a reading of a facet says.
///
/// The scale is the largest of 1.4826 times the median absolute deviation over all facets, the same over
/// the facet alone, and the noise that the gauge states, with digit/√12 added by squares. A facet that
/// scatters more than the others is so judged by itself and not cut to their size. A coarse digit makes
/// the median deviation zero, and normalising by the time of a turn moves readings of one digit apart,
/// so the digit adds. Of n readings the n − 1 largest deviations count, since one of them made the median: that
/// keeps the estimate within 7 % for every n (simulated). A single reading has no median to be judged by.
pub(crate) fn find(
    all: &[Vec<TimedReading>],
    value: impl Fn(usize, usize, &Mark) -> f64,
    stated: f64,
    digit: f64,
    wild: &mut [Vec<usize>],
) {
    if all.iter().all(|readings| readings.len() < 2) {
        return;
    }
    let mut pooled = Vec::new();
    let mut facets = Vec::with_capacity(all.len());
    for (facet, readings) in all.iter().enumerate() {
        let count = readings.first().map_or(0, |timed| timed.reading.marks.len());
        let mut own = Vec::new();
        let mut off: Vec<Vec<f64>> = vec![Vec::with_capacity(count); readings.len()];
        for place in 0..count {
            let mark = |(number, timed): (usize, &TimedReading)| {
                timed.reading.marks.get(place).map_or(f64::NAN, |mark| value(facet, number, mark))
            };
            let values: Vec<f64> = readings.iter().enumerate().map(mark).collect();
            let middle = median(&mut values.clone());
            let mut sizes: Vec<f64> = values.iter().map(|value| (value - middle).abs()).collect();
            off.iter_mut().zip(&sizes).for_each(|(off, size)| off.push(*size));
            sizes.sort_unstable_by(f64::total_cmp);
            own.extend(sizes.iter().skip(1));
        }
        pooled.extend_from_slice(&own);
        facets.push((off, median(&mut own)));
    }
    let common = (NORMAL * median(&mut pooled)).max(stated);
    let digit = if digit.is_finite() { digit * digit / 12.0 } else { 0.0 };
    for ((off, own), wild) in facets.iter().zip(wild) {
        let scale = common.max(NORMAL * own);
        let limit = MAX_DEVIATION * (scale * scale + digit).sqrt();
        for (off, wild) in off.iter().zip(wild) {
            *wild += off.iter().filter(|off| **off > limit).count();
        }
    }
}

/// The median; not a number of nothing.
fn median(values: &mut [f64]) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    let half = values.len() / 2;
    let at = |k: usize| values.get(k).copied().unwrap_or(f64::NAN);
    if values.len() % 2 == 1 { at(half) } else { (at(half.wrapping_sub(1)) + at(half)) / 2.0 }
}
