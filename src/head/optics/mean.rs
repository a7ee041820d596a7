//! Repeated readings of the lines of several facets, put together: each normalised by the time of its
//! own turn, wild marks left out, their shapes averaged, with what averages out and what does not.

use crate::optics::direction::{Across, Along, Direction, Dose};
use crate::optics::marks::legendre;
use crate::optics::pool::{Spread, pool};
use crate::optics::{
    Fit, LineTiming, MAX_MARKS, Mark, Matrix, Reading, SHAPE, Stated, TimedReading, TrimError, wild,
};

/// Repeated readings of one facet's line, put together: the coefficients of its shape (see [`Fit`]).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FacetMean {
    /// Number of readings, without those that have a wild mark.
    pub count: usize,
    /// Marks of a reading.
    pub marks: usize,
    /// Wild marks; the readings that have one are left out.
    pub rejected: usize,
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
}

impl Shape {
    /// Standard uncertainty of a coefficient.
    pub fn u(&self, k: usize) -> f64 {
        self.combined(&unit(k)).0.sqrt()
    }

    /// The part of that which does not average out; not a number where the coefficient is none.
    pub fn fixed_u(&self, k: usize) -> f64 {
        let is_told = self.of.get(k).is_some_and(|of| !of.is_nan());
        if is_told { quadratic(&self.fixed, &unit(k)).sqrt() } else { f64::NAN }
    }

    /// Where the line lies at `s` of its length from its middle, with the standard uncertainty of that:
    /// by the coefficients that are told, and their covariances.
    pub fn at(&self, s: f64) -> (f64, f64) {
        let weights = weights(s, &self.of);
        let told = weights.iter().zip(self.of).filter(|(weight, _)| **weight != 0.0);
        (told.map(|(weight, of)| weight * of).sum(), self.combined(&weights).0.sqrt())
    }

    /// Variance of that place, of what does not average out.
    pub fn fixed_at(&self, s: f64) -> f64 {
        quadratic(&self.fixed, &weights(s, &self.of))
    }

    /// Effective degrees of freedom of the coefficient that has fewest (Welch–Satterthwaite: ν·(u²/u_r²)²
    /// of one part that averages out and one that is beyond doubt; JCGM 100:2008 G.4.1).
    pub fn effective_degrees(&self) -> f64 {
        let each = (0..SHAPE).map(|k| self.combined(&unit(k)));
        let effective = each.map(|(all, random)| self.degrees * (all / random).powi(2));
        effective.fold(f64::INFINITY, f64::min)
    }

    /// Variance of a sum of coefficients with these weights, and the part of it that averages out.
    fn combined(&self, weights: &[f64; SHAPE]) -> (f64, f64) {
        let (random, fixed) = (quadratic(&self.random, weights), quadratic(&self.fixed, weights));
        (random + fixed, random)
    }
}

fn unit(k: usize) -> [f64; SHAPE] {
    std::array::from_fn(|i| f64::from(u8::from(i == k)))
}

/// wᵀ·M·w, where what has no weight does not count even if it is not a number.
fn quadratic(matrix: &Matrix, weights: &[f64; SHAPE]) -> f64 {
    let mut sum = 0.0;
    for (row, a) in matrix.iter().zip(weights) {
        for (value, b) in row.iter().zip(weights) {
            if *a != 0.0 && *b != 0.0 {
                sum += a * b * value;
            }
        }
    }
    sum
}

/// Readings of several facets, from facet `first` on, and how their lines were planned.
pub(super) struct Lines<'a> {
    all: &'a [Vec<TimedReading>],
    first: usize,
    pub(super) by: &'a LineTiming,
    pub(super) fit: Fit,
    pub(super) places: &'a [Mark],
    /// Share by which each line was drawn too fast.
    speeds: Vec<Vec<f64>>,
    /// Wild marks of each reading, one bit each.
    wild: Vec<Vec<u64>>,
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
        let means = FacetMean::of_facets(&all, 0, &LineTiming::untimed(length), [f64::NAN; 2])?;
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
    pub fn of_facets(
        all: &[Vec<TimedReading>],
        first: usize,
        by: &LineTiming,
        digits: [f64; 2],
    ) -> Result<Vec<FacetMean>, TrimError> {
        let (lines, [along, across]) = Lines::new(all, first, by, digits)?;
        let (along, across) = (lines.shapes::<Along>(along), lines.shapes::<Across>(across));
        let parts = along.into_iter().zip(across).zip(lines.shapes::<Dose>(f64::NAN));
        let means = parts.enumerate().map(|(facet, ((along, across), dose))| FacetMean {
            count: lines.kept(facet).count(),
            marks: lines.places.len(),
            rejected: lines.wild_marks(facet),
            fast: by.mean_error(lines.kept(facet).map(|(timed, _)| timed)),
            along,
            across,
            dose,
        });
        Ok(means.collect())
    }
}

impl<'a> Lines<'a> {
    /// With what is wild among them, and the digits of the gauge along and across.
    pub(super) fn new(
        all: &'a [Vec<TimedReading>],
        first: usize,
        by: &'a LineTiming,
        digits: [f64; 2],
    ) -> Result<(Lines<'a>, [f64; 2]), TrimError> {
        let places = checked(all)?;
        let wild = all.iter().map(|readings| vec![0; readings.len()]).collect();
        let speeds = by.speeds(all, first);
        let mut lines = Lines { all, first, by, fit: Fit::new(places), places, speeds, wild };
        let digits = wild::digits(all, Along::value, Across::value, digits);
        lines.find_wild(digits);
        Ok((lines, digits))
    }

    fn find_wild(&mut self, [along, across]: [f64; 2]) {
        let mut wild = std::mem::take(&mut self.wild);
        self.find_wild_in::<Along>(along, &mut wild);
        self.find_wild_in::<Across>(across, &mut wild);
        self.wild = wild;
    }

    fn find_wild_in<D: Direction>(&self, digit: f64, wild: &mut [Vec<u64>]) {
        let value =
            |facet: usize, number: usize, mark: &Mark| self.planned::<D>(facet, number, mark);
        wild::find(self.all, value, self.stated::<D>().random, digit, wild);
    }

    /// What a mark of a reading of a facet says, moved to where it would lie at the planned speed.
    fn planned<D: Direction>(&self, facet: usize, number: usize, mark: &Mark) -> f64 {
        let speed = self.speeds.get(facet).and_then(|speeds| speeds.get(number));
        let fast = D::SPEED * speed.copied().unwrap_or(0.0);
        D::value(mark) - fast * self.by.lever(self.first + facet, mark.at)
    }

    /// What the marks at a place of the first facet say that are not wild, each moved to the planned speed.
    pub(super) fn at_place<D: Direction>(&self, place: usize) -> Vec<f64> {
        let readings = own(self.all, 0).iter().zip(own(&self.wild, 0)).enumerate();
        let good = readings.filter(|(_, (_, wild))| *wild & (1 << place) == 0);
        let marks =
            good.filter_map(|(number, (timed, _))| Some((number, timed.reading.marks.get(place)?)));
        marks.map(|(number, mark)| self.planned::<D>(0, number, mark)).collect()
    }

    /// A mark that is wild along and across is one.
    fn wild_marks(&self, facet: usize) -> usize {
        own(&self.wild, facet).iter().map(|marks| marks.count_ones() as usize).sum()
    }

    pub(super) fn facets(&self) -> usize {
        self.all.len()
    }

    /// The readings of a facet that have no wild mark, with the share by which they were drawn too fast.
    pub(super) fn kept(&self, facet: usize) -> impl Iterator<Item = (&TimedReading, f64)> {
        let readings = own(self.all, facet).iter();
        let (speeds, wild) = (own(&self.speeds, facet), own(&self.wild, facet));
        let each = readings.zip(speeds).zip(wild).filter(|(_, wild)| **wild == 0);
        each.map(|((timed, speed), _)| (timed, *speed))
    }

    /// The statement of all readings: noise and error of each place as root mean square.
    pub(super) fn stated<D: Direction>(&self) -> Stated {
        let readings = || self.all.iter().flatten().map(|timed| D::stated(&timed.reading));
        let count = readings().count() as f64;
        let mean = |of: fn(Stated) -> f64| {
            (readings().map(|stated| of(stated) * of(stated)).sum::<f64>() / count).sqrt()
        };
        let (random, place) = (mean(|stated| stated.random), mean(|stated| stated.place));
        Stated { random, place, ..readings().next().unwrap_or_default() }
    }

    /// The shapes of all facets in one direction.
    fn shapes<D: Direction>(&self, digit: f64) -> Vec<Shape> {
        let facets = 0..self.facets();
        let (drawn, told): (Vec<Spread>, Vec<Spread>) =
            facets.map(|k| self.spreads::<D>(k)).unzip();
        let mut stated = self.stated::<D>();
        if self.noise::<D>(stated.random) < digit {
            let u = digit / 12_f64.sqrt();
            stated.place = stated.place.hypot(u);
            // The marks of a level line are rounded alike.
            stated.offset = stated.offset.hypot(u);
        }
        let fixed = self.fit.fixed(&stated, self.by.length);
        let noise = self.fit.covariance(stated.random);
        let (told_pool, drawn_pool) = (pool(&told), pool(&drawn));
        let misfits = self.misfits::<D>(&stated);
        let swing = (self.by.index_only && D::SPEED != 0.0).then(|| self.swing());
        let mut shapes: Vec<Shape> = Vec::with_capacity(told.len());
        let facets = told.iter().zip(told_pool).zip(drawn.iter().zip(drawn_pool)).zip(misfits);
        for (((told, (variance, degrees)), (drawn, (single, seen))), (misfit, misfit_u)) in facets {
            let n = told.count;
            let diagonal = || (0..SHAPE).filter_map(|k| variance.get(k)?.get(k).copied());
            // Readings that are all equal tell nothing where their digit is not known.
            let silent = digit.is_nan() && diagonal().all(|v| v.is_nan() || v == 0.0);
            let (single_noise, degrees) =
                if degrees == 0.0 || silent { (noise, f64::INFINITY) } else { (variance, degrees) };
            let at = |mark: &Mark| {
                let weights = weights(mark.at, &drawn.mean);
                match swing {
                    // Facets differ: the later one is, the farther an error of the speed moves it.
                    Some(swing) => {
                        let lever = self.by.lever(self.first + shapes.len(), mark.at);
                        quadratic(&variance, &weights) + swing * lever * lever
                    }
                    None => quadratic(&single, &weights),
                }
            };
            let scatter = self.places.iter().map(at).fold(f64::NAN, f64::max).sqrt();
            shapes.push(Shape {
                of: told.mean,
                random: single_noise.map(|row| row.map(|v| v / n)),
                fixed,
                degrees,
                digit,
                scatter,
                scatter_u: scatter / (2.0 * seen).sqrt(),
                misfit,
                misfit_u,
            });
        }
        shapes
    }

    /// Variance of the share by which single lines were drawn too fast, over all facets; not a number without
    /// repeats.
    fn swing(&self) -> f64 {
        let (mut squares, mut degrees) = (0.0, 0.0);
        for facet in 0..self.all.len() {
            let speeds = || self.kept(facet).map(|(_, speed)| speed);
            let n = speeds().count() as f64;
            let mean = speeds().sum::<f64>() / n;
            squares += speeds().map(|speed| (speed - mean).powi(2)).sum::<f64>();
            degrees += (n - 1.0).max(0.0);
        }
        squares / degrees
    }

    /// How the coefficients of a facet's readings scatter as they were drawn, and at the planned speed.
    fn spreads<D: Direction>(&self, facet: usize) -> (Spread, Spread) {
        let fit = |(timed, _): (&TimedReading, f64)| self.fit.of(&timed.reading.marks, D::value);
        let drawn: Vec<[f64; SHAPE]> = self.kept(facet).map(fit).collect();
        if D::SPEED == 0.0 || self.by.turn.is_nan() {
            let spread = Spread::of(&drawn);
            return (spread, spread);
        }
        let lever = self.fit.of(self.places, |mark| self.by.lever(self.first + facet, mark.at));
        let planned = self.kept(facet).zip(&drawn).map(|((_, fast), row)| {
            let at = |k: usize| row.get(k).zip(lever.get(k)).map(|(row, by)| row - fast * by);
            std::array::from_fn(|k| at(k).unwrap_or(f64::NAN))
        });
        (Spread::of(&drawn), Spread::of(&planned.collect::<Vec<_>>()))
    }

    /// Standard deviation of one mark from reading to reading, over all facets and marks; as stated where
    /// there are no repeats.
    fn noise<D: Direction>(&self, stated: f64) -> f64 {
        let (mut squares, mut degrees) = (0.0, 0.0);
        let mut marks = Vec::new();
        for facet in 0..self.all.len() {
            for place in 0..self.places.len() {
                marks.clear();
                let kept = self.kept(facet).filter_map(|(timed, _)| timed.reading.marks.get(place));
                marks.extend(kept.map(D::value));
                let mean = marks.iter().sum::<f64>() / marks.len() as f64;
                squares += marks.iter().map(|mark| (mark - mean).powi(2)).sum::<f64>();
                degrees += marks.len() as f64 - 1.0;
            }
        }
        if degrees > 0.0 { (squares / degrees).sqrt() } else { stated }
    }
}

/// What there is of one facet.
fn own<T>(all: &[Vec<T>], facet: usize) -> &[T] {
    all.get(facet).map_or(&[], Vec::as_slice)
}

/// Weight of each coefficient that is told in the place of a dot at `s` of the line.
fn weights(s: f64, told: &[f64; SHAPE]) -> [f64; SHAPE] {
    let told = |k: usize| told.get(k).is_some_and(|of| of.is_finite());
    std::array::from_fn(|k| if told(k) { legendre(k, 2.0 * s) } else { 0.0 })
}

/// The places of the marks, where all readings are of use and alike.
fn checked(all: &[Vec<TimedReading>]) -> Result<&[Mark], TrimError> {
    let places = all.first().and_then(|readings| readings.first()).ok_or(TrimError::NoReading)?;
    let places = &places.reading.marks;
    for timed in all.iter().flatten() {
        let reading = &timed.reading;
        if let Some(why) = unusable(reading) {
            return Err(TrimError::Unusable(why));
        }
        let alike = reading.marks.len() == places.len()
            && reading.marks.iter().zip(places).all(|(a, b)| a.at == b.at);
        if !alike {
            return Err(TrimError::Unusable("the marks of one line must lie at the same places"));
        }
    }
    if all.iter().any(Vec::is_empty) {
        return Err(TrimError::NoReading);
    }
    Ok(places)
}

/// Why a reading is of no use.
fn unusable(reading: &Reading) -> Option<&'static str> {
    let mark = |m: &Mark| m.at.is_finite() && m.in_scan.is_finite() && m.cross_scan.is_finite();
    let stated = |u: &Stated| {
        [u.random, u.offset, u.slope, u.place].iter().all(|u| u.is_finite() && *u >= 0.0)
    };
    let count = reading.marks.len();
    if !(1..=MAX_MARKS).contains(&count) {
        Some("a reading must have 1 to 64 marks")
    } else if !(reading.marks.iter().all(mark)
        && stated(&reading.in_scan_u)
        && stated(&reading.cross_scan_u))
    {
        Some("a reading must be finite, and its uncertainty not negative")
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::FacetMean;
    use crate::optics::TimedReading;
    use crate::optics::{LineTiming, Mark, Reading, combined};

    fn reading(in_scan: f64) -> Reading {
        Reading::whole((in_scan, 0.4e-6), (0.0, 0.4e-6))
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
        let mean = FacetMean::of_facets(&[readings.clone()], 3, &by, [f64::NAN; 2]).unwrap()[0];
        assert!((mean.along.of[0] - 5e-6).abs() < 1e-12, "{:?}", mean.along);
        assert!(mean.along.of[1].abs() < 1e-12 && (mean.fast - 10e-6).abs() < 1e-12);
        // Still, single lines are seen to scatter: by 40 ppm of 402 m/s times 1 ms at the end.
        assert!((mean.along.scatter - 40e-6 * velocity * 1e-3).abs() < 1e-9, "{:?}", mean.along);
        assert!(mean.along.u(0) < 1e-9);
        // A head that does not tell its turns.
        readings.iter_mut().for_each(|reading| reading.period = f64::NAN);
        let mean = FacetMean::of_facets(&[readings], 3, &by, [f64::NAN; 2]).unwrap()[0];
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
        let means = FacetMean::of_facets(&[lines(0), lines(1)], 0, &by, [f64::NAN; 2]).unwrap();
        assert!((means[0].along.of[0] - 5e-6).abs() < 0.02e-6, "{:?}", means[0].along.of);
        let last = FacetMean::of_facets(&[lines(9)], 9, &by, [f64::NAN; 2]).unwrap()[0];
        assert!((last.along.of[0] - 5e-6).abs() < 0.02e-6, "{:?}", last.along.of);
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
            FacetMean::of_facets(&all, 0, &LineTiming::untimed(0.3), digits).unwrap()[0].along.u(0)
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
        let means =
            FacetMean::of_facets(&all, 0, &LineTiming::untimed(0.3), [f64::NAN; 2]).unwrap();
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
        let (end, u) = mean.along.at(0.5);
        assert!((end - 0.125e-3 - 0.003_075e-3).abs() < 1e-12);
        // The fit of a cubic to five marks gives the last one a variance of 69/70 (the diagonal of its hat
        // matrix, by exact fractions).
        assert!((u - 0.4e-6 * (69.0_f64 / 70.0).sqrt()).abs() < 1e-12, "{u}");
    }
}
