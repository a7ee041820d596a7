//! The readings of several facets side by side: how fast each line was drawn, and which of its marks are wild.

use crate::optics::direction::{Across, Along, Direction};
use crate::optics::swing::{MAX_SOUGHT, Swing, Told, squares, told_apart};
use crate::optics::{LineTiming, MAX_MARKS, Mark, Reading, Stated, TimedReading, TrimError, wild};
use std::ops::Range;

/// Readings of several facets, from facet `first` on, and how their lines were planned. Each reading is a
/// row; those of one facet lie one behind the other.
pub(super) struct Readings<'a> {
    all: &'a [Vec<TimedReading>],
    pub(super) first: usize,
    pub(super) by: &'a LineTiming,
    pub(super) places: &'a [Mark],
    /// Where the rows of each facet begin, and behind the last.
    begins: Vec<usize>,
    /// Share by which each line was drawn too fast.
    speeds: Vec<f64>,
    /// Degrees of freedom that a swing of the speed took, if one was found.
    pub(super) taken: f64,
    /// Wild marks of each reading, one bit each.
    wild: Vec<u64>,
}

/// Degrees of freedom of a swing: two amplitudes and a frequency.
const OF_SWING: f64 = 3.0;

/// A swing is sought where lines scatter so many times as much as their noise makes them.
const SOUGHT_ABOVE: f64 = 3.0;

/// Chance by which a swing may be found where there is none.
const MAX_CHANCE: f64 = 1e-4;

impl<'a> Readings<'a> {
    /// With what is wild among them, and the digits of the gauge along and across.
    pub(super) fn new(
        all: &'a [Vec<TimedReading>],
        first: usize,
        by: &'a LineTiming,
        digits: [f64; 2],
    ) -> Result<(Readings<'a>, [f64; 2]), TrimError> {
        let places = checked(all)?;
        let mut begins = Vec::with_capacity(all.len() + 1);
        begins.push(0);
        begins.extend(all.iter().scan(0, |rows, readings| {
            *rows += readings.len();
            Some(*rows)
        }));
        let rows = begins.last().copied().unwrap_or(0);
        let speeds = by.speeds(all, first, &Swing::default());
        let (taken, wild) = (0.0, vec![0; rows]);
        let mut readings = Readings { all, first, by, places, begins, speeds, taken, wild };
        let (along, across) = (readings.column::<Along>(), readings.column::<Across>());
        let digits = wild::digits([&along, &across], digits);
        if rows > all.len() {
            let [along_digit, across_digit] = digits;
            readings.take_out_swing(&along, along_digit);
            readings.find_wild::<Along>(along, along_digit);
            readings.find_wild::<Across>(across, across_digit);
        }
        Ok((readings, digits))
    }

    /// Takes out a swing of the speed that the times of turns do not tell, where one is beyond chance: lines
    /// of a facet that was drawn faster are shifted and longer by one and the same share. What is left must be
    /// less than with the times of turns alone, by more than the best of so many frequencies makes of noise: the
    /// chance of one is (what is left)^((ν − 3)/2), as Fisher's distribution has it for two amplitudes (derived).
    /// Lines that all start with the index tell the speed since then, which differs from dot
    /// to dot, so nothing is taken out of them.
    fn take_out_swing(&mut self, column: &[f64], digit: f64) {
        let (rows, facets) = (self.speeds.len(), self.facets());
        let degrees = rows.saturating_sub(facets) as f64;
        if self.by.index_only || rows > MAX_SOUGHT || degrees <= OF_SWING {
            return;
        }
        let left = |drawn: &[Told], speeds: &[f64]| {
            let moved = drawn.iter().zip(speeds);
            let moved = moved.map(|(line, fast)| Told { share: line.share - fast, ..*line });
            squares(&moved.collect::<Vec<_>>())
        };
        // What noise makes of what a line tells; where there is no more, nothing is sought.
        let levers = self.levers(0).iter().map(|lever| lever * lever).sum::<f64>();
        let noise =
            self.stated::<Along>().random.hypot(if digit.is_finite() { digit } else { 0.0 });
        let sought_above = degrees * (SOUGHT_ABOVE * noise).powi(2) / levers;
        let by_squares = self.told(column, wild::fastness_by_squares);
        let told = by_squares.iter().all(|line| line.time.is_finite() && line.share.is_finite());
        if !told || left(&by_squares, &self.speeds) <= sought_above {
            return;
        }
        let drawn = self.told(column, wild::fastness);
        let before = left(&drawn, &self.speeds);
        if before.is_nan() || before <= sought_above {
            return;
        }
        let turn = self.by.turn;
        let swing = Swing::strongest(&drawn, turn);
        let speeds = self.by.speeds(self.all, self.first, &swing);
        let share = left(&drawn, &speeds) / before;
        let chance = libm::pow(share, (degrees - OF_SWING) / 2.0) * told_apart(&drawn, turn);
        if chance < MAX_CHANCE {
            (self.speeds, self.taken) = (speeds, OF_SWING);
        }
    }

    /// What each line tells of its speed against the first of its facet, by marks as they were drawn.
    fn told(&self, column: &[f64], fastness: impl Fn(&[f64], &[f64]) -> f64) -> Vec<Told> {
        let mut told = Vec::with_capacity(self.speeds.len());
        let mut off = Vec::new();
        let marks = self.places.len();
        for (facet, readings) in self.all.iter().enumerate() {
            let levers = self.levers(facet);
            let own = column.get(self.span(self.rows(facet).start).start..).unwrap_or_default();
            let (first, _) = own.split_at_checked(marks).unwrap_or_default();
            for (timed, row) in readings.iter().zip(own.chunks(marks)) {
                off.clear();
                off.extend(row.iter().zip(first).map(|(mark, first)| mark - first));
                let time = self.by.counts(self.first + facet, timed.time);
                told.push(Told { facet, time, share: fastness(&off, &levers) });
            }
        }
        told
    }

    fn find_wild<D: Direction>(&mut self, mut column: Vec<f64>, digit: f64) {
        let mut levers = Vec::new();
        if D::SPEED != 0.0 {
            self.to_planned_speed(&mut column);
            levers.extend((0..self.facets()).map(|facet| self.levers(facet)));
        }
        let marks = self.places.len();
        let facets = self.begins.windows(2).filter_map(|rows| match rows {
            [from, to] => column.get(from * marks..to * marks),
            _ => None,
        });
        let stated = self.stated::<D>().random;
        let facets = facets.collect::<Vec<_>>();
        wild::find(&facets, marks, stated, digit, &levers, &mut self.wild);
    }

    /// How far each mark of a facet's line lies too far per share by which it was drawn too fast, in m.
    pub(super) fn levers(&self, facet: usize) -> Vec<f64> {
        self.places.iter().map(|mark| self.by.lever(self.first + facet, mark.at)).collect()
    }

    /// What all marks say, row by row.
    pub(super) fn column<D: Direction>(&self) -> Vec<f64> {
        let mut column = Vec::with_capacity(self.speeds.len() * self.places.len());
        for timed in self.all.iter().flatten() {
            column.extend(timed.reading.marks.iter().map(D::value));
        }
        column
    }

    /// Moves what marks say along the line to where they would lie at the planned speed.
    fn to_planned_speed(&self, column: &mut [f64]) {
        for facet in 0..self.facets() {
            let levers = self.levers(facet);
            for row in self.rows(facet) {
                let fast = self.speed(row);
                let marks = column.get_mut(self.span(row)).unwrap_or_default();
                marks.iter_mut().zip(&levers).for_each(|(mark, lever)| *mark -= fast * lever);
            }
        }
    }

    /// What the marks at each place say that are not wild, each moved to the planned speed.
    pub(super) fn at_places<D: Direction>(&self) -> Vec<Vec<f64>> {
        let mut column = self.column::<D>();
        if D::SPEED != 0.0 {
            self.to_planned_speed(&mut column);
        }
        let rows = || column.chunks(self.places.len()).zip(&self.wild);
        let good = |place: usize| {
            let good = rows().filter(move |(_, wild)| *wild & (1 << place) == 0);
            good.filter_map(move |(marks, _)| marks.get(place).copied()).collect()
        };
        (0..self.places.len()).map(good).collect()
    }

    /// A mark that is wild along and across is one.
    pub(super) fn wild_marks(&self, facet: usize) -> usize {
        let wild = self.wild.get(self.rows(facet)).unwrap_or_default();
        wild.iter().map(|marks| marks.count_ones() as usize).sum()
    }

    pub(super) fn left_out(&self, facet: usize) -> usize {
        self.rows(facet).len() - self.kept(facet).count()
    }

    pub(super) fn facets(&self) -> usize {
        self.all.len()
    }

    /// The rows of a facet.
    fn rows(&self, facet: usize) -> Range<usize> {
        let begins = |facet: usize| self.begins.get(facet).copied().unwrap_or(0);
        begins(facet)..begins(facet + 1)
    }

    /// The rows of a facet that have no wild mark.
    pub(super) fn kept(&self, facet: usize) -> impl Iterator<Item = usize> {
        self.rows(facet).filter(|row| self.wild.get(*row) == Some(&0))
    }

    /// Where the marks of a row lie in a column.
    pub(super) fn span(&self, row: usize) -> Range<usize> {
        let marks = self.places.len();
        row * marks..(row + 1) * marks
    }

    /// Share by which the line of a row was drawn too fast.
    pub(super) fn speed(&self, row: usize) -> f64 {
        self.speeds.get(row).copied().unwrap_or(0.0)
    }

    /// Mean share by which the turns of a facet's lines were faster than planned; not a number where no time
    /// is known.
    pub(super) fn mean_error(&self, facet: usize) -> f64 {
        let all = self.all.get(facet).map_or(&[][..], Vec::as_slice);
        let rows = all.iter().zip(self.rows(facet));
        let kept = rows.filter(|(_, row)| self.wild.get(*row) == Some(&0));
        self.by.mean_error(kept.map(|(timed, _)| timed))
    }

    /// The statement of all readings: noise and error of each place as root mean square.
    pub(super) fn stated<D: Direction>(&self) -> Stated {
        let (mut random, mut place, mut last) = (0.0, 0.0, Stated::default());
        for timed in self.all.iter().flatten() {
            last = D::stated(&timed.reading);
            random += last.random * last.random;
            place += last.place * last.place;
        }
        let mean = |squares: f64| (squares / self.speeds.len() as f64).sqrt();
        Stated { random: mean(random), place: mean(place), ..last }
    }
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
