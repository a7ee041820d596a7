//! Repeated readings of a map put together: each mark by itself, where [`super::FacetMean`] tells the shape
//! of a line.

use crate::optics::direction::{Across, Along, Direction, Dose, Width};
use crate::optics::readings::Readings;
use crate::optics::{LineTiming, TimedReading, TrimError};

/// A mark of a map: the mean of its readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MapMark {
    /// Share of the planned length from the middle of the line.
    pub at: f64,
    /// Shift along the line in m at the planned speed.
    pub along: MarkMean,
    /// Shift across the line in m.
    pub across: MarkMean,
    /// Dose against the plan's.
    pub dose: MarkMean,
    /// Width along the line in m.
    pub width: MarkMean,
    /// Its readings, without wild ones.
    pub count: usize,
    /// Its wild readings.
    pub rejected: usize,
}

/// What the readings of one mark tell in one direction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MarkMean {
    /// Their mean; not a number where the gauge does not read it.
    pub of: f64,
    /// Its standard uncertainty.
    pub u: f64,
    /// Effective degrees of freedom of that (Welch–Satterthwaite, as for [`super::Shape`]).
    pub degrees: f64,
}

impl MapMark {
    /// Of the readings of a map of one facet, the only list; with the digits of the gauge along and across.
    /// Those that earlier readings told are `digits`.
    ///
    /// Wild marks are left out one by one. What averages out is the scatter of the mark's own readings, not
    /// pooled: what jitter and speed add to it grows along the line, and moves all marks alike. The noise that
    /// the gauge states counts only where there are no repeats. What does not average out is the gauge's
    /// offset, its part in proportion to the place, its part of each place, and digit/√12 where noise
    /// does not dither the digit.
    pub fn of(
        readings: &[Vec<TimedReading>],
        facet: usize,
        by: &LineTiming,
        digits: [f64; 2],
    ) -> Result<(Vec<MapMark>, [f64; 2]), TrimError> {
        let (lines, digits) = Readings::new(readings, facet, by, digits)?;
        let taken = readings.iter().map(Vec::len).sum::<usize>();
        let [along, across] = digits;
        let along = means::<Along>(&lines, along).into_iter();
        let shifts = along.zip(means::<Across>(&lines, across));
        let dose = means::<Dose>(&lines, f64::NAN).into_iter();
        let light = dose.zip(means::<Width>(&lines, f64::NAN));
        let marks = lines.places.iter().zip(shifts.zip(light)).map(|(place, (shifts, light))| {
            let (((count, along), (_, across)), ((_, dose), (_, width))) = (shifts, light);
            MapMark { at: place.at, along, across, dose, width, count, rejected: taken - count }
        });
        Ok((marks.collect(), digits))
    }
}

/// For each place the number of readings and their mean.
fn means<D: Direction>(lines: &Readings<'_>, digit: f64) -> Vec<(usize, MarkMean)> {
    // Mean, squares around it, and count at each place.
    let places = lines.at_places::<D>();
    let of = |values: &Vec<f64>| {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let squares = values.iter().map(|value| (value - mean).powi(2)).sum();
        (mean, squares, values.len())
    };
    let read: Vec<(f64, f64, usize)> = places.iter().map(of).collect();
    let stated = lines.stated::<D>();
    let repeated = || read.iter().filter(|(_, _, count)| *count > 1);
    let degrees = repeated().map(|(_, _, count)| *count as f64 - 1.0).sum::<f64>();
    let noise = match degrees > 0.0 {
        true => (repeated().map(|(_, squares, _)| squares).sum::<f64>() / degrees).sqrt(),
        false => stated.random,
    };
    let rounding = if noise < digit { digit * digit / 12.0 } else { 0.0 };
    let each = read.iter().zip(lines.places);
    each.map(|((mean, squares, count), mark)| {
        let slope = stated.slope * mark.at * lines.by.length;
        let fixed = stated.offset.powi(2) + slope.powi(2) + stated.place.powi(2) + rounding;
        // Readings that are all equal tell nothing where their digit is not known.
        let silent = *squares == 0.0 && digit.is_nan();
        let (variance, degrees) = match *count as f64 - 1.0 {
            degrees if degrees > 0.0 && !silent => (squares / degrees, degrees),
            _ => (stated.random.powi(2), f64::INFINITY),
        };
        let random = variance / *count as f64;
        let degrees = degrees * ((random + fixed) / random).powi(2);
        (*count, MarkMean { of: *mean, u: (random + fixed).sqrt(), degrees })
    })
    .collect()
}
