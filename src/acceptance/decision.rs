//! Decides whether a value conforms to its limits, given what is known of its uncertainty.

/// What a check came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The whole interval of uncertainty lies inside the limits.
    Conforms,
    /// The whole interval of uncertainty lies outside the limits, or the condition is false.
    Fails,
    /// The interval of uncertainty contains a limit, or there is no value.
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
pub struct Limit {
    /// The limit.
    pub at: f64,
    /// A value right at the limit conforms.
    pub closed: bool,
}

/// Decides with the guard band equal to the expanded uncertainty: acceptance limits lie one
/// `uncertainty` inside the limits and rejection limits one outside (ISO 14253-1; read
/// second-hand). Without uncertainty this is simple acceptance.
pub fn decide(value: f64, uncertainty: f64, low: Option<Limit>, high: Option<Limit>) -> Outcome {
    let parts = [value, uncertainty, low.map_or(0.0, |l| l.at), high.map_or(0.0, |l| l.at)];
    if parts.iter().any(|part| part.is_nan()) || uncertainty < 0.0 {
        return Outcome::Undecided;
    }
    let inside_high = |x: f64| high.is_none_or(|l| x < l.at || (l.closed && x == l.at));
    let inside_low = |x: f64| low.is_none_or(|l| x > l.at || (l.closed && x == l.at));
    let (least, most) = (value - uncertainty, value + uncertainty);
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
    use super::{Limit, Outcome, decide};

    /// Limit ±.003 with U = .001: the acceptance limit is ±.002; +.0017 is accepted, +.0025 is
    /// not (worked example of ISO 14253-1, read second-hand).
    #[test]
    fn guard_band_of_the_worked_example() {
        let low = Some(Limit { at: -0.003, closed: true });
        let high = Some(Limit { at: 0.003, closed: true });
        assert_eq!(decide(0.0017, 0.001, low, high), Outcome::Conforms);
        assert_eq!(decide(0.0025, 0.001, low, high), Outcome::Undecided);
        assert_eq!(decide(0.0041, 0.001, low, high), Outcome::Fails);
        assert_eq!(decide(-0.0041, 0.001, low, high), Outcome::Fails);
    }

    #[test]
    fn without_uncertainty_the_limit_decides() {
        let high = |closed| Some(Limit { at: 6.0, closed });
        assert_eq!(decide(6.0, 0.0, None, high(true)), Outcome::Conforms);
        assert_eq!(decide(6.0, 0.0, None, high(false)), Outcome::Fails);
        assert_eq!(decide(f64::NAN, 0.0, None, high(true)), Outcome::Undecided);
    }
}
