//! Repeated readings of the lines of several facets, put together: each normalised by the time of its
//! own turn, wild marks left out, their shapes averaged, with what averages out and what does not.

use crate::optics::direction::{Across, Along, Direction, Dose};
use crate::optics::marks::{legendre, variance};
use crate::optics::pool::{Spread, Sums, pool};
use crate::optics::readings::Readings;
use crate::optics::{Fit, LineTiming, Mark, Matrix, Reading, SHAPE, TimedReading, TrimError};

/// Repeated readings of one facet's line, put together: the coefficients of its shape (see [`Fit`]).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FacetMean {
    /// Number of readings, without those that have a wild mark.
    pub count: usize,
    /// Marks of a reading.
    pub marks: usize,
    /// Wild marks; the readings that have one are left out.
    pub rejected: usize,
    /// Readings that are left out.
    pub left_out: usize,
    /// Mean share by which its turns were faster than planned; not a number where no time is known.
    pub fast: f64,
    /// Shape along the line in m at the planned speed: shift, length, even and odd distortion.
    pub along: Shape,
    /// Shape across the line in m: height, skew, bow.
    pub across: Shape,
    /// Dose against the plan's, as the mean over the line.
    pub dose: Shape,
}

/// Coefficients of a shape, with what they are uncertain by. What marks cannot tell is not a number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shape {
    /// Of P0 to P3 in 2s.
    pub of: [f64; SHAPE],
    /// Variances and covariances of the mean of the readings, of what averages out.
    pub random: Matrix,
    /// The same of what does not.
    pub fixed: Matrix,
    /// Degrees of freedom of the part that averages out; infinitely many where the gauge states it.
    pub degrees: f64,
    /// The digit of the gauge: the common step of all readings, or of earlier ones where these are all alike;
    /// not a number where there is none.
    pub digit: f64,
    /// Standard deviation of single lines as they were drawn, hunting included, at the place of the line
    /// where it is largest; not a number without repeats.
    pub scatter: f64,
    /// Its standard uncertainty.
    pub scatter_u: f64,
    /// Largest distance of a mark from the coefficients that are told; not a number where there are no more
    /// marks than these.
    pub misfit: f64,
    /// Largest standard uncertainty of such a distance.
    pub misfit_u: f64,
    /// How far the marks at the start and at the end of the line lie off the coefficients, and the variance of that;
    /// zero without such marks.
    pub ends_off: [(f64, f64); 2],
}

impl Shape {
    /// Standard uncertainty of a coefficient.
    pub fn u(&self, k: usize) -> f64 {
        (variance(&self.random, k) + variance(&self.fixed, k)).sqrt()
    }

    /// The part of that which does not average out; not a number where the coefficient is none.
    pub fn fixed_u(&self, k: usize) -> f64 {
        let is_told = self.of.get(k).is_some_and(|of| !of.is_nan());
        if is_told { variance(&self.fixed, k).sqrt() } else { f64::NAN }
    }

    /// Where the line lies at `s` of its length from its middle, by the coefficients that are told.
    pub fn place(&self, s: f64) -> f64 {
        let told = weights(s).into_iter().zip(self.of).take(told(&self.of));
        told.map(|(weight, of)| weight * of).sum()
    }

    /// Where the line begins and ends, with the variance of each, and the part of that which does not average out: its
    /// marks there, where it has them, since no shape takes all that a ringing mirror does.
    pub fn ends(&self) -> [(f64, f64, f64); 2] {
        let [start, end] = self.ends_off;
        [(-0.5, start), (0.5, end)].map(|(s, (off, own))| {
            let (variance, fixed) = self.variances(s);
            (self.place(s) + off, variance + own, fixed)
        })
    }

    /// Variance of that place by the covariances of the coefficients, and the part of it that does not
    /// average out.
    pub fn variances(&self, s: f64) -> (f64, f64) {
        let (weights, told) = (weights(s), told(&self.of));
        let fixed = quadratic(&self.fixed, &weights, told);
        (quadratic(&self.random, &weights, told) + fixed, fixed)
    }

    /// Effective degrees of freedom of the coefficient that has fewest (Welch–Satterthwaite: ν·(u²/u_r²)²
    /// of one part that averages out and one that is beyond doubt; JCGM 100:2008 G.4.1).
    pub fn effective_degrees(&self) -> f64 {
        let effective = (0..SHAPE).map(|k| {
            let random = variance(&self.random, k);
            self.degrees * ((random + variance(&self.fixed, k)) / random).powi(2)
        });
        effective.fold(f64::INFINITY, f64::min)
    }
}

/// wᵀ·M·w of the first coefficients that are told.
fn quadratic(matrix: &Matrix, weights: &[f64; SHAPE], told: usize) -> f64 {
    let mut sum = 0.0;
    for (row, a) in matrix.iter().zip(weights).take(told) {
        for (value, b) in row.iter().zip(weights).take(told) {
            sum += a * b * value;
        }
    }
    sum
}

/// Weight of each coefficient in the place of a dot at `s` of the line.
fn weights(s: f64) -> [f64; SHAPE] {
    std::array::from_fn(|k| legendre(k, 2.0 * s))
}

/// How many coefficients are told.
fn told(of: &[f64; SHAPE]) -> usize {
    of.iter().take_while(|of| of.is_finite()).count()
}

impl FacetMean {
    /// Of readings of one line of planned length `length` m, whose turns are not known.
    pub fn of(readings: &[Reading], length: f64) -> Result<FacetMean, TrimError> {
        let timed = |reading: &Reading| TimedReading {
            reading: reading.clone(),
            time: f64::NAN,
            period: f64::NAN,
        };
        let all = [readings.iter().map(timed).collect::<Vec<_>>()];
        let (by, mut fit) = (LineTiming::untimed(length), Fit::default());
        let means = FacetMean::of_facets(&all, 0, &by, [f64::NAN; 2], &mut fit)?;
        let mean = means.into_iter().next().ok_or(TrimError::NoReading)?;
        if mean.count > 0 { Ok(mean) } else { Err(TrimError::AllWild) }
    }

    /// Of the readings of several facets, from facet `first` on, that one gauge took: one mean per facet,
    /// of which nothing is told where each of its readings has a wild mark.
    ///
    /// What averages out is u² = s²/n, where s² is the scatter of single readings, pooled over the facets
    /// where that is sound. The noise that the gauge states counts only where there are no repeats. What
    /// does not average out comes from the gauge's statement, and from its digit where noise does not
    /// dither it: then each place is uncertain by digit/√12 (common practice, no source), and a level line
    /// as a whole as well, since all its marks are rounded alike. Noise of half a digit dithers: it leaves
    /// less than 1 % of a digit (the first term of the Fourier series of rounding,
    /// exp(−2·(π·σ/digit)²)/π: derived). Readings then scatter by 0.58 digits with their rounding; up to a
    /// whole digit the rounding is counted, on the safe side. `digits` are those that earlier readings
    /// of the gauge told along and across, for readings that tell none: all may be rounded to one number.
    /// `fit` is that of earlier readings, or a new one.
    pub fn of_facets(
        all: &[Vec<TimedReading>],
        first: usize,
        by: &LineTiming,
        digits: [f64; 2],
        fit: &mut Fit,
    ) -> Result<Vec<FacetMean>, TrimError> {
        let (readings, [along, across]) = Readings::new(all, first, by, digits)?;
        fit.follow(readings.places);
        let shapes = readings.shapes::<Along>(fit, along).into_iter();
        let shapes = shapes.zip(readings.shapes::<Across>(fit, across));
        let shapes = shapes.zip(readings.shapes::<Dose>(fit, f64::NAN));
        let means = shapes.enumerate().map(|(facet, ((along, across), dose))| FacetMean {
            count: readings.kept(facet).count(),
            marks: readings.places.len(),
            rejected: readings.wild_marks(facet),
            left_out: readings.left_out(facet),
            fast: readings.mean_error(facet),
            along,
            across,
            dose,
        });
        Ok(means.collect())
    }
}

impl Readings<'_> {
    /// The shapes of all facets in one direction.
    fn shapes<D: Direction>(&self, fit: &Fit, digit: f64) -> Vec<Shape> {
        let column = self.column::<D>();
        let mut stated = self.stated::<D>();
        if digit.is_finite() && self.noise(&column, stated.random) < digit {
            let u = digit / 12_f64.sqrt();
            stated.place = stated.place.hypot(u);
            // The marks of a level line are rounded alike.
            stated.offset = stated.offset.hypot(u);
        }
        let fixed = fit.fixed(&stated, self.by.length);
        let noise = fit.covariance(stated.random);
        let planned = self.spreads(&column, fit, D::SPEED);
        let pooled = pool(&planned);
        let scatters = self.scatters(&column, fit, D::SPEED, &planned, &pooled);
        let (beyond, rest) =
            if D::JUDGED { (fit.rest(D::TOLD), fit.rest(SHAPE)) } else { (&[][..], &[][..]) };
        let misfits = self.misfits(&column, beyond, &stated);
        let of_unit = variance(&fit.covariance(1.0), 2);
        let each = planned.iter().zip(pooled).zip(scatters.into_iter().zip(misfits));
        each.enumerate()
            .map(|(facet, ((planned, (pooled, degrees)), (scatter, misfit)))| {
                // Readings that are all equal tell nothing where their digit is not known.
                let silent = || {
                    let mut own = (0..SHAPE).map(|k| variance(&pooled, k));
                    digit.is_nan() && own.all(|v| v.is_nan() || v == 0.0)
                };
                let (single, degrees) = if degrees == 0.0 || silent() {
                    (noise, f64::INFINITY)
                } else {
                    (pooled, degrees)
                };
                // What moves or stretches a line as a whole is in P0 and P1, so P2 tells of the noise of marks.
                let of_mark = variance(&single, 2) / of_unit;
                let ends = self.ends_off(&column, facet, rest);
                Shape {
                    of: planned.mean,
                    ends_off: ends
                        .map(|(off, unit)| (off, if unit > 0.0 { of_mark * unit } else { 0.0 })),
                    random: single.map(|row| row.map(|v| v / planned.count)),
                    fixed,
                    degrees,
                    digit,
                    scatter: scatter.0,
                    scatter_u: scatter.1,
                    misfit: misfit.0,
                    misfit_u: misfit.1,
                }
            })
            .collect()
    }

    /// For each facet how far single lines scatter as they were drawn, at the place where they scatter most,
    /// and its standard uncertainty; not numbers without repeats.
    fn scatters(
        &self,
        column: &[f64],
        fit: &Fit,
        speed: f64,
        planned: &[Spread],
        pooled: &[(Matrix, f64)],
    ) -> Vec<(f64, f64)> {
        if pooled.iter().all(|(_, degrees)| *degrees == 0.0) {
            return vec![(f64::NAN, f64::NAN); planned.len()];
        }
        let drawn = (speed != 0.0).then(|| pool(&self.spreads(column, fit, 0.0)));
        let drawn = drawn.as_deref().unwrap_or(pooled);
        let swing = if self.by.index_only && speed != 0.0 { self.swing() } else { 0.0 };
        let facets = (self.first..).zip(planned).zip(pooled.iter().zip(drawn));
        let scatter = |((facet, planned), (pooled, drawn)): ((usize, &Spread), _)| {
            let ((variance, _), (single, seen)): (&(Matrix, f64), &(Matrix, f64)) = (pooled, drawn);
            let told = told(&planned.mean);
            let at = |mark: &Mark| {
                let weights = weights(mark.at);
                if swing == 0.0 {
                    return quadratic(single, &weights, told);
                }
                // Facets differ: the later one is, the farther an error of the speed moves it.
                let lever = self.by.lever(facet, mark.at);
                quadratic(variance, &weights, told) + swing * lever * lever
            };
            let scatter = self.places.iter().map(at).fold(f64::NAN, f64::max).sqrt();
            (scatter, scatter / (2.0 * seen).sqrt())
        };
        facets.map(scatter).collect()
    }

    /// Variance of the share by which single lines were drawn too fast, over all facets; not a number without
    /// repeats.
    fn swing(&self) -> f64 {
        let (mut squares, mut degrees) = (0.0, 0.0);
        for facet in 0..self.facets() {
            let mut sums = Sums::new();
            self.kept(facet).for_each(|row| sums.add(&[self.speed(row)]));
            let spread = sums.spread();
            squares += spread.squares[0][0];
            degrees += spread.degrees;
        }
        squares / degrees
    }

    /// How the coefficients of each facet's readings scatter, with so much of what the speed did to them taken
    /// out: all, or nothing.
    fn spreads(&self, column: &[f64], fit: &Fit, speed: f64) -> Vec<Spread> {
        let spread = |facet: usize| {
            let lever = fit.of(self.levers(facet).into_iter().map(|lever| speed * lever));
            let mut sums = Sums::new();
            for row in self.kept(facet) {
                let Some(marks) = column.get(self.span(row)) else { continue };
                let mut of = fit.of(marks.iter().copied());
                if speed != 0.0 {
                    let fast = self.speed(row);
                    of.iter_mut().zip(lever).for_each(|(of, lever)| *of -= fast * lever);
                }
                sums.add(&of);
            }
            let mut spread = sums.spread();
            // What a swing took away is no scatter any more.
            if speed != 0.0 && spread.degrees > 0.0 {
                spread.degrees -= self.taken / self.facets() as f64;
            }
            spread
        };
        (0..self.facets()).map(spread).collect()
    }

    /// Standard deviation of one mark from reading to reading, over all facets and marks; as stated where
    /// there are no repeats.
    fn noise(&self, column: &[f64], stated: f64) -> f64 {
        let (mut squares, mut degrees) = (0.0, 0.0);
        for facet in 0..self.facets() {
            for place in 0..self.places.len() {
                let mut sums = Sums::new();
                let kept =
                    self.kept(facet).filter_map(|row| column.get(self.span(row).start + place));
                kept.for_each(|mark| sums.add(&[*mark]));
                let spread = sums.spread();
                squares += spread.squares[0][0];
                degrees += spread.degrees;
            }
        }
        if degrees > 0.0 { (squares / degrees).sqrt() } else { stated }
    }
}

#[cfg(test)]
mod tests {
    use super::FacetMean;
    use crate::optics::TimedReading;
    use crate::optics::{Fit, LineTiming, Mark, Reading, combined};

    fn reading(in_scan: f64) -> Reading {
        Reading::whole((in_scan, 0.4e-6), (0.0, 0.4e-6))
    }

    /// The means of facets from a first one on, of a gauge whose digits are not known.
    fn means(facets: &[Vec<TimedReading>], first: usize, by: &LineTiming) -> Vec<FacetMean> {
        FacetMean::of_facets(facets, first, by, [f64::NAN; 2], &mut Fit::default()).unwrap()
    }

    #[test]
    fn scatter_counts_and_the_statement_only_without_repeats() {
        let one = FacetMean::of(&[reading(1e-6)], 0.3).unwrap();
        assert!((one.along.u(0) - 0.4e-6).abs() < 1e-18);
        assert_eq!(one.along.effective_degrees(), f64::INFINITY);
        // s of (0, 0.2) um is 0.14142 um, and over root 2 that is 0.1 um: by hand.
        let two = FacetMean::of(&[reading(0.0), reading(0.2e-6)], 0.3).unwrap();
        assert!((two.along.of[0] - 0.1e-6).abs() < 1e-15);
        assert!((two.along.random[0][0].sqrt() - 0.1e-6).abs() < 1e-15, "{two:?}");
        // Equal readings whose digit is not known tell nothing of their scatter.
        let still = FacetMean::of(&[(); 4].map(|()| reading(1e-6)), 0.3).unwrap();
        assert!((still.along.u(0) - 0.2e-6).abs() < 1e-18);
    }

    /// u² = s²/n + u_fixed² with s = 3, n = 9 and u_fixed = 1 is 2, and ν = 8·(2/1)² = 32: by hand
    /// (Welch–Satterthwaite).
    #[test]
    fn degrees_of_freedom_grow_by_what_is_beyond_doubt() {
        let mut mean = FacetMean::of(&[reading(0.0)], 0.3).unwrap();
        let shape = &mut mean.along;
        (shape.random[0][0], shape.fixed[0][0], shape.degrees) = (1.0, 1.0, 8.0);
        assert!((shape.u(0) - 2_f64.sqrt()).abs() < 1e-12);
        assert!((shape.effective_degrees() - 32.0).abs() < 1e-9);
    }

    /// Marks of a line that was drawn by a polygon that is too fast by `fast`, shifted by 5 um: worked out
    /// from the angle that the polygon turns through, not from the formula under test.
    fn drawn(fast: f64, period: f64) -> TimedReading {
        let (speed, focal_length, delay, line) = (502.654_824_574, 0.4, 0.25e-3, 0.75e-3);
        let mark = |k: u8| {
            let at = f64::from(k) / 4.0 - 0.5;
            let after = delay + (at + 0.5) * line;
            let moved = 2.0 * focal_length * speed * (1.0 + fast) * after;
            let planned = 2.0 * focal_length * speed * after;
            Mark { at, in_scan: moved - planned + 5e-6, cross_scan: 0.0, dose: 1.0, width: None }
        };
        let reading = Reading { marks: (0..5).map(mark).collect(), ..reading(0.0) };
        TimedReading { reading, time: f64::NAN, period }
    }

    /// How the lines of [`drawn`] are planned.
    fn timing() -> LineTiming {
        let turn = 0.0125;
        let velocity = 2.0 * 0.4 * 502.654_824_574;
        LineTiming {
            turn,
            velocity,
            delay: 0.25e-3,
            line_period: turn / 10.0,
            index_only: false,
            length: velocity * 0.75e-3,
        }
    }

    #[test]
    fn a_line_is_moved_to_where_it_lies_at_the_planned_speed() {
        let by = timing();
        let LineTiming { turn, velocity, .. } = by;
        let fast = [-30e-6, 10e-6, 50e-6];
        let mut readings = fast.map(|fast| drawn(fast, turn / (1.0 + fast))).to_vec();
        // All turns at once, so that nothing is carried over.
        readings.iter_mut().for_each(|reading| reading.time = 1.0);
        let mean = means(&[readings.clone()], 3, &by)[0];
        assert!((mean.along.of[0] - 5e-6).abs() < 1e-12, "{:?}", mean.along);
        assert!(mean.along.of[1].abs() < 1e-12 && (mean.fast - 10e-6).abs() < 1e-12);
        // Still, single lines are seen to scatter: by 40 ppm of 402 m/s times 1 ms at the end.
        assert!((mean.along.scatter - 40e-6 * velocity * 1e-3).abs() < 1e-9, "{:?}", mean.along);
        assert!(mean.along.u(0) < 1e-9);
        // A head that does not tell its turns.
        readings.iter_mut().for_each(|reading| reading.period = f64::NAN);
        let mean = means(&[readings], 3, &by)[0];
        assert!(mean.fast.is_nan() && mean.along.of[0] > 6e-6);
    }

    /// A speed that rises by 1 ppm per ms: the line of facet 0 is drawn before the middle of its turn, the
    /// line of facet 9 behind it.
    #[test]
    fn the_change_of_speed_inside_a_turn_counts() {
        let by = timing();
        let turn = by.turn;
        let rise = 1e-3;
        let lines = |facet: usize| {
            let of = |number: usize| {
                let index = turn * (2 * number) as f64;
                let pulse = index + turn / 10.0 * facet as f64;
                // The middle dot is fired 0.625 ms after the pulse; speed meanwhile as in its middle.
                let at_line = rise * (pulse + 0.312_5e-3);
                let period = turn / (1.0 + rise * (index + turn / 2.0));
                TimedReading { time: pulse + 0.25e-3, ..drawn(at_line, period) }
            };
            (0..4).map(of).collect::<Vec<_>>()
        };
        for mean in [means(&[lines(0), lines(1)], 0, &by)[0], means(&[lines(9)], 9, &by)[0]] {
            assert!((mean.along.of[0] - 5e-6).abs() < 0.02e-6, "{:?}", mean.along.of);
        }
    }

    #[test]
    fn a_mark_that_is_wild_both_ways_is_one() {
        let mut readings: Vec<Reading> = (0..6).map(|_| reading(0.0)).collect();
        readings[4].marks[0].in_scan = 30e-6;
        readings[4].marks[0].cross_scan = 30e-6;
        let mean = FacetMean::of(&readings, 0.3).unwrap();
        assert_eq!((mean.rejected, mean.count), (1, 5));
    }

    /// 14 um over the root of 12, for the line as a whole and for its one mark, is 5.7 um: by hand.
    #[test]
    fn readings_that_are_all_rounded_to_one_number_are_as_uncertain_as_the_digit() {
        let u = |values: [f64; 4], digits: [f64; 2]| {
            let read =
                |value| TimedReading { reading: reading(value), time: 1.0, period: f64::NAN };
            let all = [values.map(read).to_vec()];
            FacetMean::of_facets(&all, 0, &LineTiming::untimed(0.3), digits, &mut Fit::default())
                .unwrap()[0]
                .along
                .u(0)
        };
        let (still, none) = ([0.0; 4], f64::NAN);
        assert!((u(still, [14e-6, none]) - 5.72e-6).abs() < 0.01e-6);
        assert!((u(still, [none, 14e-6]) - 5.72e-6).abs() < 0.01e-6);
        assert!((u(still, [none; 2]) - 0.2e-6).abs() < 1e-12);
        // Readings that vary without a step have no digit.
        let vary = [0.0, 1.3e-6, 2.9e-6, 0.7e-6];
        assert_eq!(u(vary, [14e-6; 2]), u(vary, [none; 2]));
    }

    /// Of four facets with three readings each, every line tells the eight degrees of freedom of all. Put
    /// together, they are still eight.
    #[test]
    fn pooled_degrees_count_once() {
        let facet = |k: usize| {
            let read = |value: f64| TimedReading {
                reading: reading(value + 10e-6 * k as f64),
                time: f64::NAN,
                period: f64::NAN,
            };
            [0.0, 1e-6, 2.5e-6].map(read).to_vec()
        };
        let all: Vec<Vec<TimedReading>> = (0..4).map(facet).collect();
        let means = means(&all, 0, &LineTiming::untimed(0.3));
        assert!(means.iter().all(|mean| mean.along.degrees == 8.0));
        let each: Vec<Vec<FacetMean>> = means.iter().map(|mean| vec![*mean]).collect();
        assert!(combined(&each).unwrap().iter().all(|mean| mean.along.degrees == 8.0));
    }

    #[test]
    fn the_place_of_a_dot_follows_from_all_coefficients() {
        let mark = |k: u8| {
            let at = f64::from(k) / 4.0 - 0.5;
            Mark {
                at,
                in_scan: at * at * (at + 0.0123) * 1e-3,
                cross_scan: 0.0,
                dose: 1.0,
                width: None,
            }
        };
        let line = Reading { marks: (0..5).map(mark).collect(), ..reading(0.0) };
        let mean = FacetMean::of(&[line], 0.3).unwrap();
        let (end, u) = (mean.along.place(0.5), mean.along.variances(0.5).0.sqrt());
        assert!((end - 0.125e-3 - 0.003_075e-3).abs() < 1e-12);
        // The fit of a cubic to five marks gives the last one a variance of 69/70 (the diagonal of its hat
        // matrix, by exact fractions).
        assert!((u - 0.4e-6 * (69.0_f64 / 70.0).sqrt()).abs() < 1e-12, "{u}");
    }
}
