//! What trims do to lines: a pattern of small steps that differs from facet to facet is loaded, and where
//! the lines have moved tells the sign, gain, axis and facet order of the registers.

use crate::optics::Register;

/// Fewest steps of a register in the largest step of a pattern, so that rounding leaves the pattern what it is.
const MIN_STEPS: f64 = 16.0;

/// Polygons with more facets take the first pair of patterns: long ones differ enough by themselves.
const MAX_SEARCHED: u32 = 48;

/// Pairs of patterns that are searched for the one that is told apart best.
const CANDIDATES: u32 = 16;

/// Which facet's line each register moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wiring {
    /// Facets run against the order of the registers.
    pub is_reversed: bool,
    /// The line that the register of facet 0 moves.
    pub first: u32,
    /// In-scan registers move lines across, and cross-scan registers along.
    pub is_swapped: bool,
}

impl Wiring {
    /// As it should be.
    pub const STRAIGHT: Wiring = Wiring { is_reversed: false, first: 0, is_swapped: false };

    /// The facet whose register moves the line of facet `line`.
    fn register(&self, line: u32, facets: u32) -> u32 {
        let back =
            if self.is_reversed { self.first + facets - line } else { line + facets - self.first };
        back % facets
    }

    /// All that a polygon can have. With one or two facets, reversing is the same as rotating; with one, a
    /// single look cannot tell which axis moved a line, so that only the sign is proved.
    fn all(facets: u32) -> impl Iterator<Item = Wiring> {
        let reversals: &[bool] = if facets < 3 { &[false] } else { &[false, true] };
        let swaps: &[bool] = if facets < 2 { &[false] } else { &[false, true] };
        swaps.iter().flat_map(move |&is_swapped| {
            reversals.iter().flat_map(move |&is_reversed| {
                (0..facets).map(move |first| Wiring { is_reversed, first, is_swapped })
            })
        })
    }

    /// The values of registers as the lines that they move have them.
    fn of(&self, registers: &[f64]) -> Vec<f64> {
        let facets = registers.len() as u32;
        let of_line = |line| registers.get(self.register(line, facets) as usize);
        (0..facets).map(|line| of_line(line).copied().unwrap_or(f64::NAN)).collect()
    }
}

/// A gain with its standard uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gain {
    /// How far lines move against how far they should: 1 is right, a negative one has the wrong sign.
    pub of: f64,
    /// Its standard uncertainty.
    pub u: f64,
}

impl Gain {
    /// Of a register that was not stepped, or by as much for each facet.
    const UNKNOWN: Gain = Gain { of: 0.0, u: f64::INFINITY };

    /// The largest magnitude that it may have.
    fn most(&self) -> f64 {
        self.of.abs() + CLEAR * self.u
    }
}

/// What a pattern of steps did to the lines.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Response {
    /// The wiring that explains it best.
    pub wiring: Wiring,
    /// Probability of that wiring, all being equally likely before.
    pub confidence: f64,
    /// Of the registers that move lines along.
    pub in_scan: Gain,
    /// Of the registers that move lines across.
    pub cross_scan: Gain,
    /// Root mean square of what is left unexplained, in standard uncertainties: about 1 where the steps
    /// explain what was seen.
    pub misfit: f64,
}

/// Shifts in m of each facet's line in one direction: ordered by trims, seen, and the standard
/// uncertainty of what was seen.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Steps {
    /// By how much the register of each facet should move its line.
    pub ordered: Vec<f64>,
    /// By how much each line has moved.
    pub seen: Vec<f64>,
    /// Standard uncertainty of that.
    pub u: Vec<f64>,
}

/// The largest step of a pattern in a register, which moves a line by `shift` m or more where one unit moves it by
/// `per_trim` m. The register need not reach so far.
pub fn largest_step(register: Register, per_trim: f64, shift: f64) -> f64 {
    (shift / per_trim).max(MIN_STEPS * register.step)
}

/// Patterns for in-scan and cross-scan trims, each from -1 to 1. Neither is like itself or the other, with either
/// sign, after any rotation or reversal of the facets.
pub fn step_patterns(facets: u32) -> (Vec<f64>, Vec<f64>) {
    let pair = |k: u32| (pattern(facets, 2 * k + 1), pattern(facets, 2 * k + 2));
    let candidates = if facets > MAX_SEARCHED { 1 } else { CANDIDATES };
    let (mut best, mut least) = (Default::default(), f64::INFINITY);
    for pair in (0..candidates).map(pair) {
        let likeness = likeness(&pair, facets, least);
        if likeness < least {
            (best, least) = (pair, likeness);
        }
    }
    best
}

/// One of many sequences without order: the fractional parts of a quadratic phase, whose autocorrelation
/// is low (after Weyl's equidistribution of polynomials; any sequence will do that its likeness admits).
fn pattern(facets: u32, number: u32) -> Vec<f64> {
    // The golden ratio is the number that fractions approach worst.
    let golden = (5.0_f64.sqrt() - 1.0) / 2.0;
    let value = |k: u32| {
        let k = f64::from(k) + 1.0;
        (golden * f64::from(number) * k * k).fract()
    };
    let values: Vec<f64> = (0..facets).map(value).collect();
    let middle = match facets {
        // Without others to compare with, the mean is all there is.
        0..=2 => 0.0,
        _ => values.iter().sum::<f64>() / f64::from(facets),
    };
    let largest = values.iter().fold(0.0_f64, |most, v| most.max((v - middle).abs()));
    values.iter().map(|v| (v - middle) / largest).collect()
}

/// How alike a pair of patterns is to itself under the worst wiring but the right one: from 0 to 2, the sum of
/// squared correlations along and across. From `limit` on, any number that is not below it.
fn likeness((along, across): &(Vec<f64>, Vec<f64>), facets: u32, limit: f64) -> f64 {
    let alike = |a: &[f64], b: &[f64]| {
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        dot(a, b).powi(2) / (dot(a, a) * dot(b, b))
    };
    let wrong = Wiring::all(facets).filter(|wiring| *wiring != Wiring::STRAIGHT);
    let mut worst = 0.0_f64;
    for wiring in wrong {
        let (moves_along, moves_across) =
            if wiring.is_swapped { (across, along) } else { (along, across) };
        let along = alike(along, &wiring.of(moves_along));
        worst = worst.max(along + alike(across, &wiring.of(moves_across)));
        if worst >= limit {
            break;
        }
    }
    worst
}

/// A straight line through points by weighted least squares: the slope, its standard uncertainty, and the
/// sum of squares left in units of the uncertainties.
struct Fitted {
    gain: Gain,
    left: f64,
}

/// Seen against ordered shifts. What all lines share (a drift between two looks) is left out where there are
/// facets enough.
fn fitted(ordered: &[f64], seen: &[f64], u: &[f64]) -> Fitted {
    let all = || ordered.iter().zip(seen).zip(u).map(|((x, y), u)| (*x, *y, 1.0 / (u * u)));
    let weights: f64 = all().map(|(_, _, w)| w).sum();
    let mean = |of: fn((f64, f64, f64)) -> f64| match ordered.len() {
        0..=2 => 0.0,
        _ => all().map(of).sum::<f64>() / weights,
    };
    let (x0, y0) = (mean(|(x, _, w)| w * x), mean(|(_, y, w)| w * y));
    let spread: f64 = all().map(|(x, _, w)| w * (x - x0) * (x - x0)).sum();
    // What is left of equal steps is rounding.
    if spread.sqrt() <= 1e-9 * weights.sqrt() * x0.abs() {
        let left = all().map(|(_, y, w)| w * (y - y0).powi(2)).sum();
        return Fitted { gain: Gain::UNKNOWN, left };
    }
    let gain = all().map(|(x, y, w)| w * (x - x0) * (y - y0)).sum::<f64>() / spread;
    let left = all().map(|(x, y, w)| w * (y - y0 - gain * (x - x0)).powi(2)).sum();
    Fitted { gain: Gain { of: gain, u: spread.sqrt().recip() }, left }
}

/// Below this probability of the best wiring, none is concluded.
const SURE: f64 = 0.999;

/// A gain of fewer standard uncertainties may be none.
const CLEAR: f64 = 3.0;

/// With a larger misfit the lines did not follow their trims, under any wiring.
const MAX_MISFIT: f64 = 5.0;

impl Response {
    /// Concludes from the shifts along and across, for each facet in its order. None where the lists differ in
    /// length or hold what is no number.
    pub fn of(along: &Steps, across: &Steps) -> Option<Response> {
        let facets = u32::try_from(along.ordered.len()).ok()?;
        let lists = [along, across].into_iter().flat_map(|s| [&s.ordered, &s.seen, &s.u]);
        let usable = |list: &Vec<f64>| {
            list.len() == facets as usize && list.iter().all(|value| value.is_finite())
        };
        if facets == 0 || !lists.into_iter().all(usable) {
            return None;
        }
        let explained = |wiring: Wiring| {
            let (to_along, to_across) =
                if wiring.is_swapped { (across, along) } else { (along, across) };
            let in_scan = fitted(&wiring.of(&to_along.ordered), &along.seen, &along.u);
            let cross_scan = fitted(&wiring.of(&to_across.ordered), &across.seen, &across.u);
            (wiring, in_scan, cross_scan)
        };
        let all: Vec<(Wiring, Fitted, Fitted)> = Wiring::all(facets).map(explained).collect();
        let left = |(_, along, across): &(Wiring, Fitted, Fitted)| along.left + across.left;
        let (wiring, in_scan, cross_scan) =
            all.iter().min_by(|a, b| left(a).total_cmp(&left(b)))?;
        let least = in_scan.left + cross_scan.left;
        if !least.is_finite() {
            return None;
        }
        // A gain and, where there are facets enough, a mean in each direction.
        let fitted = if facets > 2 { 4.0 } else { 2.0 };
        let free = (2.0 * f64::from(facets) - fitted).max(1.0);
        let misfit = (least / free).sqrt();
        // What is not explained counts as uncertainty of all (Birge ratio).
        let wider = misfit.max(1.0);
        let odds: f64 =
            all.iter().map(|one| (-(left(one) - least) / (2.0 * wider * wider)).exp()).sum();
        let gain = |fitted: &Fitted| Gain { u: fitted.gain.u * wider, ..fitted.gain };
        Some(Response {
            wiring: *wiring,
            confidence: 1.0 / odds,
            in_scan: gain(in_scan),
            cross_scan: gain(cross_scan),
            misfit,
        })
    }

    fn gains(&self) -> [(&'static str, Gain); 2] {
        [("in-scan", self.in_scan), ("cross-scan", self.cross_scan)]
    }

    /// The registers that may not move lines at all; first those that surely do not as they should.
    fn unproved(&self) -> Option<(&'static str, Gain)> {
        let may_be_none =
            self.gains().into_iter().filter(|(_, gain)| gain.of.abs() < CLEAR * gain.u);
        may_be_none.min_by(|(_, a), (_, b)| a.most().total_cmp(&b.most()))
    }

    /// Whether the lines scatter too much to tell if registers move them: by all as well as not at all.
    pub fn cannot_tell(&self) -> bool {
        let is_open = |(_, gain): (_, Gain)| gain.most() >= 1.0;
        self.misfit <= MAX_MISFIT && self.unproved().is_some_and(is_open)
    }

    /// What is wrong with how trims move lines, with its cause; none where it is proved that each register
    /// moves the line of its own facet, along its own axis, and the right way.
    pub fn trouble(&self) -> Option<String> {
        let Response { wiring: Wiring { is_reversed, first, is_swapped }, .. } = *self;
        let gains = self.gains();
        if self.misfit > MAX_MISFIT {
            return Some(format!(
                "the lines did not follow their trims: what is left is {:.1} times what the gauge is \
                 uncertain by, whichever facet order is assumed: a register that sticks, or a mirror \
                 still on its way when its line starts",
                self.misfit
            ));
        }
        if let Some((which, gain)) = self.unproved() {
            let Gain { of, u } = gain;
            return Some(if gain == Gain::UNKNOWN {
                format!("the {which} trims were not stepped, or by as much for every facet")
            } else if gain.most() < 1.0 {
                format!(
                    "the {which} trims do not move the lines, or by less than {:.2} of what they should: \
                     stuck registers, or too small a step for this gauge",
                    gain.most()
                )
            } else {
                format!(
                    "the lines scatter too much to tell whether the {which} trims move them: by {of:.2} ± \
                     {u:.2} of what they should; steady the speed, or take more readings or larger steps"
                )
            });
        }
        if self.confidence < SURE {
            return Some(format!(
                "it cannot be told which register moves which line: the likeliest facet order has a \
                 probability of {:.3}; take larger steps or more readings",
                self.confidence
            ));
        }
        if is_swapped {
            let why = "axes swapped: in-scan trims move lines across, and cross-scan trims along";
            return Some(why.to_string());
        }
        if is_reversed {
            return Some(format!(
                "facet order reversed: the trim of facet 0 moves the line of facet {first}, and the \
                 following trims those of the facets before it"
            ));
        }
        if first != 0 {
            return Some(format!(
                "facets off by {first}: the trim of facet 0 moves the line of facet {first}"
            ));
        }
        let wrong = gains.iter().find(|(_, gain)| gain.of < 0.0);
        wrong.map(|(which, Gain { of, u })| {
            format!("wrong sign of the {which} trims: lines move {of:.2} ± {u:.2} times as far as they should")
        })
    }
}

#[cfg(test)]
mod tests {
    use super::{Gain, Response, Steps, Wiring, likeness, step_patterns};

    fn steps(ordered: &[f64], seen: Vec<f64>, u: f64) -> Steps {
        Steps { ordered: ordered.to_vec(), u: vec![u; seen.len()], seen }
    }

    #[test]
    fn every_wiring_is_told_from_every_other() {
        for facets in (1..=13).chain([24, 60]) {
            let patterns = step_patterns(facets);
            let alike = likeness(&patterns, facets, f64::INFINITY);
            assert!(alike < 1.75, "{facets} {alike}");
            let (along, across) = patterns;
            for wiring in Wiring::all(facets) {
                let (to_along, to_across) =
                    if wiring.is_swapped { (&across, &along) } else { (&along, &across) };
                let moved = |by: &[f64], gain: f64| {
                    wiring
                        .of(by)
                        .iter()
                        .map(|v| gain * v + if facets > 2 { 9.0 } else { 0.0 })
                        .collect()
                };
                let told = Response::of(
                    &steps(&along, moved(to_along, -1.0), 0.1),
                    &steps(&across, moved(to_across, 0.5), 0.1),
                );
                let told = told.unwrap();
                assert_eq!(told.wiring, wiring, "{facets}");
                assert!(
                    (told.in_scan.of + 1.0).abs() < 1e-9 && (told.cross_scan.of - 0.5).abs() < 1e-9
                );
                assert!(told.confidence > 0.5 && told.misfit < 1e-6, "{facets} {told:?}");
                assert!(told.trouble().is_some(), "{facets} {told:?}");
            }
        }
    }

    #[test]
    fn the_right_wiring_is_no_trouble_and_a_wrong_one_is_named() {
        let (along, across) = step_patterns(10);
        let moved = |by: &[f64], gain: f64| by.iter().map(|v| gain * v).collect();
        let trouble = |along_gain, across_gain, misled: &[f64]| {
            let along = steps(&along, moved(misled, along_gain), 0.01);
            Response::of(&along, &steps(&across, moved(&across, across_gain), 0.01))
                .unwrap()
                .trouble()
        };
        assert_eq!(trouble(1.0, 1.0, &along), None);
        assert_eq!(trouble(0.5, 2.0, &along), None);
        let starts = |told: Option<String>, with: &str| {
            assert!(told.clone().is_some_and(|t| t.starts_with(with)), "{told:?}")
        };
        starts(trouble(1.0, -1.0, &along), "wrong sign of the cross-scan trims");
        starts(trouble(0.0, 1.0, &along), "the in-scan trims do not move");
        starts(trouble(1.0, 1.0, &across), "the lines did not follow");
    }

    /// A gain of 0 that is uncertain by u is below 3·u: with u of 0.2 it is not 1, and with u of 0.4 it may be.
    #[test]
    fn scatter_that_hides_the_right_gain_charges_no_register() {
        let (along, across) = step_patterns(10);
        let size: f64 = along.iter().map(|v| v * v).sum();
        let seen = across.iter().map(|v| v * 1.0).collect();
        let across = steps(&across, seen, 0.01);
        for (u, cannot_tell, starts) in [
            (0.2, false, "the in-scan trims do not move the lines, or by less than 0.60"),
            (
                0.4,
                true,
                "the lines scatter too much to tell whether the in-scan trims move them: by 0.00 ± 0.40",
            ),
        ] {
            let along = steps(&along, vec![0.0; 10], u * size.sqrt());
            let told = Response::of(&along, &across).unwrap();
            let trouble = told.trouble().unwrap();
            assert_eq!(told.cannot_tell(), cannot_tell, "{told:?}");
            assert!(trouble.starts_with(starts), "{trouble}");
        }
    }

    /// A gain is a slope: its uncertainty is u/√Σ(x − x̄)², by hand 0.1/√2 for -1, 0, 1 and 0.1.
    #[test]
    fn a_gain_is_as_uncertain_as_a_slope() {
        let ordered = [-1.0, 0.0, 1.0];
        let seen = || vec![-2.0, 0.0, 2.0];
        let told = Response::of(&steps(&ordered, seen(), 0.1), &steps(&ordered, seen(), 0.1));
        let Gain { of, u } = told.unwrap().in_scan;
        assert!((of - 2.0).abs() < 1e-12 && (u - 0.1 / 2.0_f64.sqrt()).abs() < 1e-12, "{of} {u}");
    }

    #[test]
    fn what_does_not_move_tells_nothing() {
        let (along, across) = step_patterns(10);
        let still = |ordered: &[f64]| steps(ordered, vec![0.0; 10], 0.1);
        let told = Response::of(&still(&along), &still(&across)).unwrap();
        assert!(told.confidence < 0.05 && told.in_scan.of.abs() < 1e-9, "{told:?}");
        let nothing = steps(&[0.0; 10], vec![0.0; 10], 0.1);
        for (along, across, starts) in [
            (&nothing, &nothing, "the in-scan trims were not stepped"),
            (
                &steps(&[0.3; 10], vec![0.1; 10], 0.1),
                &steps(&across, across.clone(), 0.1),
                "the in-scan trims were not stepped",
            ),
            (&steps(&along, along.clone(), 0.1), &nothing, "the cross-scan trims were not stepped"),
        ] {
            let told = Response::of(along, across).unwrap();
            let trouble = told.trouble().unwrap();
            assert!(told.cannot_tell() && trouble.starts_with(starts), "{trouble}");
        }
        assert_eq!(Response::of(&Steps::default(), &Steps::default()), None);
        let short = steps(&along, vec![0.0; 9], 0.1);
        assert_eq!(Response::of(&short, &short), None);
    }

    /// One facet that does not follow is no wiring: the misfit says so, and confidence falls.
    #[test]
    fn a_facet_that_does_not_follow_is_a_misfit() {
        let (along, across) = step_patterns(10);
        let mut seen = along.clone();
        seen[3] += 1.0;
        let told = Response::of(&steps(&along, seen, 0.01), &steps(&across, across.clone(), 0.01));
        let told = told.unwrap();
        assert!(told.misfit > 10.0, "{told:?}");
        assert_eq!(told.wiring, Wiring::STRAIGHT);
    }
}
