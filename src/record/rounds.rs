//! Measured lines put together by facet, one round for all that was measured under the same trims.

use std::collections::BTreeMap;

/// Most rounds that are kept: the first one and the last ones.
const MAX_ROUNDS: usize = 100;

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
            let seen = round.facets.entry(facet).or_insert(FacetMean {
                count: 0,
                in_scan: [0.0, f64::INFINITY, f64::NEG_INFINITY],
                cross_scan: [0.0, f64::INFINITY, f64::NEG_INFINITY],
            });
            seen.count += 1;
            seen.in_scan = extended(seen.in_scan, seen.count, in_scan);
            seen.cross_scan = extended(seen.cross_scan, seen.count, cross_scan);
        }
        self.begun
    }

    /// The number of the round at a place of the list, from 1.
    pub(crate) fn number(&self, index: usize) -> usize {
        if index == 0 { 1 } else { index + 1 + self.left_out }
    }
}

impl Round {
    /// The largest mean shift of a facet, along and across, in m.
    pub(crate) fn worst(&self) -> [f64; 2] {
        let most = |f: fn(&FacetMean) -> f64| self.facets.values().map(f).fold(0.0, f64::max);
        [most(|m| m.in_scan[0].abs()), most(|m| m.cross_scan[0].abs())]
    }
}

#[cfg(test)]
mod tests {
    use super::{MAX_ROUNDS, Rounds};

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
