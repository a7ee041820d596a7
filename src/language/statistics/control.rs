//! Control charts: their constants, the limits of individual values, and the rules by which a
//! series is out of control.

use crate::statistics::describe::mean;
use crate::statistics::distributions::normal_above;

/// d2: the mean range of `count` standard normal values, by integrating
/// 1 - P^n - (1 - P)^n; NaN of fewer than two.
pub(crate) fn d2(count: u32) -> f64 {
    if count < 2 {
        return f64::NAN;
    }
    // The integrand falls off so fast that the trapezoid rule is exact to the last digits.
    const STEP: f64 = 1.0 / 64.0;
    let count = f64::from(count);
    let at = |step: i32| {
        let above = normal_above(f64::from(step) * STEP);
        let below = normal_above(-f64::from(step) * STEP);
        1.0 - libm::pow(above, count) - libm::pow(below, count)
    };
    STEP * (-768..=768).map(at).sum::<f64>()
}

/// The limits of a chart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// The line in the middle.
    pub centre: f64,
    /// The lower control limit.
    pub low: f64,
    /// The upper control limit.
    pub high: f64,
}

/// The charts of individual values and of their moving ranges.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Individuals {
    /// Of the values.
    pub values: Limits,
    /// Of the ranges from each value to the next.
    pub ranges: Limits,
    /// The standard deviation that the mean range stands for.
    pub deviation: f64,
}

impl Individuals {
    /// With the centre and the standard deviation known: the limits lie three of them away, and that of the
    /// ranges of two three of their own, sqrt(2 - d2^2), above their mean, d2.
    pub fn known(centre: f64, deviation: f64) -> Individuals {
        let d2 = d2(2);
        let (range, spread) = (d2 * deviation, (2.0 - d2 * d2).sqrt() * deviation);
        Individuals {
            values: Limits {
                centre,
                low: centre - 3.0 * deviation,
                high: centre + 3.0 * deviation,
            },
            ranges: Limits { centre: range, low: 0.0, high: range + 3.0 * spread },
            deviation,
        }
    }
}

/// Limits of individual values from their moving ranges of two: mean -/+ 3 mean range / d2
/// (NIST/SEMATECH e-Handbook 6.3.2.2, from memory). None of fewer than two.
pub fn individuals(values: &[f64]) -> Option<Individuals> {
    let ranges: Vec<f64> =
        values.iter().zip(values.iter().skip(1)).map(|(a, b)| (b - a).abs()).collect();
    (!ranges.is_empty()).then(|| Individuals::known(mean(values), mean(&ranges) / d2(2)))
}

/// A rule that a series breaks where it is out of control.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rule {
    /// One value more than three standard deviations from the centre.
    BeyondThree,
    /// Two of the last three more than two standard deviations away, on one side.
    TwoBeyondTwo,
    /// Four of the last five more than one standard deviation away, on one side.
    FourBeyondOne,
    /// Eight in a row on one side of the centre.
    EightOnOneSide,
    /// Six in a row, each above, or each below, the one before.
    SixInTrend,
    /// Fourteen in a row, alternately above and below the one before.
    FourteenAlternating,
}

impl Rule {
    /// All of them.
    pub const ALL: [Rule; 6] = [
        Rule::BeyondThree,
        Rule::TwoBeyondTwo,
        Rule::FourBeyondOne,
        Rule::EightOnOneSide,
        Rule::SixInTrend,
        Rule::FourteenAlternating,
    ];

    /// What the series does, for the reader.
    pub fn text(self) -> &'static str {
        match self {
            Rule::BeyondThree => "one beyond 3 sigma",
            Rule::TwoBeyondTwo => "two of three beyond 2 sigma on one side",
            Rule::FourBeyondOne => "four of five beyond 1 sigma on one side",
            Rule::EightOnOneSide => "eight in a row on one side of the centre",
            Rule::SixInTrend => "six in a row rising or falling",
            Rule::FourteenAlternating => "fourteen in a row alternating",
        }
    }

    /// The newest value completes the pattern.
    fn broken(self, seen: &[f64], centre: f64, deviation: f64) -> bool {
        let last = |count: usize| seen.get(seen.len().saturating_sub(count)..).unwrap_or_default();
        let beyond = |least: usize, among: usize, times: f64| {
            [1.0, -1.0].into_iter().any(|side| {
                let out = |x: &&f64| side * (**x - centre) > times * deviation;
                let newest = seen.last().is_some_and(|x| out(&x));
                newest && last(among).iter().filter(out).count() >= least
            })
        };
        match self {
            Rule::BeyondThree => beyond(1, 1, 3.0),
            Rule::TwoBeyondTwo => beyond(2, 3, 2.0),
            Rule::FourBeyondOne => beyond(4, 5, 1.0),
            Rule::EightOnOneSide => beyond(8, 8, 0.0),
            Rule::SixInTrend => {
                let six = last(6);
                six.len() == 6 && (six.is_sorted_by(|a, b| a < b) || six.is_sorted_by(|a, b| a > b))
            }
            Rule::FourteenAlternating => {
                let turns = last(14).windows(3);
                turns.len() == 12
                    && turns.into_iter().all(|of| match of {
                        [a, b, c] => (b - a) * (c - b) < 0.0,
                        _ => false,
                    })
            }
        }
    }
}

/// Where a series breaks which rules: the Western Electric rules and the two on trends, as
/// NIST/SEMATECH e-Handbook 6.3.2 gives them (from memory). The index is that of the value which
/// completes the pattern.
pub fn rule_violations(values: &[f64], centre: f64, deviation: f64) -> Vec<(usize, Rule)> {
    let ends = (0..values.len()).filter_map(|end| Some((end, values.get(..=end)?)));
    ends.flat_map(|(end, seen)| {
        let broken = move |rule: &Rule| rule.broken(seen, centre, deviation);
        Rule::ALL.into_iter().filter(broken).map(move |rule| (end, rule))
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::{Rule, d2, individuals, rule_violations};

    #[allow(clippy::approx_constant, reason = "digits as the table prints them")]
    /// The usual table of a textbook (read), and 2 / sqrt(pi) for two (derived).
    #[test]
    fn constants_are_those_of_the_table() {
        let rows = [(2, 1.128379), (3, 1.692569), (4, 2.058751), (5, 2.325929)];
        for (count, mean_range) in rows {
            assert!((d2(count) - mean_range).abs() < 5.1e-7, "{count}: {}", d2(count));
        }
        assert!((d2(2) * std::f64::consts::PI.sqrt() / 2.0 - 1.0).abs() < 1e-14);
        assert!((d2(3) * std::f64::consts::PI.sqrt() / 3.0 - 1.0).abs() < 1e-14);
        assert!(d2(1).is_nan());
    }

    /// Ten batches: centre 50.81, limits 45.8159 and 55.8041 with d2 rounded to 1.128
    /// (NIST/SEMATECH e-Handbook 6.3.2.2, from memory); 3.267 bounds the ranges (D4 of the usual
    /// table, from memory).
    #[test]
    fn individual_values_of_the_handbook() {
        let batches = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
        let charts = individuals(&batches).unwrap();
        assert!((charts.values.centre - 50.81).abs() < 1e-9);
        assert!((charts.ranges.centre - 1.8778).abs() < 5e-5);
        let rounded = d2(2) / 1.128;
        let reach = 3.0 * charts.deviation * rounded;
        assert!((charts.values.centre + reach - 55.8041).abs() < 1e-4);
        assert!((charts.values.centre - reach - 45.8159).abs() < 1e-4);
        assert!((charts.values.high - charts.values.centre - reach / rounded).abs() < 1e-12);
        assert!((charts.ranges.high / charts.ranges.centre - 3.267).abs() < 5e-4);
        assert_eq!(rule_violations(&batches, charts.values.centre, charts.deviation), []);
        assert_eq!(individuals(&[1.0]), None);
    }

    /// Each rule by a series that just breaks it, and by one that just does not.
    #[test]
    fn each_rule_is_broken_by_its_pattern_only() {
        let only = |values: &[f64]| rule_violations(values, 0.0, 1.0);
        assert_eq!(only(&[0.5, -3.1, 0.5]), [(1, Rule::BeyondThree)]);
        assert_eq!(only(&[3.0]), []);
        assert_eq!(only(&[2.1, 0.0, 2.1]), [(2, Rule::TwoBeyondTwo)]);
        assert_eq!(only(&[2.1, -0.1, 0.1, 2.1]), []);
        assert_eq!(only(&[2.1, -2.1]), []);
        assert_eq!(only(&[-1.1, -1.2, 0.3, -1.1, -1.3]), [(4, Rule::FourBeyondOne)]);
        assert_eq!(only(&[-1.1, -1.2, 0.3, 1.1, -1.3]), []);
        let one_side = [0.1, 0.3, 0.2, 0.5, 0.1, 0.4, 0.2, 0.3];
        assert_eq!(only(&one_side), [(7, Rule::EightOnOneSide)]);
        assert_eq!(only(&one_side[..7]), []);
        let rising = [-0.5, -0.3, -0.1, 0.1, 0.3, 0.5];
        assert_eq!(only(&rising), [(5, Rule::SixInTrend)]);
        assert_eq!(only(&rising[1..]), []);
        let falling: Vec<f64> = rising.iter().map(|x| -x).collect();
        assert_eq!(only(&falling), [(5, Rule::SixInTrend)]);
        let saw: Vec<f64> = (0..14).map(|k| if k % 2 == 0 { 0.5 } else { -0.5 }).collect();
        assert_eq!(only(&saw), [(13, Rule::FourteenAlternating)]);
        assert_eq!(only(&saw[1..]), []);
    }
}
