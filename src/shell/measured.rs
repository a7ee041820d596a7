//! What was measured of each facet: the newest measurement and the one before it, each as it was
//! taken. Readings of different measurements are never put together.

use spintrue_head::{Call, Heard, Reply};
use std::collections::BTreeMap;

/// Most facets that are kept.
const MAX_FACETS: usize = 1_000;

/// Readings of one facet that were taken in one go.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Measurement {
    /// How many loads of trims came before it.
    load: usize,
    /// Which measurement it belongs to, of one facet or of several in turn.
    number: usize,
    /// Readings.
    pub count: u32,
    /// Along the line.
    pub in_scan: Series,
    /// Across the line.
    pub cross_scan: Series,
}

/// Values in m, as they come.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Series {
    /// Their mean.
    pub mean: f64,
    /// The sum of the squares of what each is apart from the mean.
    squares: f64,
}

impl Series {
    /// Takes the value number `count`, from 1 (Welford's way, which loses no digits).
    fn push(&mut self, count: u32, value: f64) {
        let apart = value - self.mean;
        self.mean += apart / f64::from(count);
        self.squares += apart * (value - self.mean);
    }

    /// Experimental standard deviation of `count` values (JCGM 100:2008, 4.2.2); none of one.
    pub(crate) fn spread(&self, count: u32) -> Option<f64> {
        (count > 1).then(|| (self.squares / f64::from(count - 1)).sqrt())
    }
}

/// What was measured of each facet.
#[derive(Debug, Default)]
pub(crate) struct Measured {
    facets: BTreeMap<u32, [Option<Measurement>; 2]>,
    /// Loads of trims so far.
    load: usize,
    /// The facet that was exposed last.
    exposed: Option<u32>,
    /// Number of the measurement under way.
    number: usize,
    /// Looks at the head since the last reading.
    looks: u32,
}

impl Measured {
    /// The measurement under way has ended.
    pub(crate) fn part(&mut self) {
        self.number += 1;
    }

    /// Other trims are in force.
    pub(crate) fn trimmed(&mut self) {
        self.load += 1;
        self.part();
    }

    /// The newest measurement of a facet with the trims in force, the one before it, and whether
    /// that was taken with other trims.
    pub(crate) fn of(&self, facet: u32) -> (Option<Measurement>, Option<(Measurement, bool)>) {
        let [newest, earlier] = self.facets.get(&facet).copied().unwrap_or_default();
        let other = |measurement: Measurement| (measurement, measurement.load != self.load);
        match newest {
            Some(newest) if newest.load != self.load => (None, Some(other(newest))),
            newest => (newest, earlier.map(other)),
        }
    }

    /// Takes what the head and the gauge said.
    pub(crate) fn heard(&mut self, heard: &Heard) {
        match (&heard.call, &heard.reply) {
            (Call::Status, _) => self.looks = self.looks.saturating_add(1),
            (Call::Measure, Reply::Reading(reading)) => {
                let (in_scan, cross_scan) = reading.shift();
                self.push(in_scan, cross_scan);
            }
            (Call::Measure, _) => self.looks = 0,
            (Call::Expose { .. }, reply) => {
                // One look follows each reading; a second one begins another measurement.
                if self.looks > 1 {
                    self.part();
                }
                self.exposed = match reply {
                    Reply::Exposed(exposed) => Some(exposed.facet),
                    _ => None,
                };
            }
            _ => self.part(),
        }
    }

    fn push(&mut self, in_scan: f64, cross_scan: f64) {
        self.looks = 0;
        let Some(facet) = self.exposed else { return };
        let is_room = self.facets.len() < MAX_FACETS || self.facets.contains_key(&facet);
        if !(is_room && in_scan.is_finite() && cross_scan.is_finite()) {
            return;
        }
        let [newest, earlier] = self.facets.entry(facet).or_default();
        if newest.is_none_or(|newest| newest.number != self.number) {
            let begun = Measurement { load: self.load, number: self.number, ..Default::default() };
            *earlier = newest.replace(begun);
        }
        if let Some(newest) = newest {
            newest.count = newest.count.saturating_add(1);
            newest.in_scan.push(newest.count, in_scan);
            newest.cross_scan.push(newest.count, cross_scan);
        }
    }
}
