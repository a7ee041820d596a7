//! Readings in their order that depend on those before them: what their mean and their spread are uncertain by.

use crate::statistics::describe::{autocorrelation, deviation, mean};

/// What a series tells.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Series {
    pub mean: f64,
    /// Standard uncertainty of the mean.
    pub u: f64,
    /// Degrees of freedom of that, and of the standard deviation.
    pub degrees: f64,
    /// Standard deviation of single readings, with n - 1.
    pub deviation: f64,
    /// Standard uncertainty of that.
    pub deviation_u: f64,
    /// Autocorrelation at lag 1; zero where all readings are alike.
    pub correlation: f64,
}

/// A correlation that independent readings reach in one case of twenty, times the root of their number.
const SIGNIFICANT: f64 = 1.96;

/// The mean of n readings whose autocorrelations are ρ has s²/n·(1 + 2·Σ(1 − k/n)·ρ) (the variance of a sum),
/// and their variance as many degrees of freedom as n/(1 + 2·Σρ²) independent ones. The sums are empty where ρ
/// at lag 1 cannot be told from none, and end before ρ changes its sign, or at a quarter of n. The bracket is never taken for less than
/// 2·√(lags/n), to which it is known.
pub(crate) fn series(values: &[f64]) -> Option<Series> {
    let n = values.len() as f64;
    if n < 4.0 {
        return None;
    }
    let deviation = deviation(values);
    let rho = |lag: usize| {
        let found = autocorrelation(values, lag);
        if found.is_nan() { 0.0 } else { found }
    };
    let told = (1..=values.len() / 4).map(|lag| (lag as f64, rho(lag)));
    let correlation = rho(1);
    let is_told = correlation.abs() > SIGNIFICANT / n.sqrt();
    let told = told.take_while(|(_, rho)| is_told && rho * correlation > 0.0);
    let (mut lags, mut sum, mut squares) = (0.0, 0.0, 0.0);
    for (lag, rho) in told {
        lags = lag;
        sum += (1.0 - lag / n) * rho;
        squares += rho * rho;
    }
    let bracket = f64::max(1.0 + 2.0 * sum, 2.0 * (lags / n).sqrt());
    let degrees = (n / (1.0 + 2.0 * squares) - 1.0).max(1.0);
    Some(Series {
        mean: mean(values),
        u: deviation * (bracket / n).sqrt(),
        degrees,
        deviation,
        deviation_u: deviation / (2.0 * degrees).sqrt(),
        correlation,
    })
}

#[cfg(test)]
mod tests {
    use super::series;
    use crate::statistics::describe::{deviation, mean};
    use crate::statistics::normals;

    /// Noise without correlation.
    fn noise(seed: u64) -> impl Iterator<Item = f64> {
        std::iter::repeat_with(normals(seed))
    }

    /// Of 400 series the stated uncertainties are what means and deviations really scatter by: of white noise, of
    /// differences of it (correlation -1/2, whose mean hardly scatters), and of slow noise (+0.8).
    #[test]
    fn stated_uncertainties_are_those_of_many_series() {
        let made: [fn(u64) -> Vec<f64>; 3] = [
            |seed| noise(seed).take(400).collect(),
            |seed| {
                let all: Vec<f64> = noise(seed).take(401).collect();
                all.windows(2).map(|two| two[1] - two[0]).collect()
            },
            |seed| {
                let mut last = 0.0;
                let slow = noise(seed).take(500).map(|x| {
                    last = 0.8 * last + x;
                    last
                });
                slow.skip(100).collect()
            },
        ];
        for (at, made) in made.iter().enumerate() {
            let all: Vec<_> = (1..=400).filter_map(|seed| series(&made(seed))).collect();
            let each = |of: fn(&super::Series) -> f64| all.iter().map(of).collect::<Vec<f64>>();
            let (really, stated) = (deviation(&each(|s| s.mean)), mean(&each(|s| s.u)));
            // The mean of differences is known far better than it is stated.
            let most = if at == 1 { 8.0 } else { 1.15 };
            assert!(stated / really > 0.9 && stated / really < most, "{at}: {stated} {really}");
            let really = deviation(&each(|s| s.deviation));
            let stated = mean(&each(|s| s.deviation_u));
            assert!(stated / really > 0.85 && stated / really < 1.2, "{at}: {stated} {really}");
        }
    }

    #[test]
    fn few_and_equal_readings() {
        assert_eq!(series(&[1.0, 2.0, 3.0]), None);
        let alike = series(&[0.1; 50]).unwrap();
        assert_eq!((alike.u, alike.deviation, alike.correlation), (0.0, 0.0, 0.0));
    }
}
