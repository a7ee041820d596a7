//! How a value is spread over the heads of a campaign, and how sure a yield is.

use spintrue_head::noise_of;

/// A share of successes with the bounds between which it lies at 95 % confidence: the score
/// interval of E. B. Wilson (J. Am. Stat. Assoc. 22, 1927), also in the NIST/SEMATECH e-Handbook of
/// Statistical Methods, 7.2.4.1.
pub(crate) fn share(successes: u64, of: u64) -> (f64, f64, f64) {
    if of == 0 {
        return (0.0, 0.0, 1.0);
    }
    const Z: f64 = 1.959_963_984_540_054;
    let (n, p) = (of as f64, successes as f64 / of as f64);
    let z2 = Z * Z / n;
    let middle = (p + z2 / 2.0) / (1.0 + z2);
    let half = Z / (1.0 + z2) * (p * (1.0 - p) / n + z2 / (4.0 * n)).sqrt();
    (p, (middle - half).max(0.0), (middle + half).min(1.0))
}

/// A value over the heads that recorded it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Spread {
    pub count: usize,
    pub mean: f64,
    /// Standard deviation of a single value; none of one value.
    pub deviation: Option<f64>,
    pub least: (f64, u64),
    pub most: (f64, u64),
    /// 5 %, 50 % and 95 % of the heads lie below.
    pub quantiles: [f64; 3],
    /// How many lie in each of equal steps from least to most.
    pub steps: Vec<usize>,
}

/// Steps of a drawn distribution.
const STEPS: usize = 24;

/// Works out how values are spread; each comes with the seed of its head.
pub(crate) fn spread(values: &[(f64, u64)]) -> Option<Spread> {
    let mut sorted = values.to_vec();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let (least, most) = (sorted.first()?.0, sorted.last()?.0);
    if most - least <= noise_of(most.abs().max(least.abs())) {
        // A constant that each head computed anew.
        let middle = sorted.get(sorted.len() / 2).map_or(least, |(value, _)| *value);
        sorted.iter_mut().for_each(|(value, _)| *value = middle);
    }
    let (least, most) = (*sorted.first()?, *sorted.last()?);
    let n = sorted.len() as f64;
    // Two passes: no digits are lost where the mean is large against the deviation.
    let mean = least.0 + sorted.iter().map(|(v, _)| v - least.0).sum::<f64>() / n;
    let squares: f64 = sorted.iter().map(|(v, _)| (v - mean) * (v - mean)).sum();
    let deviation = (sorted.len() > 1).then(|| (squares / (n - 1.0)).sqrt());
    let mut steps = vec![0; STEPS];
    let width = (most.0 - least.0) / STEPS as f64;
    for (value, _) in &sorted {
        let step = if width > 0.0 { ((value - least.0) / width) as usize } else { 0 };
        if let Some(count) = steps.get_mut(step.min(STEPS - 1)) {
            *count += 1;
        }
    }
    let quantiles = [0.05, 0.5, 0.95].map(|share| quantile(&sorted, share));
    Some(Spread { count: sorted.len(), mean, deviation, least, most, quantiles, steps })
}

/// Between the two values around it, as most programs do (definition 7 of R. J. Hyndman and
/// Y. Fan, Am. Stat. 50, 1996).
fn quantile(sorted: &[(f64, u64)], share: f64) -> f64 {
    let at = share * (sorted.len().saturating_sub(1)) as f64;
    let below = at.floor();
    let value = |index: f64| sorted.get(index as usize).map_or(0.0, |(value, _)| *value);
    value(below) + (at - below) * (value(at.ceil()) - value(below))
}

/// The steps as a line of bars.
pub(crate) fn bars(steps: &[usize]) -> String {
    const BARS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let highest = steps.iter().copied().max().unwrap_or(0).max(1);
    let bar = |count: &usize| {
        // A count above 0 always shows.
        let height = (count * 8).div_ceil(highest);
        BARS.get(height).copied().unwrap_or(' ')
    };
    steps.iter().map(bar).collect()
}

#[cfg(test)]
mod tests {
    use super::{bars, share, spread};

    #[test]
    fn rounding_is_no_spread() {
        let values = [(0.3, 1), (0.1 + 0.2, 2), (0.3, 3)];
        let spread = spread(&values).unwrap();
        assert_eq!((spread.mean, spread.deviation, spread.least.0), (0.3, Some(0.0), 0.3));
        assert_eq!(spread.least.0, spread.most.0);
    }

    #[test]
    fn a_share_lies_between_its_bounds() {
        // By hand, from the formula: 8 of 10.
        let (p, low, high) = share(8, 10);
        assert!((p - 0.8).abs() < 1e-12);
        assert!((low - 0.490_16).abs() < 1e-4 && (high - 0.943_31).abs() < 1e-4, "{low} {high}");
        assert_eq!(share(0, 0), (0.0, 0.0, 1.0));
        let (_, low, high) = share(1000, 1000);
        assert!(low > 0.996 && (high - 1.0).abs() < 1e-12);
    }

    #[test]
    fn values_are_spread() {
        let values: Vec<(f64, u64)> =
            (0..=100).map(|i| (1e9 + f64::from(i), 7 + i as u64)).collect();
        let spread = spread(&values).unwrap();
        assert_eq!((spread.least, spread.most), ((1e9, 7), (1e9 + 100.0, 107)));
        assert_eq!(spread.quantiles, [1e9 + 5.0, 1e9 + 50.0, 1e9 + 95.0]);
        assert_eq!(spread.mean, 1e9 + 50.0);
        // n (n + 1) / 12 with n = 101 values.
        assert!((spread.deviation.unwrap() - (101.0_f64 * 102.0 / 12.0).sqrt()).abs() < 1e-9);
        assert_eq!(spread.steps.iter().sum::<usize>(), 101);
        assert_eq!(bars(&[0, 1, 100, 50]), " ▁█▄");
        assert_eq!(super::spread(&[]), None);
        assert_eq!(super::spread(&[(3.0, 1)]).unwrap().deviation, None);
    }
}
