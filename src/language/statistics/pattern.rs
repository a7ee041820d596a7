//! The pattern of start-of-scan pulses in a turn: where each facet's pulse comes off even division, what
//! of that is division and what ripple, and whether two patterns are those of one polygon.

use crate::statistics::distributions::chi_squared_above;
use core::f64::consts::TAU;

/// A turn with the times of its pulses in s after the index.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pulsed<'a> {
    /// In s.
    pub period: f64,
    /// Start-of-scan pulses.
    pub pulses: &'a [f64],
    /// End-of-scan pulses.
    pub ends: &'a [f64],
}

/// What is known of the pulses of one facet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct FacetPulses {
    /// In rad, late is positive; not a number where no turn has just one pulse of it.
    pub angle: f64,
    /// Standard uncertainty of that; not a number where nothing scatters.
    pub u: f64,
    /// Turns without a pulse of it.
    pub missed: u32,
    /// Turns with more than one.
    pub doubled: u32,
}

/// The pulses of each facet in a turn: those nearest to its place.
fn by_facet<'a>(turn: &Pulsed<'a>, facets: usize) -> Vec<Vec<&'a f64>> {
    let mut of = vec![Vec::new(); facets];
    for time in turn.pulses {
        let place = (time / turn.period * facets as f64).round() as i64;
        let k = place.rem_euclid(facets.max(1) as i64) as usize;
        of.get_mut(k).into_iter().for_each(|of: &mut Vec<&f64>| of.push(time));
    }
    of
}

/// Acceleration in rad/s² over turns one behind the other: the line of least squares through their mean
/// speeds, each in the middle of its turn. 0 for less than three turns.
fn acceleration(turns: &[Pulsed<'_>]) -> f64 {
    let mut begins = 0.0;
    let mut points = Vec::with_capacity(turns.len());
    for turn in turns {
        points.push((begins + turn.period / 2.0, TAU / turn.period));
        begins += turn.period;
    }
    let n = points.len() as f64;
    let mean = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / n;
    let (time, speed) = (mean(|p| p.0), mean(|p| p.1));
    let along: f64 = points.iter().map(|p| (p.0 - time).powi(2)).sum();
    let rise: f64 = points.iter().map(|p| (p.0 - time) * (p.1 - speed)).sum();
    if points.len() < 3 { 0.0 } else { rise / along }
}

/// Most rounds in which the parts of turns and facets are parted; without gaps the first one does it.
const MAX_ROUNDS: usize = 30;

/// Change of an angle in rad below which the parts are found.
const FOUND: f64 = 1e-15;

/// The pattern of turns one behind the other; of none where there are none.
///
/// The angle of facet k of `facets` in a turn is 2π·(t/T − k/N), less ½·α·T²·τ·(1 − τ) with τ = t/T for
/// an acceleration α, which a polygon that coasts has (derived). Each turn adds its own offset, that
/// of the index; both parts are fitted by least squares, the mean of all facets being zero. The
/// scatter of what is left is pooled over all facets and gives the uncertainty.
pub(crate) fn pulse_pattern(turns: &[Pulsed<'_>], facets: usize) -> Vec<FacetPulses> {
    let steeper = acceleration(turns);
    let mut all = vec![FacetPulses { angle: 0.0, u: f64::NAN, missed: 0, doubled: 0 }; facets];
    // Angles by turn, then by facet; not a number where there is not just one pulse.
    let mut angles: Vec<Vec<f64>> = Vec::with_capacity(turns.len());
    for turn in turns {
        let of = by_facet(turn, facets);
        let row = of.iter().zip(&mut all).enumerate().map(|(k, (times, facet))| {
            facet.missed += u32::from(times.is_empty());
            facet.doubled += u32::from(times.len() > 1);
            let [time] = times.as_slice() else { return f64::NAN };
            let share = **time / turn.period;
            let bent = 0.5 * steeper * turn.period.powi(2) * share * (1.0 - share);
            let whole = share - k as f64 / facets as f64;
            TAU * (whole - whole.round()) - bent
        });
        angles.push(row.collect());
    }
    let mut offsets = vec![0.0; angles.len()];
    for _ in 0..MAX_ROUNDS {
        let before: Vec<f64> = all.iter().map(|facet| facet.angle).collect();
        for (offset, row) in offsets.iter_mut().zip(&angles) {
            *offset = mean(row.iter().zip(&all).map(|(angle, facet)| angle - facet.angle));
        }
        for (k, facet) in all.iter_mut().enumerate() {
            let own = angles.iter().zip(&offsets);
            facet.angle =
                mean(own.map(|(row, offset)| row.get(k).copied().unwrap_or(f64::NAN) - offset));
        }
        let middle = mean(all.iter().map(|facet| facet.angle));
        all.iter_mut().for_each(|facet| facet.angle -= middle);
        // What is no number stays none.
        let moves = |(facet, before): (&FacetPulses, &f64)| (facet.angle - before).abs() > FOUND;
        if !all.iter().zip(&before).any(moves) {
            break;
        }
    }
    let (mut squares, mut readings) = (0.0, vec![0.0; facets]);
    for (row, offset) in angles.iter().zip(&offsets) {
        for ((angle, facet), count) in row.iter().zip(&all).zip(&mut readings) {
            let left = angle - facet.angle - offset;
            if left.is_finite() {
                squares += left * left;
                *count += 1.0;
            }
        }
    }
    let seen = readings.iter().filter(|count| **count > 0.0).count() as f64;
    let used = offsets.iter().filter(|offset| offset.is_finite()).count() as f64;
    let degrees = readings.iter().sum::<f64>() - used - seen + 1.0;
    let scatter = if degrees >= 1.0 { (squares / degrees).sqrt() } else { f64::NAN };
    for (facet, count) in all.iter_mut().zip(readings) {
        // The mean of all, which is taken off, shares its scatter.
        facet.u = scatter * ((1.0 - 1.0 / seen) / count).sqrt();
    }
    all
}

/// The mean of those that are numbers.
fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (count, sum) = values
        .filter(|value| value.is_finite())
        .fold((0.0, 0.0), |(count, sum), value| (count + 1.0, sum + value));
    sum / count
}

/// A value and its standard uncertainty.
pub(crate) type WithU = (f64, f64);

/// What of a facet's angle is division, the same at every speed, and what ripple: the angle at the
/// highest of these speeds, falling with the square of the speed as the swing does that a torque makes
/// (derived: θ = torque/(inertia·ω²)). Weighted least squares over `(speed, angle, u)`, with the
/// uncertainties that follow from those of the angles. Not numbers where the speeds are all alike.
pub(crate) fn division_and_ripple(points: &[(f64, f64, f64)]) -> (WithU, WithU) {
    let fastest = points.iter().map(|(speed, ..)| *speed).fold(0.0, f64::max);
    let (mut s, mut sx, mut sxx, mut sy, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (speed, angle, u) in points {
        let (weight, x) = (1.0 / (u * u), (fastest / speed).powi(2));
        s += weight;
        sx += weight * x;
        sxx += weight * x * x;
        sy += weight * angle;
        sxy += weight * x * angle;
    }
    let apart = s * sxx - sx * sx;
    if apart.is_nan() || apart <= 1e-12 * s * sxx {
        return ((f64::NAN, f64::NAN), (f64::NAN, f64::NAN));
    }
    let (division, ripple) = ((sxx * sy - sx * sxy) / apart, (s * sxy - sx * sy) / apart);
    ((division, (sxx / apart).sqrt()), (ripple, (s / apart).sqrt()))
}

/// Chance with which a rotation that is the right one is excluded, over all rotations.
const EXCLUDED: f64 = 0.001;

/// Facets that two patterns must have in common.
const MIN_FACETS: usize = 3;

/// Whether a pattern is one that was kept.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Match {
    /// At this rotation alone; others are excluded with this confidence.
    At(usize, f64),
    /// At none, with this confidence.
    Nowhere(f64),
    /// Several rotations fit, or too little is known.
    CannotTell,
}

/// Compares patterns by their angles, each with its uncertainty: facet k as `seen` is facet
/// k + rotation as `kept`. Gives with the outcome the probability of differences as large where the best
/// rotation is the right one, and their root mean square.
///
/// The sum of squared differences over their variances is chi-squared with one degree of freedom
/// less than there are facets, since the mean is fitted; `steady` is added to each uncertainty in
/// quadrature. A rotation is excluded below 0.1 % over the number of facets (Bonferroni's inequality).
pub(crate) fn pattern_match(kept: &[WithU], seen: &[WithU], steady: f64) -> (Match, f64, f64) {
    let n = seen.len();
    let tried = (0..n).map(|rotation| {
        let pairs = seen.iter().enumerate().filter_map(|(k, (angle, u))| {
            let (old, old_u) = kept.get((k + rotation) % n)?;
            let variance = u * u + old_u * old_u + steady * steady;
            let pair = (angle - old, 1.0 / variance);
            (pair.0.is_finite() && pair.1.is_finite() && pair.1 > 0.0).then_some(pair)
        });
        let pairs: Vec<(f64, f64)> = pairs.collect();
        let weights: f64 = pairs.iter().map(|(_, weight)| weight).sum();
        let middle = pairs.iter().map(|(off, weight)| off * weight).sum::<f64>() / weights;
        let left = |(off, weight): &(f64, f64)| (off - middle).powi(2) * weight;
        let chi: f64 = pairs.iter().map(left).sum();
        let square = mean(pairs.iter().map(|(off, _)| (off - middle).powi(2)));
        let enough = pairs.len() >= MIN_FACETS;
        let p = chi_squared_above(chi, pairs.len() as f64 - 1.0);
        (rotation, if enough { p } else { f64::NAN }, square.sqrt(), chi)
    });
    let mut tried: Vec<(usize, f64, f64, f64)> = tried.collect();
    // Far off, probabilities are all zero.
    tried.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.3.total_cmp(&b.3)));
    let Some((rotation, p, residual, _)) = tried.first().copied() else {
        return (Match::CannotTell, f64::NAN, f64::NAN);
    };
    if kept.len() != n || tried.iter().any(|(_, p, ..)| !p.is_finite()) {
        return (Match::CannotTell, f64::NAN, f64::NAN);
    }
    let confidence = |p: f64| (1.0 - p * n as f64).max(0.0);
    let next = tried.get(1).map_or(0.0, |(_, p, ..)| *p);
    let least = EXCLUDED / n as f64;
    let outcome = match (p >= least, next >= least) {
        (false, _) => Match::Nowhere(confidence(p)),
        (true, false) => Match::At(rotation, confidence(next)),
        (true, true) => Match::CannotTell,
    };
    (outcome, p, residual)
}

/// By how much the line of each facet is longer than those of all on average, as a share, with its
/// standard uncertainty: the time from start to end of scan as a share of its turn is inversely
/// proportional to the speed of the spot (derived). Not numbers for facets without both pulses.
pub(crate) fn relative_lengths(turns: &[Pulsed<'_>], facets: usize) -> Vec<WithU> {
    let mut speeds = vec![Vec::new(); facets];
    for turn in turns {
        let longest = turn.period / facets as f64;
        for (starts, speeds) in by_facet(turn, facets).iter().zip(&mut speeds) {
            let [start] = starts.as_slice() else { continue };
            let mut after = turn.ends.iter().map(|end| end - **start);
            if let Some(time) = after.find(|time| *time > 0.0 && *time < longest) {
                speeds.push(turn.period / time);
            }
        }
    }
    let means: Vec<f64> = speeds.iter().map(|speeds| mean(speeds.iter().copied())).collect();
    let middle = mean(means.iter().copied());
    let (mut squares, mut degrees) = (0.0, 0.0);
    for (speeds, mean) in speeds.iter().zip(&means) {
        squares += speeds.iter().map(|speed| (speed - mean).powi(2)).sum::<f64>();
        degrees += (speeds.len() as f64 - 1.0).max(0.0);
    }
    let scatter = if degrees >= 1.0 { (squares / degrees).sqrt() } else { f64::NAN };
    let seen = means.iter().filter(|mean| mean.is_finite()).count() as f64;
    let u = |count: usize| scatter / middle * ((1.0 - 1.0 / seen) / count as f64).sqrt();
    means.iter().zip(&speeds).map(|(mean, own)| (mean / middle - 1.0, u(own.len()))).collect()
}

#[cfg(test)]
mod tests {
    use super::{
        Match, Pulsed, TAU, WithU, division_and_ripple, pattern_match, pulse_pattern,
        relative_lengths,
    };

    const DIVISION: [f64; 5] = [40e-6, -10e-6, -25e-6, 15e-6, -20e-6];

    /// Times of pulses in a turn of a second, each `late` by more.
    fn times(late: impl Fn(usize) -> f64) -> Vec<f64> {
        (0..5).map(|k| (k as f64 / 5.0 * TAU + DIVISION[k]) / TAU + late(k)).collect()
    }

    fn pulsed(pulses: &[Vec<f64>]) -> Vec<Pulsed<'_>> {
        pulses.iter().map(|pulses| Pulsed { period: 1.0, pulses, ends: &[] }).collect()
    }

    #[track_caller]
    fn near(seen: f64, wanted: f64, most: f64) {
        assert!((seen - wanted).abs() <= most, "{seen} instead of {wanted}");
    }

    #[test]
    fn what_the_index_is_off_and_gaps_leave_the_pattern_as_it_is() {
        // Another offset in each turn, and pulses that are missing and doubled.
        let mut turns: Vec<Vec<f64>> = (0..6).map(|j| times(|_| f64::from(j) * 1e-4)).collect();
        turns[1].remove(2);
        turns[4].remove(0);
        let ghost = turns[2][3] - 0.01;
        turns[2].insert(3, ghost);
        let pattern = pulse_pattern(&pulsed(&turns), 5);
        for (facet, division) in pattern.iter().zip(DIVISION) {
            near(facet.angle, division, 1e-13);
        }
        let counts: Vec<(u32, u32)> = pattern.iter().map(|f| (f.missed, f.doubled)).collect();
        assert_eq!(counts, [(1, 0), (0, 0), (1, 0), (0, 1), (0, 0)]);
    }

    #[test]
    fn the_uncertainty_is_that_of_what_pulses_scatter() {
        // Facet 0 comes ±6 µs off in turn, the others in time: less the offset of each turn, 0.8·6 µs
        // of it and four times 0.2·6 µs are left, so the squares of a turn are 0.8·36 µs². Over 8
        // turns of 5 pulses 40 − 8 − 5 + 1 = 28 degrees are left, and u = s·√(0.8/8): by hand.
        let turns: Vec<Vec<f64>> =
            (0..8).map(|j| times(|k| if k == 0 { [6e-6, -6e-6][j % 2] } else { 0.0 })).collect();
        let pattern = pulse_pattern(&pulsed(&turns), 5);
        let scatter = (8.0 * 0.8 * 36e-12_f64 / 28.0).sqrt() * TAU;
        near(pattern[3].u / (scatter * 0.1_f64.sqrt()), 1.0, 1e-6);
        assert!(pulse_pattern(&pulsed(&turns[..1]), 5)[0].u.is_nan());
    }

    #[test]
    fn a_facet_that_is_never_seen_has_no_angle() {
        let turns: Vec<Vec<f64>> = (0..4).map(|_| times(|_| 0.0)[1..].to_vec()).collect();
        let pattern = pulse_pattern(&pulsed(&turns), 5);
        assert!(pattern[0].angle.is_nan() && pattern[0].missed == 4);
        near(pattern[1].angle, 0.0, 1e-12);
        near(pattern[4].angle - pattern[3].angle, -35e-6, 1e-12);
    }

    #[test]
    fn a_polygon_that_slows_down_has_the_same_pattern() {
        // θ = 50·t − 0.5·2·t²: pulses and index where it passes them.
        let passes = |angle: f64| (50.0 - (2500.0 - 4.0 * angle).sqrt()) / 2.0;
        let turns: Vec<(f64, Vec<f64>)> = (0..20)
            .map(|j| {
                let begins = passes(f64::from(j) * TAU);
                let at = |k: usize| (f64::from(j) + k as f64 / 5.0) * TAU + DIVISION[k];
                let pulses = (0..5).map(|k| passes(at(k)) - begins).collect();
                (passes(f64::from(j + 1) * TAU) - begins, pulses)
            })
            .collect();
        let turns: Vec<Pulsed<'_>> = turns
            .iter()
            .map(|(period, pulses)| Pulsed { period: *period, pulses, ends: &[] })
            .collect();
        // Without the correction facets are off by up to ½·α·T²/4 = 4 mrad.
        for (facet, division) in pulse_pattern(&turns, 5).iter().zip(DIVISION) {
            near(facet.angle, division, 2e-6);
        }
    }

    #[test]
    fn division_and_ripple_come_apart_at_two_speeds() {
        // 10 µrad of division and 5 of ripple, which is 20 at half the speed. By hand: ripple is the
        // difference over 3, u² = (1 + 1)/9; division (4·15 − 30)/3, u² = (16 + 1)/9.
        let ((division, division_u), (ripple, ripple_u)) =
            division_and_ripple(&[(100.0, 15.0, 1.0), (50.0, 30.0, 1.0)]);
        near(division, 10.0, 1e-12);
        near(ripple, 5.0, 1e-12);
        near(division_u, 17_f64.sqrt() / 3.0, 1e-12);
        near(ripple_u, 2_f64.sqrt() / 3.0, 1e-12);
        assert!(division_and_ripple(&[(100.0, 15.0, 1.0), (100.0, 15.0, 1.0)]).0.0.is_nan());
    }

    fn with_u(angles: impl IntoIterator<Item = f64>, u: f64) -> Vec<WithU> {
        angles.into_iter().map(|angle| (angle, u)).collect()
    }

    #[test]
    fn a_pattern_is_found_turned_exchanged_or_not_told() {
        let kept = with_u(DIVISION, 0.5e-6);
        let turned = with_u((0..5).map(|k| DIVISION[(k + 2) % 5] + 7e-6), 0.5e-6);
        let (outcome, p, residual) = pattern_match(&kept, &turned, 0.0);
        assert!(matches!(outcome, Match::At(2, confidence) if confidence > 0.999), "{outcome:?}");
        assert!(p > 0.999 && residual < 1e-12);
        let other = with_u([5e-6, 20e-6, -30e-6, 5e-6, 0.0], 0.5e-6);
        let (outcome, ..) = pattern_match(&kept, &other, 0.0);
        assert!(matches!(outcome, Match::Nowhere(confidence) if confidence > 0.999));
        // A polygon that is cut better than can be measured fits anywhere, and so nowhere.
        let noisy = with_u(DIVISION, 60e-6);
        assert_eq!(pattern_match(&noisy, &noisy, 0.0).0, Match::CannotTell);
        assert_eq!(pattern_match(&kept, &turned, 100e-6).0, Match::CannotTell);
        // Nor with what is not known.
        let unknown = with_u(DIVISION, f64::NAN);
        assert_eq!(pattern_match(&kept, &unknown, 0.0).0, Match::CannotTell);
        assert_eq!(pattern_match(&kept, &[], 0.0).0, Match::CannotTell);
    }

    #[test]
    fn a_pattern_with_two_halves_alike_cannot_tell_which_half() {
        let halves = with_u([3e-6, -9e-6, 6e-6, 3e-6, -9e-6, 6e-6], 0.3e-6);
        assert_eq!(pattern_match(&halves, &halves, 0.0).0, Match::CannotTell);
    }

    #[test]
    fn the_end_of_scan_tells_relative_lengths() {
        let starts = times(|_| 0.0);
        // 0.18 of a turn, and 1 % less for facet 1, whose spot is faster.
        let end = |(k, start): (usize, &f64)| start + 0.18 / if k == 1 { 1.01 } else { 1.0 };
        let ends: Vec<f64> = starts.iter().enumerate().map(end).collect();
        let turn = Pulsed { period: 1.0, pulses: &starts, ends: &ends };
        let lengths = relative_lengths(&[turn, turn, turn], 5);
        near(lengths[1].0, 1.01 / 1.002 - 1.0, 1e-12);
        near(lengths[0].0, 1.0 / 1.002 - 1.0, 1e-12);
    }
}
