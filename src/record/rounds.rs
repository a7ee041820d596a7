//! Measured lines put together by facet, one round for all that was measured under the same trims.

use std::collections::BTreeMap;

/// Most rounds that are kept: the first one and the last ones.
const MAX_ROUNDS: usize = 100;

/// How far a checked shift may be from the largest mean of plain readings, and a tenth of it, in m.
const MAX_APART: f64 = 1e-6;

/// Most facets of a round.
const MAX_FACETS: usize = 1_000;

/// What was measured of one facet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct FacetMean {
    /// Readings.
    pub count: u32,
    /// Mean, smallest and largest shift along the line in m.
    pub in_scan: [f64; 3],
    /// Mean, smallest and largest shift across the line in m.
    pub cross_scan: [f64; 3],
}

/// All that was measured under the same trims.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Round {
    /// Head time in s of its first line.
    pub time: f64,
    /// By facet.
    pub facets: BTreeMap<u32, FacetMean>,
    /// The last measurement: of one facet, or of several in turn.
    pass: BTreeMap<u32, FacetMean>,
    /// Whether another call measures now: it begins a new measurement if its facet is in this one.
    parted: bool,
    /// Those of them that a check was decided on last.
    pub decided: Option<BTreeMap<u32, FacetMean>>,
    /// The largest shift along and across in m as checks were decided on it, where one was.
    decided_shift: [Option<f64>; 2],
}

/// The rounds of a run.
#[derive(Clone, Debug, Default)]
pub(crate) struct Rounds {
    /// The rounds, at most 100.
    pub list: Vec<Round>,
    /// Rounds between the first and the second one here that were left out.
    pub left_out: usize,
    /// The next line starts a new round.
    fresh: bool,
    /// How many rounds have begun.
    begun: usize,
}

fn extended([mean, least, most]: [f64; 3], count: u32, value: f64) -> [f64; 3] {
    let mean = mean + (value - mean) / f64::from(count);
    [mean, least.min(value), most.max(value)]
}

impl Rounds {
    /// Notes that other trims are in force.
    pub(crate) fn trimmed(&mut self) {
        self.fresh = true;
    }

    /// Notes that another call measures from now on.
    pub(crate) fn parted(&mut self) {
        if let Some(round) = self.list.last_mut() {
            round.parted = true;
        }
    }

    /// A check was decided on a value in m: where that is about the largest shift of the round, or of its
    /// last measurement, those are the lines that it was decided on. A check knows more than the mean
    /// that is kept here: it leaves wild marks out. What names one
    /// direction only is of that one.
    pub(crate) fn decided(&mut self, value: f64, condition: &str) {
        let Some(round) = self.list.last_mut() else { return };
        let words = condition.split(|c: char| !c.is_alphanumeric() && c != '_');
        let named = ["in_scan", "cross_scan"].map(|axis| words.clone().any(|word| word == axis));
        // What names no direction is a shift only where it is the same to the last digits.
        let (of, apart) = match named {
            [false, false] => ([true; 2], 1e-9 * value.abs()),
            named => (named, MAX_APART + 0.1 * value.abs()),
        };
        // The last measurement first: what was measured before under the same trims belongs to other checks.
        let found = [&round.pass, &round.facets].into_iter().find_map(|facets| {
            let shifts = worst(facets).into_iter().zip(of).enumerate();
            let near = shifts.filter(|(_, (shift, of))| *of && (shift - value).abs() <= apart);
            near.map(|(axis, _)| (axis, facets)).next()
        });
        let Some((axis, facets)) = found.filter(|_| value != 0.0) else { return };
        let facets = facets.clone();
        if round.decided.as_ref() != Some(&facets) {
            round.decided_shift = [None; 2];
        }
        round.decided = Some(facets);
        if let Some(shift) = round.decided_shift.get_mut(axis) {
            *shift = shift.or(Some(value));
        }
    }

    /// Adds a measured line; gives the number of its round, from 1.
    pub(crate) fn push(&mut self, time: f64, facet: u32, in_scan: f64, cross_scan: f64) -> usize {
        if self.fresh || self.list.is_empty() {
            if self.list.len() >= MAX_ROUNDS {
                self.list.remove(1);
                self.left_out += 1;
            }
            self.list.push(Round { time, ..Round::default() });
            self.fresh = false;
            self.begun += 1;
        }
        if let Some(round) = self.list.last_mut()
            && (round.facets.len() < MAX_FACETS || round.facets.contains_key(&facet))
            && in_scan.is_finite()
            && cross_scan.is_finite()
        {
            if std::mem::take(&mut round.parted) && round.pass.contains_key(&facet) {
                round.pass.clear();
            }
            for facets in [&mut round.facets, &mut round.pass] {
                let seen = facets.entry(facet).or_insert(FacetMean {
                    count: 0,
                    in_scan: [0.0, f64::INFINITY, f64::NEG_INFINITY],
                    cross_scan: [0.0, f64::INFINITY, f64::NEG_INFINITY],
                });
                seen.count += 1;
                seen.in_scan = extended(seen.in_scan, seen.count, in_scan);
                seen.cross_scan = extended(seen.cross_scan, seen.count, cross_scan);
            }
        }
        self.begun
    }

    /// The number of the round at a place of the list, from 1.
    pub(crate) fn number(&self, index: usize) -> usize {
        if index == 0 { 1 } else { index + 1 + self.left_out }
    }
}

impl Round {
    /// What the last check was decided on; all lines where none was decided on what was measured.
    pub(crate) fn shown(&self) -> &BTreeMap<u32, FacetMean> {
        self.decided.as_ref().unwrap_or(&self.facets)
    }

    /// The largest shift along and across in m: as a check was decided on it, or of the means of facets.
    pub(crate) fn worst(&self) -> [f64; 2] {
        let [along, across] = worst(self.shown());
        let [decided_along, decided_across] = self.decided_shift;
        [decided_along.unwrap_or(along), decided_across.unwrap_or(across)]
    }
}

fn worst(facets: &BTreeMap<u32, FacetMean>) -> [f64; 2] {
    let most = |f: fn(&FacetMean) -> f64| facets.values().map(f).fold(0.0, f64::max);
    [most(|m| m.in_scan[0].abs()), most(|m| m.cross_scan[0].abs())]
}

#[cfg(test)]
mod tests {
    use super::{MAX_ROUNDS, Rounds};

    /// A look before, the one that a check is decided on, and one behind it, all under the same trims.
    #[test]
    fn what_was_decided_on_is_not_mixed_with_other_readings() {
        let mut rounds = Rounds::default();
        let look = |rounds: &mut Rounds, value: f64| {
            rounds.parted();
            for facet in [0, 1, 2, 1, 2, 0] {
                rounds.push(0.0, facet, value, -value);
            }
        };
        look(&mut rounds, 9.0);
        look(&mut rounds, 5.0);
        assert_eq!(rounds.list[0].worst(), [7.0, 7.0]);
        rounds.decided(5.0, "left.in_scan <= 9 um");
        look(&mut rounds, 1.0);
        rounds.decided(4.0, "left.in_scan <= 9 um");
        assert_eq!((rounds.list.len(), rounds.list[0].worst()), (1, [5.0, 5.0]));
        // Lines that the script put together itself.
        rounds.decided(rounds.list[0].facets[&0].in_scan[0], "mean(shifts) <= 9 um");
        assert_eq!(rounds.list[0].shown()[&2].count, 6);
    }

    #[test]
    fn the_first_round_and_the_last_ones_stay() {
        let mut rounds = Rounds::default();
        for round in 0..250_u32 {
            rounds.trimmed();
            for value in [1.0, 3.0] {
                rounds.push(f64::from(round), 4, value * f64::from(round), -value);
            }
        }
        assert_eq!(rounds.list.len(), MAX_ROUNDS);
        assert_eq!(rounds.left_out, 150);
        assert_eq!((rounds.number(0), rounds.number(99)), (1, 250));
        assert_eq!(rounds.list[0].time, 0.0);
        let last = rounds.list[99].facets[&4];
        assert_eq!(last.in_scan, [2.0 * 249.0, 249.0, 3.0 * 249.0]);
        assert_eq!(rounds.list[99].worst(), [498.0, 2.0]);
    }
}
