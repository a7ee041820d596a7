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
            // A few that happen to be equal are not exact: they scatter as those of all marks.
            degrees if degrees > 0.0 && *squares == 0.0 && noise > 0.0 => (noise * noise, degrees),
            degrees if degrees > 0.0 && !silent => (squares / degrees, degrees),
            _ => (stated.random.powi(2), f64::INFINITY),
        };
        let random = variance / *count as f64;
        let degrees = degrees * ((random + fixed) / random).powi(2);
        (*count, MarkMean { of: *mean, u: (random + fixed).sqrt(), degrees })
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::MapMark;
    use crate::optics::{LineTiming, Mark, Reading, TimedReading};

    #[test]
    fn readings_that_happen_to_be_equal_are_not_exact() {
        let reading = |across: [f64; 3]| {
            let mark = |(k, cross_scan)| Mark {
                at: f64::from(k) / 2.0 - 0.5,
                in_scan: 0.0,
                cross_scan,
                dose: f64::NAN,
                width: None,
            };
            let mut reading = Reading::whole((0.0, 0.1e-6), (0.0, 0.1e-6));
            reading.marks = (0..3).zip(across).map(mark).collect();
            TimedReading { reading, time: f64::NAN, period: f64::NAN }
        };
        let readings = vec![vec![reading([1e-6, 2e-6, 3.1e-6]), reading([1e-6, 2.7e-6, 3.5e-6])]];
        let by = LineTiming::untimed(0.3);
        let (marks, _) = MapMark::of(&readings, 0, &by, [f64::NAN; 2]).unwrap();
        // Squares 0, 0.7²/2 and 0.4²/2 of one degree each: by hand.
        let noise = ((0.49_f64 / 2.0 + 0.16 / 2.0) / 3.0).sqrt() * 1e-6;
        let own = |k: usize| marks[k].across.u;
        assert!((own(0) - noise / 2.0_f64.sqrt()).abs() < 1e-12, "{}", own(0));
        assert!((own(1) - 0.35e-6).abs() < 1e-12, "{}", own(1));
    }
}
