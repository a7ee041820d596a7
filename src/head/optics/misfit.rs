//! What marks leave beyond the shape that is fitted to them: the wave of a facet or of the lens, or a mirror that
//! still rings.

use crate::optics::pool::{Spread, Sums};
use crate::optics::readings::Readings;
use crate::optics::{Mark, Stated};

impl Readings<'_> {
    /// For each facet the largest of its marks' mean distances from the coefficients that are told, and the
    /// largest standard uncertainty of such a distance. Not numbers where there are no more marks than coefficients.
    ///
    /// u² = s²/n + u_place², both carried through the fit (derived). For each mark s is pooled over the
    /// facets; where there are no repeats, or all are equal, the noise that the gauge states counts.
    ///
    /// `rest` has for each mark the weights of all in what is left of it.
    pub(super) fn misfits(
        &self,
        column: &[f64],
        rest: &[Vec<f64>],
        stated: &Stated,
    ) -> Vec<(f64, f64)> {
        let mut worst = vec![(f64::NAN, f64::NAN); self.facets()];
        let mut left: Vec<Spread<1>> = Vec::with_capacity(worst.len());
        for weights in rest {
            left.clear();
            left.extend((0..worst.len()).map(|facet| self.left(column, facet, weights)));
            let squares: f64 = left.iter().map(|left| left.squares[0][0]).sum();
            let degrees: f64 = left.iter().map(|left| left.degrees).sum();
            let norm: f64 = weights.iter().map(|w| w * w).sum();
            let single =
                if squares > 0.0 { squares / degrees } else { norm * stated.random.powi(2) };
            for (worst, left) in worst.iter_mut().zip(&left) {
                let variance = single / left.count + norm * stated.place.powi(2);
                *worst = (worst.0.max(left.mean[0].abs()), worst.1.max(variance));
            }
        }
        worst.iter_mut().for_each(|(_, u)| *u = u.sqrt());
        worst
    }

    /// How far a facet's marks at the start and at the end of the line lie off the fitted shape on average, and the
    /// variance of that for marks of variance 1; zero where there is no such mark, or no more marks than coefficients.
    /// `rest` as in [`Readings::misfits`], of all coefficients.
    pub(super) fn ends_off(
        &self,
        column: &[f64],
        facet: usize,
        rest: &[Vec<f64>],
    ) -> [(f64, f64); 2] {
        let off = |mark: Option<&Mark>, weights: Option<&Vec<f64>>, s: f64| {
            let weights = weights.filter(|_| mark.is_some_and(|mark| mark.at == s))?;
            let left = self.left(column, facet, weights);
            Some((left.mean[0], weights.iter().map(|w| w * w).sum::<f64>() / left.count))
        };
        let none = (0.0, 0.0);
        let start = off(self.places.first(), rest.first(), -0.5);
        [start.unwrap_or(none), off(self.places.last(), rest.last(), 0.5).unwrap_or(none)]
    }

    /// How far one mark of a facet's readings lies off the fitted shape. What a speed that is off adds is
    /// straight along the line, so the fit takes it.
    fn left(&self, column: &[f64], facet: usize, weights: &[f64]) -> Spread<1> {
        let mut sums = Sums::new();
        for marks in self.kept(facet).filter_map(|row| column.get(self.span(row))) {
            sums.add(&[weights.iter().zip(marks).map(|(w, mark)| w * mark).sum()]);
        }
        sums.spread()
    }
}

#[cfg(test)]
mod tests {
    use crate::optics::{FacetMean, Mark, Reading};

    /// Readings of marks evenly along a line that lie off by these, in um along and across.
    fn mean(readings: &[&[f64]], place: f64) -> FacetMean {
        let reading = |off: &&[f64]| {
            let last = off.len() as f64 - 1.0;
            // Straight, so nothing of it is left: without it the marks would have a common step.
            let shift = |k: usize, off: f64| (off + 0.0123 * k as f64) * 1e-6;
            let mark = |(k, off): (usize, &f64)| Mark {
                at: k as f64 / last - 0.5,
                in_scan: shift(k, *off),
                cross_scan: shift(k, *off),
                dose: 1.0,
                width: None,
            };
            let mut reading = Reading::whole((0.0, 0.4e-6), (0.0, 0.4e-6));
            reading.marks = off.iter().enumerate().map(mark).collect();
            (reading.in_scan_u.place, reading.cross_scan_u.place) = (place, place);
            reading
        };
        FacetMean::of(&readings.iter().map(reading).collect::<Vec<_>>(), 0.3).unwrap()
    }

    fn near(value: f64, wanted: f64) {
        assert!((value - wanted).abs() < 1e-12, "{value} {wanted}");
    }

    /// The fourth difference of five marks is what a cubic leaves: 70 um times (1, -4, 6, -4, 1)/70 at the marks
    /// (by hand: that vector is orthogonal to every cubic). Across, P3 is left over as well: none is in it.
    #[test]
    fn what_a_cubic_does_not_take_is_left() {
        let line = mean(&[&[1.0, -4.0, 6.0, -4.0, 1.0]], 0.0);
        near(line.along.misfit, 6e-6);
        // The middle mark keeps 36/70 of its variance (the hat matrix has 34/70 there: by exact fractions).
        near(line.along.misfit_u, 0.4e-6 * (36.0_f64 / 70.0).sqrt());
        near(line.across.misfit, 6e-6);
        // x³ at the marks is 3/5·P1 + 2/5·P3, so 0.4 is left at the ends across, and nothing along.
        let cube = mean(&[&[-10.0, -1.25, 0.0, 1.25, 10.0]], 0.0);
        near(cube.along.misfit, 0.0);
        near(cube.across.misfit, 4e-6);
        // A place that is off counts as noise does that never averages out.
        let place = mean(&[&[1.0, -4.0, 6.0, -4.0, 1.0]], 0.3e-6);
        near(place.along.misfit_u, 0.5e-6 * (36.0_f64 / 70.0).sqrt());
    }

    /// Two readings that leave 6 and 12 um: their mean is uncertain by their scatter over the root of two, 3 um.
    #[test]
    fn repeats_tell_how_uncertain_it_is() {
        let [one, two] = [1.0, 2.0].map(|by| [1.0, -4.0, 6.0, -4.0, 1.0].map(|v| by * v));
        let line = mean(&[&one, &two], 0.0);
        near(line.along.misfit, 9e-6);
        near(line.along.misfit_u, 3e-6);
    }

    #[test]
    fn no_more_marks_than_coefficients_leave_nothing_to_tell() {
        let four = mean(&[&[1.0, -1.0, 1.0, -1.0]], 0.0);
        assert!(four.along.misfit.is_nan() && four.along.misfit_u.is_nan());
        assert!(four.across.misfit > 0.0);
        let three = mean(&[&[1.0, -1.0, 1.0]], 0.0);
        assert!(three.along.misfit.is_nan() && three.across.misfit.is_nan());
    }
}
