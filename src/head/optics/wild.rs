//! Readings that are far off: the digit of a gauge, and marks that it read wildly wrong.

use crate::optics::{Mark, TimedReading};

/// Steps of less are rounding of doubles, in m.
const MIN_STEP: f64 = 1e-12;

/// How far a difference may be off a whole number of digits, in digits.
const MAX_FRACTION: f64 = 1e-3;

/// So many readings of only two values are of a digit.
const MIN_OF_TWO: usize = 10;

/// The digit of a gauge: the common step of all its readings of which all differences are multiples; not
/// a number where there is none, or where readings prove none: less than three different ones, unless many
/// are alike.
fn digit(all: &[Vec<TimedReading>], value: impl Fn(&Mark) -> f64) -> f64 {
    let marks = all.iter().flatten().flat_map(|timed| &timed.reading.marks);
    let mut values: Vec<f64> = marks.map(value).collect();
    values.sort_unstable_by(f64::total_cmp);
    let steps = || values.iter().zip(values.iter().skip(1)).map(|(low, high)| high - low);
    let step = steps().filter(|step| *step > MIN_STEP).fold(f64::NAN, f64::min);
    let whole = |difference: f64| {
        let digits = difference / step;
        (digits - digits.round()).abs() <= MAX_FRACTION
    };
    let proved = match steps().filter(|step| *step > MIN_STEP).count() {
        0 => false,
        1 => values.len() >= MIN_OF_TWO,
        _ => true,
    };
    let common = proved
        && values.iter().zip(values.first().into_iter().cycle()).all(|(v, low)| whole(v - low));
    if common { step } else { f64::NAN }
}

/// The digits in two directions. Readings that are all alike in one of them tell none of it, nor that there is
/// none: it is as told before, or that of the other direction.
pub(crate) fn digits(
    all: &[Vec<TimedReading>],
    along: impl Fn(&Mark) -> f64,
    across: impl Fn(&Mark) -> f64,
    before: [f64; 2],
) -> [f64; 2] {
    let (first, second) = (digit(all, &along), digit(all, &across));
    let or = |digit: f64, other: f64| if digit.is_nan() { other } else { digit };
    let known = [or(before[0], or(second, before[1])), or(before[1], or(first, before[0]))];
    [
        if are_alike(all, along) { known[0] } else { first },
        if are_alike(all, across) { known[1] } else { second },
    ]
}

fn are_alike(all: &[Vec<TimedReading>], value: impl Fn(&Mark) -> f64) -> bool {
    let mut marks = all.iter().flatten().flat_map(|timed| &timed.reading.marks).map(value);
    marks.next().is_none_or(|first| marks.all(|other| (other - first).abs() <= MIN_STEP))
}

/// Standard deviations beyond which a mark is wild.
const MAX_DEVIATION: f64 = 3.5;

/// Median of absolute deviations to standard deviation of a normal distribution.
const NORMAL: f64 = 1.482_602_218_505_602;

/// Adds to each reading's bits, one for each mark, the marks that are wild: those that lie farther from the
/// median of their facet's readings of that place than 3.5 times a scale. `value` is what a mark of a reading of a facet says.
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
    wild: &mut [Vec<u64>],
) {
    if all.iter().all(|readings| readings.len() < 2) {
        return;
    }
    let (mut pooled, mut values, mut sizes) = (Vec::new(), Vec::new(), Vec::new());
    let mut facets = Vec::with_capacity(all.len());
    for (facet, readings) in all.iter().enumerate() {
        let count = readings.first().map_or(0, |timed| timed.reading.marks.len());
        let mut own = Vec::new();
        let mut off: Vec<Vec<f64>> = vec![Vec::with_capacity(count); readings.len()];
        for place in 0..count {
            let mark = |(number, timed): (usize, &TimedReading)| {
                timed.reading.marks.get(place).map_or(f64::NAN, |mark| value(facet, number, mark))
            };
            values.clear();
            values.extend(readings.iter().enumerate().map(mark));
            sizes.clone_from(&values);
            let middle = median(&mut sizes);
            sizes.clear();
            sizes.extend(values.iter().map(|value| (value - middle).abs()));
            off.iter_mut().zip(&sizes).for_each(|(off, size)| off.push(*size));
            let least = sizes.iter().enumerate().min_by(|(_, a), (_, b)| a.total_cmp(b));
            if let Some(least) = least.map(|(at, _)| at) {
                sizes.swap_remove(least);
            }
            own.append(&mut sizes);
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
            *wild |= (0..)
                .zip(off)
                .filter(|(_, off)| **off > limit)
                .fold(0, |bits, (k, _)| bits | 1 << k);
        }
    }
}

/// The median; not a number of nothing.
fn median(values: &mut [f64]) -> f64 {
    let (half, odd) = (values.len() / 2, values.len() % 2 == 1);
    if values.is_empty() {
        return f64::NAN;
    }
    let (below, middle, _) = values.select_nth_unstable_by(half, f64::total_cmp);
    let below = below.iter().copied().max_by(f64::total_cmp);
    below.filter(|_| !odd).map_or(*middle, |below| (below + *middle) / 2.0)
}

#[cfg(test)]
mod tests {
    use super::{digit, find};
    use crate::optics::{Mark, Reading, TimedReading};

    fn reading(marks: &[f64]) -> TimedReading {
        let mark = |(k, value): (usize, &f64)| {
            let at = k as f64 / 4.0 - 0.5;
            Mark { at, in_scan: *value, cross_scan: 0.0, dose: 1.0, width: None }
        };
        let marks = marks.iter().enumerate().map(mark).collect();
        let whole = Reading::whole((0.0, 0.0), (0.0, 0.0));
        TimedReading { reading: Reading { marks, ..whole }, time: 0.0, period: f64::NAN }
    }

    /// Numbers from -1 to 1 that look random: fractions of multiples of the golden ratio.
    fn noise(count: usize) -> Vec<f64> {
        (1..=count).map(|k| 2.0 * (k as f64 * 0.618_033_988_75).fract() - 1.0).collect()
    }

    fn wild_of(all: &[Vec<TimedReading>], stated: f64) -> Vec<Vec<u64>> {
        let mut wild: Vec<Vec<u64>> = all.iter().map(|r| vec![0; r.len()]).collect();
        let digit = digit(all, |mark| mark.in_scan);
        find(all, |_, _, mark| mark.in_scan, stated, digit, &mut wild);
        wild
    }

    fn total(wild: &[Vec<u64>]) -> u32 {
        wild.iter().flatten().map(|marks| marks.count_ones()).sum()
    }

    /// Four facets with six readings of five marks; facet 2 scatters `more` times as much.
    fn lines(more: f64, round: fn(f64) -> f64) -> Vec<Vec<TimedReading>> {
        let noise = noise(120);
        let mut rows = noise.chunks(5).map(<[f64]>::to_vec);
        (0..4)
            .map(|facet| {
                let size = if facet == 2 { more } else { 1.0 };
                let row = |row: Vec<f64>| -> Vec<f64> {
                    row.iter().map(|v| round(size * v + 10.0 * f64::from(facet))).collect()
                };
                rows.by_ref().take(6).map(|marks| reading(&row(marks))).collect()
            })
            .collect()
    }

    #[test]
    fn a_wild_mark_is_found_and_nothing_else() {
        let mut all = lines(1.0, |v| v);
        assert_eq!(total(&wild_of(&all, 0.0)), 0);
        all[1][3].reading.marks[4].in_scan += 10.0;
        let wild = wild_of(&all, 0.0);
        assert_eq!((wild[1][3], total(&wild)), (1 << 4, 1));
        // What the gauge states as its noise is no reason to reject.
        assert_eq!(total(&wild_of(&all, 10.0)), 0);
    }

    #[test]
    fn a_facet_that_scatters_is_not_cut_to_the_size_of_the_others() {
        assert_eq!(total(&wild_of(&lines(20.0, |v| v), 0.0)), 0);
    }

    #[test]
    fn a_coarse_digit_rejects_no_good_reading() {
        // Nearly all readings of a place are alike, so that the median deviation is zero.
        let all = lines(1.0, |v| (0.6 * v).round());
        assert_eq!(digit(&all, |mark| mark.in_scan), 1.0);
        assert_eq!(total(&wild_of(&all, 0.0)), 0);
    }

    #[test]
    fn a_digit_is_the_common_step_of_all_readings() {
        let of = |marks: &[f64]| digit(&[vec![reading(marks)]], |mark| mark.in_scan);
        assert!((of(&[0.3e-6, 0.1e-6, -0.5e-6, 0.3e-6]) - 0.2e-6).abs() < 1e-15);
        // Two readings happen to be near each other: that is no digit.
        assert!(of(&[0.0, 0.3e-6, 1.0e-6]).is_nan());
        assert!(of(&[0.3e-6, 0.3e-6]).is_nan());
        // Two values have but one difference, which proves nothing.
        assert!(of(&[0.3e-6, 0.1e-6, 0.3e-6]).is_nan());
        // So many of two values are no chance.
        assert!((of(&[0.3e-6, 0.1e-6, 0.3e-6].repeat(4)) - 0.2e-6).abs() < 1e-15);
    }

    #[test]
    fn one_reading_has_nothing_to_be_judged_by() {
        assert_eq!(total(&wild_of(&[vec![reading(&[0.0, 99.0])]], 0.0)), 0);
    }
}
