//! Readings that are far off: the digit of a gauge, and marks that it read wildly wrong.

/// Steps of less are rounding of doubles, in m.
const MIN_STEP: f64 = 1e-12;

/// How far a difference may be off a whole number of digits, in digits.
const MAX_FRACTION: f64 = 1e-3;

/// So many readings are many: of only two values they are of a digit, and without a common step of a fine one.
const MANY: usize = 10;

/// So many readings tell a digit, where there is one.
const MIN_SAMPLE: usize = 64;

/// The digit of a gauge: the common step of all its readings of which all differences are multiples. Where many
/// have none, it is less than the smallest step, which then counts: next to their scatter it is nothing. Not a
/// number where readings prove none: less than three different ones, unless many are alike.
fn digit(values: &[f64]) -> f64 {
    // The smallest step of some is that of all, if all are multiples of it.
    let sample = values.get(..MIN_SAMPLE).map_or(f64::NAN, common_step);
    if sample.is_finite() && are_multiples(values, sample) { sample } else { common_step(values) }
}

fn common_step(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let steps = sorted.iter().zip(sorted.iter().skip(1)).map(|(low, high)| high - low);
    let (mut step, mut count) = (f64::NAN, 0);
    for other in steps.filter(|step| *step > MIN_STEP) {
        step = step.min(other);
        count += 1;
    }
    let many = values.len() >= MANY;
    let proved = count > 1 || count == 1 && many;
    if proved && (many || are_multiples(&sorted, step)) { step } else { f64::NAN }
}

/// Whether all lie whole numbers of steps from the first.
fn are_multiples(values: &[f64], step: f64) -> bool {
    let Some(first) = values.first() else { return false };
    values.iter().all(|value| {
        let steps = ((value - first) / step).abs() + MAX_FRACTION;
        // Casting rounds down, and needs no help of the library.
        steps - steps as u64 as f64 <= 2.0 * MAX_FRACTION
    })
}

/// The digits in two directions. Readings that are all alike in one of them tell none of it, nor that there is
/// none: it is as told before, or that of the other direction.
pub(crate) fn digits([along, across]: [&[f64]; 2], before: [f64; 2]) -> [f64; 2] {
    let (first, second) = (digit(along), digit(across));
    let or = |digit: f64, other: f64| if digit.is_nan() { other } else { digit };
    let known = [or(before[0], or(second, before[1])), or(before[1], or(first, before[0]))];
    [
        if are_alike(along) { known[0] } else { first },
        if are_alike(across) { known[1] } else { second },
    ]
}

fn are_alike(values: &[f64]) -> bool {
    let Some(first) = values.first() else { return true };
    values.iter().all(|other| (other - first).abs() <= MIN_STEP)
}

/// Standard deviations beyond which a mark is wild.
pub const MAX_DEVIATION: f64 = 3.5;

/// What turns a median absolute deviation into the standard deviation of a normal distribution:
/// 1 / (the quantile of the normal distribution at 3/4) (derived).
pub const NORMAL_PER_MEDIAN_ABSOLUTE: f64 = 1.482_602_218_505_602;

/// Adds to each reading's bits, one for each mark, the marks that are wild: those that lie farther from the
/// median of their facet's readings of that place than 3.5 times a scale. Each facet has the marks of its
/// readings one behind the other, so many a reading.
///
/// The scale is the largest of 1.4826 times the median absolute deviation over all facets, the same over
/// the facet alone, and the noise that the gauge states, with digit/√12 added by squares. A facet that
/// scatters more than the others is so judged by itself and not cut to their size. A coarse digit makes
/// the median deviation zero, and normalising by the time of a turn moves readings of one digit apart,
/// so the digit adds. Of n readings the n − 1 largest deviations count, since one of them made the median: that
/// keeps the estimate within 7 % for every n (simulated). A single reading has no median to be judged by.
///
/// A line that is drawn too fast has its marks off by `levers` times one share, a place each: its speed may swing
/// within a turn, whose time does not tell that. So a line of [`MIN_EXCUSED`] marks or more whose marks all lie
/// within the limit once that share is taken out has no wild mark. `levers` are empty where speed moves nothing.
pub(crate) fn find(
    facets: &[&[f64]],
    marks: usize,
    stated: f64,
    digit: f64,
    levers: &[Vec<f64>],
    wild: &mut [u64],
) {
    let (mut pooled, mut values, mut own) = (Vec::new(), Vec::new(), Vec::new());
    // How far each mark is off; and of each facet its size and the median of that.
    let mut off: Vec<f64> = facets.iter().flat_map(|facet| *facet).copied().collect();
    let mut medians = Vec::with_capacity(facets.len());
    let mut rest = off.as_mut_slice();
    for facet in facets {
        let (facet, after) = rest.split_at_mut(facet.len());
        rest = after;
        own.clear();
        for place in 0..marks {
            values.clear();
            values.extend(facet.iter().skip(place).step_by(marks).map(|mark| rank(*mark)));
            let middle = median(&mut values);
            let mut least = (f64::INFINITY, own.len());
            for mark in facet.iter_mut().skip(place).step_by(marks) {
                *mark -= middle;
                if mark.abs() < least.0 {
                    least = (mark.abs(), own.len());
                }
                own.push(rank(mark.abs()));
            }
            own.swap_remove(least.1);
        }
        pooled.extend_from_slice(&own);
        medians.push((facet.len(), median(&mut own)));
    }
    let common = (NORMAL_PER_MEDIAN_ABSOLUTE * median(&mut pooled)).max(stated);
    let digit = if digit.is_finite() { digit * digit / 12.0 } else { 0.0 };
    let mut rows = off.chunks(marks).zip(wild);
    for ((count, own), facet) in medians.into_iter().zip(0..) {
        let scale = common.max(NORMAL_PER_MEDIAN_ABSOLUTE * own);
        let limit = MAX_DEVIATION * (scale * scale + digit).sqrt();
        let levers = levers.get(facet).map_or(&[][..], Vec::as_slice);
        for (off, wild) in rows.by_ref().take(count / marks) {
            let far = (0..).zip(off).filter(|(_, off)| off.abs() > limit);
            let far = far.fold(0, |bits, (k, _)| bits | 1 << k);
            if far != 0 && !speed_explains(off, levers, limit) {
                *wild |= far;
            }
        }
    }
}

/// Two marks lie near any line of speed.
const MIN_EXCUSED: usize = 3;

/// Whether one error of the speed explains all marks of a line to within a limit.
fn speed_explains(off: &[f64], levers: &[f64], limit: f64) -> bool {
    if levers.len() < MIN_EXCUSED {
        return false;
    }
    let fast = fastness(off, levers);
    off.iter().zip(levers).all(|(off, by)| (off - fast * by).abs() <= limit)
}

/// The share by which a line was drawn too fast whose marks are off, of which one wild mark makes little: the
/// share that leaves the smallest sum of absolute deviations, the weighted median of what each mark tells (common
/// practice, no source). Not a number where no mark tells any.
pub(crate) fn fastness(off: &[f64], levers: &[f64]) -> f64 {
    let told = off.iter().zip(levers).filter(|(_, by)| **by > 0.0);
    let mut told: Vec<(f64, f64)> = told.map(|(off, by)| (off / by, *by)).collect();
    told.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let half = told.iter().map(|(_, by)| by).sum::<f64>() / 2.0;
    let mut below = 0.0;
    let middle = told.iter().find(|(_, by)| {
        below += by;
        below >= half
    });
    middle.map_or(f64::NAN, |(fast, _)| *fast)
}

/// The same by least squares: quicker, but a wild mark makes much of it.
pub(crate) fn fastness_by_squares(off: &[f64], levers: &[f64]) -> f64 {
    let (mut told, mut all) = (0.0, 0.0);
    for (off, by) in off.iter().zip(levers) {
        (told, all) = (told + off * by, all + by * by);
    }
    told / all
}

/// A number as a whole one, in the order of `total_cmp`: quicker to sort.
fn rank(number: f64) -> i64 {
    flipped(number.to_bits() as i64)
}

/// The bits of a number as its rank, or of a rank as its number.
fn flipped(bits: i64) -> i64 {
    bits ^ ((bits >> 63) as u64 >> 1) as i64
}

/// The median of ranked numbers; not a number of nothing.
fn median(ranks: &mut [i64]) -> f64 {
    let (half, odd) = (ranks.len() / 2, ranks.len() % 2 == 1);
    if ranks.is_empty() {
        return f64::NAN;
    }
    let number = |rank: i64| f64::from_bits(flipped(rank) as u64);
    let (below, middle, _) = ranks.select_nth_unstable(half);
    let (below, middle) = (below.iter().copied().max().map(number), number(*middle));
    below.filter(|_| !odd).map_or(middle, |below| (below + middle) / 2.0)
}

#[cfg(test)]
mod tests {
    use super::{digit, find};

    /// Numbers from -1 to 1 that look random: fractions of multiples of the golden ratio.
    fn noise(count: usize) -> Vec<f64> {
        (1..=count).map(|k| 2.0 * (k as f64 * 0.618_033_988_75).fract() - 1.0).collect()
    }

    /// Of facets whose readings have five marks.
    fn wild_of(facets: &[Vec<f64>], stated: f64) -> Vec<u64> {
        let mut wild = vec![0; facets.concat().len() / 5];
        let digit = digit(&facets.concat());
        let facets: Vec<&[f64]> = facets.iter().map(Vec::as_slice).collect();
        find(&facets, 5, stated, digit, &[], &mut wild);
        wild
    }

    fn total(wild: &[u64]) -> u32 {
        wild.iter().map(|marks| marks.count_ones()).sum()
    }

    /// Four facets with six readings of five marks; facet 2 scatters `more` times as much.
    fn lines(more: f64, round: fn(f64) -> f64) -> Vec<Vec<f64>> {
        let facet = |(facet, noise): (usize, &[f64])| {
            let size = if facet == 2 { more } else { 1.0 };
            noise.iter().map(|v| round(size * v + 10.0 * facet as f64)).collect()
        };
        noise(120).chunks(30).enumerate().map(facet).collect()
    }

    #[test]
    fn a_wild_mark_is_found_and_nothing_else() {
        let mut all = lines(1.0, |v| v);
        assert_eq!(total(&wild_of(&all, 0.0)), 0);
        all[1][3 * 5 + 4] += 10.0;
        let wild = wild_of(&all, 0.0);
        assert_eq!((wild[6 + 3], total(&wild)), (1 << 4, 1));
        // What the gauge states as its noise is no reason to reject.
        assert_eq!(total(&wild_of(&all, 10.0)), 0);
    }

    /// At half of the turns per second lines lie in two groups, of which neither is wild: every other line of a
    /// facet is drawn too fast by one share, which moves its marks by their levers. A mark of such a line that is
    /// wild is found all the same.
    #[test]
    fn a_line_that_its_speed_explains_has_no_wild_mark() {
        let levers = vec![vec![1.0, 1.75, 2.5, 3.25, 4.0]; 4];
        let mut all = lines(0.1, |v| 0.1 * v);
        for facet in &mut all {
            // Two of six are the smaller group.
            for row in facet.chunks_mut(5).skip(4) {
                row.iter_mut().zip(&levers[0]).for_each(|(mark, lever)| *mark += 5.0 * lever);
            }
        }
        let found = |all: &[Vec<f64>], levers: &[Vec<f64>]| {
            let mut wild = vec![0; 24];
            let facets: Vec<&[f64]> = all.iter().map(Vec::as_slice).collect();
            find(&facets, 5, 0.0, f64::NAN, levers, &mut wild);
            wild
        };
        assert_eq!(total(&found(&all, &[])), 4 * 2 * 5);
        assert_eq!(total(&found(&all, &levers)), 0);
        all[1][5 * 5 + 2] += 10.0;
        let wild = found(&all, &levers);
        assert!(wild[6 + 5] & 1 << 2 != 0 && wild.iter().filter(|marks| **marks != 0).count() == 1);
    }

    #[test]
    fn a_facet_that_scatters_is_not_cut_to_the_size_of_the_others() {
        assert_eq!(total(&wild_of(&lines(20.0, |v| v), 0.0)), 0);
    }

    #[test]
    fn a_coarse_digit_rejects_no_good_reading() {
        // Nearly all readings of a place are alike, so that the median deviation is zero.
        let all = lines(1.0, |v| (0.6 * v).round());
        assert_eq!(digit(&all.concat()), 1.0);
        assert_eq!(total(&wild_of(&all, 0.0)), 0);
    }

    #[test]
    fn a_digit_is_the_common_step_of_all_readings() {
        assert!((digit(&[0.3e-6, 0.1e-6, -0.5e-6, 0.3e-6]) - 0.2e-6).abs() < 1e-15);
        // Two readings happen to be near each other: that is no digit.
        assert!(digit(&[0.0, 0.3e-6, 1.0e-6]).is_nan());
        assert!(digit(&[0.3e-6, 0.3e-6]).is_nan());
        // Two values have but one difference, which proves nothing.
        assert!(digit(&[0.3e-6, 0.1e-6, 0.3e-6]).is_nan());
        // So many of two values are no chance.
        assert!((digit(&[0.3e-6, 0.1e-6, 0.3e-6].repeat(4)) - 0.2e-6).abs() < 1e-15);
        // Of many readings a few tell the digit, and one that does not fit tells of a finer one.
        let mut many: Vec<f64> = noise(500).iter().map(|v| (20.0 * v).round() * 0.5e-6).collect();
        assert!((digit(&many) - 0.5e-6).abs() < 1e-15);
        many[499] += 0.13e-6;
        assert!((digit(&many) - 0.13e-6).abs() < 1e-15);
        // A gauge that tells all its digits: the smallest step is nothing next to the scatter.
        assert!(digit(&noise(40)) < 0.05);
    }

    #[test]
    fn one_reading_has_nothing_to_be_judged_by() {
        assert_eq!(total(&wild_of(&[vec![0.0, 99.0, 0.0, 0.0, 0.0]], 0.0)), 0);
    }
}
