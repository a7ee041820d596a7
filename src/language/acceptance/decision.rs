//! Decides whether a value conforms to its limits, given what is known of its uncertainty.

use crate::acceptance::conformance::Doubt;

/// What a check came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It conforms, as surely as the rule asks for.
    Conforms,
    /// It does not, as surely as the rule asks for, or the condition is false.
    Fails,
    /// Neither is sure enough, or there is no value.
    Undecided,
}

impl Outcome {
    /// In a word for the reader.
    pub fn text(self) -> &'static str {
        match self {
            Outcome::Conforms => "conforms",
            Outcome::Fails => "does not conform",
            Outcome::Undecided => "undecided",
        }
    }
}

/// A limit, and whether the limit itself conforms.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Limit {
    /// The limit.
    pub at: f64,
    /// A value right at the limit conforms.
    pub closed: bool,
}

/// By which rule a value with an uncertainty is decided.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Rule {
    /// Simple acceptance: the value alone is held against the limits, whatever its uncertainty.
    Simple,
    /// The guard band is the expanded uncertainty: acceptance limits lie one of it inside the
    /// limits and rejection limits one outside (ISO 14253-1; read second-hand).
    Guard,
    /// A largest probability, 0 to 1/2, that what is accepted does not conform, and that what is
    /// rejected does (JCGM 106:2012 clause 7, specific risk, from memory).
    Risk(f64),
}

impl Rule {
    /// For the reader.
    pub fn text(self) -> String {
        match self {
            Rule::Simple => "simple acceptance".to_string(),
            Rule::Guard => "guard band of the expanded uncertainty".to_string(),
            Rule::Risk(risk) => {
                // A share such as 0.07 has no last digit of its own.
                let percent = (risk * 1e12).round() / 1e10;
                format!("risk of a wrong decision at most {percent} %")
            }
        }
    }
}

/// A measured value: its expanded uncertainty, and by which factor that was expanded.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Measurement {
    /// The value.
    pub value: f64,
    /// Expanded uncertainty; 0 where none is known.
    pub uncertainty: f64,
    /// Expanded over standard uncertainty.
    pub coverage: f64,
    /// Effective degrees of freedom; infinitely many where they are not known.
    pub degrees: f64,
}

/// A decision with what it rests on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Decided {
    /// What it came to.
    pub outcome: Outcome,
    /// From the value to the nearer acceptance limit, which lies inside the limit by the guard band of the
    /// rule; negative beyond it, so that what does not conform has none to spare. None without a limit, and
    /// where no value would be accepted.
    pub margin: Option<f64>,
    /// Probability that the true value conforms; none without an uncertainty.
    pub probability: Option<f64>,
}

/// Decides by a rule. A value without uncertainty is always decided simply; one that is no number,
/// or whose uncertainty is none, is undecided.
pub(crate) fn decide(
    rule: Rule,
    measured: Measurement,
    low: Option<Limit>,
    high: Option<Limit>,
) -> Decided {
    let Measurement { value, uncertainty, coverage, degrees } = measured;
    let ends = [low.map(|low| value - low.at), high.map(|high| high.at - value)];
    let margin = ends.into_iter().flatten().reduce(f64::min);
    let parts = [value, uncertainty, margin.unwrap_or(0.0)];
    let doubt = Doubt { u: uncertainty / coverage, degrees };
    if parts.iter().any(|part| part.is_nan()) || uncertainty < 0.0 || doubt.u.is_nan() {
        return Decided { outcome: Outcome::Undecided, margin: None, probability: None };
    }
    let at = |limit: Option<Limit>| limit.map(|limit| limit.at);
    let probability = (doubt.u > 0.0).then(|| doubt.probability(value, at(low), at(high)));
    let outcome = match (rule, probability) {
        (Rule::Simple, _) | (_, None) => banded(value, 0.0, low, high),
        (Rule::Guard, _) => banded(value, uncertainty, low, high),
        (Rule::Risk(risk), Some(p)) if 1.0 - p <= risk => Outcome::Conforms,
        (Rule::Risk(risk), Some(p)) if p <= risk => Outcome::Fails,
        (Rule::Risk(_), Some(_)) => Outcome::Undecided,
    };
    let margin = match (rule, probability) {
        (Rule::Simple, _) | (_, None) => margin,
        (Rule::Guard, _) => margin.map(|margin| margin - uncertainty),
        (Rule::Risk(risk), Some(_)) => risk_margin(value, doubt, [at(low), at(high)], risk),
    };
    Decided { outcome, margin, probability }
}

/// How far a value may move towards the nearer limit until the probability that it does not conform is the
/// risk: by bisection, since two near limits share that risk. None where even the middle has more.
fn risk_margin(value: f64, doubt: Doubt, limits: [Option<f64>; 2], risk: f64) -> Option<f64> {
    let [low, high] = limits;
    // So far inside a single limit, nothing is left of the risk, not even with one degree of freedom.
    let far = 1e9 * doubt.u;
    let (safest, towards) = match limits {
        [Some(low), Some(high)] => {
            let middle = f64::midpoint(low, high);
            (middle, if value < middle { low } else { high })
        }
        [Some(low), None] => (low + far, low),
        [None, Some(high)] => (high - far, high),
        [None, None] => return None,
    };
    let is_accepted = |at: f64| 1.0 - doubt.probability(at, low, high) <= risk;
    if !is_accepted(safest) {
        return None;
    }
    let (mut inside, mut outside) = (safest, towards);
    for _ in 0..100 {
        let middle = f64::midpoint(inside, outside);
        *(if is_accepted(middle) { &mut inside } else { &mut outside }) = middle;
    }
    Some(if towards < safest { value - inside } else { inside - value })
}

/// Holds the interval `band` to both sides of the value against the limits.
fn banded(value: f64, band: f64, low: Option<Limit>, high: Option<Limit>) -> Outcome {
    let inside_high = |x: f64| high.is_none_or(|l| x < l.at || (l.closed && x == l.at));
    let inside_low = |x: f64| low.is_none_or(|l| x > l.at || (l.closed && x == l.at));
    let (least, most) = (value - band, value + band);
    if inside_low(least) && inside_high(most) {
        Outcome::Conforms
    } else if !inside_high(least) || !inside_low(most) {
        Outcome::Fails
    } else {
        Outcome::Undecided
    }
}

#[cfg(test)]
mod tests {
    use super::{Decided, Limit, Measurement, Outcome, Rule, decide};

    fn at(at: f64) -> Option<Limit> {
        Some(Limit { at, closed: true })
    }

    fn decided(rule: Rule, value: f64, u: f64, low: Option<Limit>, high: Option<Limit>) -> Decided {
        let measured =
            Measurement { value, uncertainty: 2.0 * u, coverage: 2.0, degrees: f64::INFINITY };
        decide(rule, measured, low, high)
    }

    /// Limit ±.003 with U = .001: the acceptance limit is ±.002; +.0017 is accepted, +.0025 is
    /// not (worked example of ISO 14253-1, read second-hand).
    #[test]
    fn guard_band_of_the_worked_example() {
        let outcome = |value| decided(Rule::Guard, value, 0.0005, at(-0.003), at(0.003)).outcome;
        assert_eq!(outcome(0.0017), Outcome::Conforms);
        assert_eq!(outcome(0.0025), Outcome::Undecided);
        assert_eq!(outcome(0.0041), Outcome::Fails);
        assert_eq!(outcome(-0.0041), Outcome::Fails);
    }

    /// Zener diode, -5.47 V, u = .05 V, at most -5.40 V: .919; vessel, 509.7 kPa, u = 8.6 kPa, at
    /// least 490 kPa: .989 (JCGM 106:2012 clause 7, inputs from memory).
    #[test]
    fn probabilities_of_the_worked_examples_and_what_a_risk_makes_of_them() {
        let zener = |rule| decided(rule, -5.47, 0.05, None, at(-5.40));
        let vessel = |rule| decided(rule, 509.7, 8.6, at(490.0), None);
        assert!((zener(Rule::Simple).probability.unwrap() - 0.919).abs() < 5e-4);
        assert!((vessel(Rule::Guard).probability.unwrap() - 0.989).abs() < 5e-4);
        assert!((vessel(Rule::Simple).margin.unwrap() - 19.7).abs() < 1e-9);
        assert!((vessel(Rule::Guard).margin.unwrap() - (19.7 - 17.2)).abs() < 1e-9);
        assert_eq!(zener(Rule::Risk(0.10)).outcome, Outcome::Conforms);
        assert_eq!(zener(Rule::Risk(0.05)).outcome, Outcome::Undecided);
        assert_eq!(vessel(Rule::Risk(0.05)).outcome, Outcome::Conforms);
        let beyond = decided(Rule::Risk(0.05), 470.0, 8.6, at(490.0), None);
        assert_eq!(beyond.outcome, Outcome::Fails);
        assert!(beyond.margin.unwrap() < 0.0);
    }

    /// At the edge of the zone that each rule accepts, the chance that the value does not conform
    /// is what the rule says: 0.83 U keeps it below 5 %, U below 2.5 % (ISO 14253-1:2017, read
    /// second-hand; exact normal tails .04846 and .02275).
    #[test]
    fn guard_bands_keep_their_chance_of_a_false_accept() {
        let chance =
            |value| 1.0 - decided(Rule::Simple, value, 0.5, None, at(10.0)).probability.unwrap();
        assert!((chance(10.0 - 0.83) - 0.048_457).abs() < 1e-6);
        assert!((chance(9.0) - 0.022_750).abs() < 1e-6);
        assert_eq!(decided(Rule::Guard, 9.0, 0.5, None, at(10.0)).outcome, Outcome::Conforms);
        assert_eq!(
            decided(Rule::Risk(0.0228), 9.0, 0.5, None, at(10.0)).outcome,
            Outcome::Conforms
        );
        assert_eq!(
            decided(Rule::Risk(0.0227), 9.0, 0.5, None, at(10.0)).outcome,
            Outcome::Undecided
        );
    }

    /// By each rule exactly what conforms has a margin of 0 or more, and a value moved by its margin is the last
    /// that conforms. A single limit at 5 % lies 1.644854 standard uncertainties outside (normal quantile).
    #[test]
    fn margins_end_where_the_rule_stops_to_accept() {
        let one_sided = decided(Rule::Risk(0.05), 7.0, 0.5, None, at(10.0)).margin.unwrap();
        assert!((one_sided - (3.0 - 1.644_854 * 0.5)).abs() < 1e-6, "{one_sided}");
        for rule in [Rule::Simple, Rule::Guard, Rule::Risk(0.05), Rule::Risk(0.001)] {
            for (low, high) in [(None, at(1.0)), (at(-1.0), None), (at(-1.0), at(1.0))] {
                for step in -30..=30 {
                    let value = f64::from(step) * 0.1 + 0.013;
                    let found = decided(rule, value, 0.25, low, high);
                    let margin = found.margin.unwrap();
                    assert_eq!(
                        found.outcome == Outcome::Conforms,
                        margin >= 0.0,
                        "{value} {rule:?}"
                    );
                }
            }
        }
        // Between limits so near, nothing is sure enough.
        assert_eq!(decided(Rule::Risk(0.05), 0.0, 1.0, at(-1.0), at(1.0)).margin, None);
    }

    #[test]
    fn without_uncertainty_the_limit_decides() {
        let high = |closed| Some(Limit { at: 6.0, closed });
        for rule in [Rule::Simple, Rule::Guard, Rule::Risk(0.02)] {
            assert_eq!(decided(rule, 6.0, 0.0, None, high(true)).outcome, Outcome::Conforms);
            assert_eq!(decided(rule, 6.0, 0.0, None, high(false)).outcome, Outcome::Fails);
            assert_eq!(decided(rule, f64::NAN, 0.0, None, high(true)).outcome, Outcome::Undecided);
            let nothing = decided(rule, 6.0, f64::NAN, None, high(true));
            assert_eq!((nothing.outcome, nothing.margin), (Outcome::Undecided, None));
            assert_eq!(decided(rule, 6.0, 0.0, None, high(true)).probability, None);
        }
    }
}
