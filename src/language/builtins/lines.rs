//! Exposing and measuring lines: test lines of one facet, or of all of them in passes of random order, and
//! maps.

use crate::builtins::bound::MAX_RETRIES;
use crate::builtins::records::{field, reference, rows};
use crate::builtins::refusal::{FACET, READINGS};
use crate::builtins::signature::{Arguments, Context, Trouble};
use crate::builtins::testing::fits_the_head;
use crate::program::value::{Datum, Value};
use crate::station::{SheetOrder, StationError};
use crate::statistics::order;
use spintrue_head::{
    Calls, Description, FacetMean, Fault, LineCorrection, LineOrder, LineTiming, MAX_DEGREES,
    MapMark, Pattern, Reading, Shape, StartOfScan, TimedReading, Trim, TrimError,
};
use std::f64::consts::TAU;
use std::ops::Range;

/// A facet that the polygon has.
pub(super) fn existing_facet(context: &Context<'_>, facet: f64) -> Result<u32, Trouble> {
    FACET.check(context.station.description(), facet)?;
    Ok(facet as u32)
}

pub(super) fn test_line(
    context: &mut Context<'_>,
    arguments: Arguments<'_>,
) -> Result<Datum, Trouble> {
    let facet = existing_facet(context, arguments.number(0))?;
    // A list of one record is laid out as that record.
    measured(context, facet..facet + 1, arguments.get(1), arguments.optional(2))
}

pub(super) fn test_lines(
    context: &mut Context<'_>,
    arguments: Arguments<'_>,
) -> Result<Datum, Trouble> {
    let facets = context.station.description().facets;
    measured(context, 0..facets, arguments.get(0), arguments.optional(1))
}

/// Measures these facets; a list of one line record each.
fn measured(
    context: &mut Context<'_>,
    facets: Range<u32>,
    plan: Option<&Datum>,
    readings: Option<f64>,
) -> Result<Datum, Trouble> {
    let order = Order::new(context, plan, readings, Pattern::TestMarks)?;
    let trims = context.station.read_trims_in_force()?.unwrap_or_default().to_vec();
    let first = facets.start;
    let mut fit = std::mem::take(&mut context.station.fit);
    let means = order.taken(
        context,
        facets,
        |all, timing, digits| {
            let means = FacetMean::of_facets(all, first as usize, timing, digits, &mut fit)?;
            let digits = means.first().map(|mean| [mean.along.digit, mean.across.digit]);
            Ok((means, digits))
        },
        |mean| mean.count,
    )?;
    context.station.fit = fit;
    Ok(line_records(first, &means, &trims))
}

/// A line record of each facet from the first on; `trims` are those of all facets, or none that are known.
fn line_records(first: u32, means: &[FacetMean], trims: &[Trim]) -> Datum {
    let unknown =
        Trim { in_scan: f64::NAN, cross_scan: f64::NAN, power: f64::NAN, length: f64::NAN };
    let trim = |facet: u32| trims.get(facet as usize).copied().unwrap_or(unknown);
    let lines = (first..).zip(means).map(|(facet, mean)| line_fields(facet, mean, trim(facet)));
    rows("line", lines)
}

/// What a sheet tells of every facet that was exposed by a plan with these trims; its lines as records.
pub(super) fn lines_of_sheet(
    context: &mut Context<'_>,
    plan: &[f64],
    readings: Vec<Reading>,
    trims: &[Trim],
) -> Result<Datum, Trouble> {
    let timing = line_timing(context.station.description(), plan);
    let (all, fit) = (untimed(readings), &mut context.station.fit);
    let means = FacetMean::of_facets(&all, 0, &timing, [f64::NAN; 2], fit).map_err(unusable)?;
    Ok(line_records(0, &means, trims))
}

/// Readings of a sheet, one of each facet: it does not tell when which line was drawn.
fn untimed(readings: Vec<Reading>) -> Vec<Vec<TimedReading>> {
    let untimed = |reading| vec![TimedReading { reading, time: f64::NAN, period: f64::NAN }];
    readings.into_iter().map(untimed).collect()
}

/// How the lines of a plan follow each other.
fn line_timing(head: &Description, plan: &[f64]) -> LineTiming {
    LineTiming {
        turn: TAU / field!("plan", plan, "speed"),
        velocity: field!("plan", plan, "spot_velocity"),
        delay: field!("plan", plan, "pre_scan_delay"),
        line_period: field!("plan", plan, "line_period"),
        index_only: head.start_of_scan == StartOfScan::IndexOnly,
        length: field!("plan", plan, "length"),
    }
}

pub(super) fn line_map(
    context: &mut Context<'_>,
    arguments: Arguments<'_>,
) -> Result<Datum, Trouble> {
    let facet = existing_facet(context, arguments.number(0))?;
    let places = arguments.words(2);
    let map = context.station.description().check_map(places);
    map.map_err(|fault| Trouble::Value(fault.to_string()))?;
    let pattern = Pattern::Map(places.to_vec());
    let order = Order::new(context, arguments.get(1), arguments.optional(3), pattern)?;
    let dot = 1.0 / f64::from(order.line.dots);
    let map = order.taken(
        context,
        facet..facet + 1,
        |all, timing, digits| {
            let (marks, digits) = MapMark::of(all, facet as usize, timing, digits)?;
            let asked =
                marks.iter().zip(places).all(|(mark, place)| (mark.at - place).abs() <= dot);
            if marks.len() != places.len() || !asked {
                return Err(TrimError::Unusable(
                    "the marks of a map must be read where they are asked for",
                ));
            }
            Ok((vec![marks], Some(digits)))
        },
        |marks| marks.iter().map(|mark| mark.count).min().unwrap_or(0),
    )?;
    Ok(rows("mark", map.iter().flatten().map(mark_fields)))
}

fn mark_fields(mark: &MapMark) -> impl AsRef<[(&'static str, f64)]> + use<> {
    let MapMark { at, along, across, dose, width, .. } = mark;
    [
        ("cross_scan", across.of),
        ("cross_scan_u", across.u),
        ("degrees", along.degrees.min(across.degrees).min(MAX_DEGREES)),
        ("dose", dose.of),
        ("dose_degrees", dose.degrees.min(MAX_DEGREES)),
        ("dose_u", dose.u),
        ("in_scan", along.of),
        ("in_scan_u", along.u),
        ("place", *at),
        ("readings", mark.count as f64),
        ("rejected", mark.rejected as f64),
        ("width", width.of),
        ("width_u", width.u),
    ]
}

/// What is drawn and read, and how often.
struct Order {
    readings: usize,
    line: LineOrder,
    timing: LineTiming,
    /// From line to line of a page in m.
    pitch: f64,
    random: RandomOrder,
}

/// For each facet what its readings tell; and the digits of the gauge.
type Judged<M> = (Vec<M>, Option<[f64; 2]>);

impl Order {
    fn new(
        context: &mut Context<'_>,
        plan: Option<&Datum>,
        readings: Option<f64>,
        pattern: Pattern,
    ) -> Result<Order, Trouble> {
        let readings = readings.unwrap_or(1.0);
        READINGS.check(context.station.description(), readings)?;
        let words = plan.map_or(&[][..], Datum::words);
        let random = RandomOrder(fits_the_head(context, plan)?.time.to_bits());
        let line = LineOrder {
            facet: 0,
            dots: field!("plan", words, "dots") as u32,
            dot_period: field!("plan", words, "dot_period"),
            delay: field!("plan", words, "pre_scan_delay"),
            pattern,
            correction: correction(plan),
        };
        let timing = line_timing(context.station.description(), words);
        let pitch = field!("plan", words, "cross_scan_pitch");
        Ok(Order { readings: readings as usize, line, timing, pitch, random })
    }

    /// Has these facets drawn and read, and judged by `judge`; `count` says how many readings were of use.
    ///
    /// Each pass reads every facet once, in a new random order, so that what drifts or swings slowly does not
    /// lie on the same facets. The order follows from the head time at the start, so a run on a simulated head
    /// comes out the same again. A reading that is of no use for its wild marks is taken again.
    fn taken<M>(
        self,
        context: &mut Context<'_>,
        facets: Range<u32>,
        mut judge: impl FnMut(
            &[Vec<TimedReading>],
            &LineTiming,
            [f64; 2],
        ) -> Result<Judged<M>, TrimError>,
        count: impl Fn(&M) -> usize,
    ) -> Result<Vec<M>, Trouble> {
        if context.station.measures_by_sheets() {
            let all = self.of_sheet(context, facets)?;
            let (told, _) = judge(&all, &self.timing, [f64::NAN; 2]).map_err(unusable)?;
            return Ok(told);
        }
        let Order { readings, line, timing, mut random, .. } = self;
        let first = facets.start;
        let mut lines: Vec<LineOrder> =
            facets.map(|facet| LineOrder { facet, ..line.clone() }).collect();
        let mut all: Vec<Vec<TimedReading>> =
            lines.iter().map(|_| Vec::with_capacity(readings)).collect();
        let mut missing = vec![readings; lines.len()];
        let before = context.station.gauge_digits;
        loop {
            while missing.iter().any(|missing| *missing > 0) {
                random.shuffle(&mut lines);
                for line in &lines {
                    let facet = (line.facet - first) as usize;
                    let (Some(all), Some(missing)) = (all.get_mut(facet), missing.get_mut(facet))
                    else {
                        continue;
                    };
                    if *missing > 0 {
                        all.push(reading(context, line)?);
                        *missing -= 1;
                    }
                }
            }
            let (told, digits) = judge(&all, &timing, before).map_err(unusable)?;
            for ((missing, told), all) in missing.iter_mut().zip(&told).zip(&all) {
                if all.len() < readings + MAX_RETRIES as usize {
                    *missing = readings.saturating_sub(count(told));
                }
            }
            if missing.iter().all(|missing| *missing == 0) {
                if told.iter().any(|told| count(told) == 0) {
                    return Err(unusable(TrimError::AllWild));
                }
                context.station.gauge_digits = digits.unwrap_or(before);
                return Ok(told);
            }
        }
    }
}

impl Order {
    /// What a sheet tells of these facets. It holds many lines of each, so that it counts as one reading, with
    /// the uncertainty that it states.
    fn of_sheet(
        &self,
        context: &mut Context<'_>,
        facets: Range<u32>,
    ) -> Result<Vec<Vec<TimedReading>>, Trouble> {
        if self.line.pattern.places().is_some() {
            let why = "a sheet has its marks at places of its own: it tells test lines, and no map";
            return Err(Trouble::Unusable(why.to_string()));
        }
        let trims = context.station.read_trims_in_force()?.unwrap_or_default().to_vec();
        let order = SheetOrder {
            number: 0,
            time: context.station.now(),
            line: &self.line,
            speed: TAU / self.timing.turn,
            power: 0.0,
            length: self.timing.length,
            pitch: self.pitch,
            trims: &trims,
        };
        Ok(untimed(context.station.sheet_readings(&order, facets)?))
    }
}

/// How a corrected plan has its lines drawn.
pub(super) fn correction(plan: Option<&Datum>) -> Option<LineCorrection> {
    let words = plan.map_or(&[][..], Datum::words);
    (field!("plan", words, "corrected") == 1.0).then(|| LineCorrection {
        length: field!("plan", words, "length"),
        linearity: reference("plan", plan, "linearity").map_or(&[][..], Value::as_words).to_vec(),
    })
}

/// What the gauge reads is of no use; nothing is wrong with the script.
fn unusable(error: TrimError) -> Trouble {
    Trouble::Unusable(error.to_string())
}

/// A source of random orders (SplitMix64).
struct RandomOrder(u64);

impl RandomOrder {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let word = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let word = (word ^ (word >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        word ^ (word >> 31)
    }

    /// Every order is as likely as any other (Fisher and Yates).
    fn shuffle<T>(&mut self, items: &mut [T]) {
        for last in (1..items.len()).rev() {
            let other = self.next() % (last as u64 + 1);
            items.swap(last, other as usize);
        }
    }
}

/// One exposed and measured line.
fn reading(context: &mut Context<'_>, order: &LineOrder) -> Result<TimedReading, Trouble> {
    let mut tries = 0;
    loop {
        let exposed = context.station.expose(order)?;
        if exposed.underrun {
            return Err(StationError::Fault(Fault::Underrun).into());
        }
        match context.station.measure() {
            Err(StationError::Fault(Fault::LostReading)) if tries < MAX_RETRIES => tries += 1,
            other => {
                let (time, period) = (exposed.time, exposed.period);
                return Ok(TimedReading { reading: other?, time, period });
            }
        }
    }
}

/// Places along a line, from its start to its end, at which its dose is compared.
const DOSE_PLACES: [f64; 5] = [-0.5, -0.25, 0.0, 0.25, 0.5];

/// Largest less smallest of a shape along the line, with the standard uncertainty of that; not numbers where one mark or
/// none tells of it.
fn range(shape: &Shape) -> (f64, f64) {
    // One mark is the same everywhere.
    let [_, slope, ..] = shape.of;
    if slope.is_nan() {
        return (f64::NAN, f64::NAN);
    }
    order::range(&DOSE_PLACES.map(|s| (shape.place(s), shape.variances(s).0.sqrt())))
}

/// What marks tell of a line; what they cannot tell is not a number.
fn line_fields(
    facet: u32,
    mean: &FacetMean,
    trim: Trim,
) -> impl AsRef<[(&'static str, f64)]> + use<> {
    let FacetMean { along, across, dose, .. } = mean;
    let of = |all: &[f64], k: usize| all.get(k).copied().unwrap_or(f64::NAN);
    let fixed = Shape::fixed_u;
    let degrees = along.effective_degrees().min(across.effective_degrees()).min(MAX_DEGREES);
    // The uncertainty of each end, and of the better one what does not average out.
    let ends = |shape: &Shape| {
        let [start, end] = shape.ends();
        ([start.0, end.0], [start.1, end.1, start.2.min(end.2)].map(f64::sqrt))
    };
    let ([start, end], [start_u, end_u, ends_fixed_u]) = ends(along);
    let ([start_across, end_across], [start_across_u, end_across_u, ends_across_fixed_u]) =
        ends(across);
    let dose_range = range(dose);
    // P1 in 2s runs from -1 at the start to 1 at the end.
    [
        ("bow", of(&across.of, 2)),
        ("bow_fixed_u", fixed(across, 2)),
        ("bow_u", across.u(2)),
        ("cross_scan", of(&across.of, 0)),
        ("cross_scan_digit", across.digit),
        ("cross_scan_end", end_across),
        ("cross_scan_end_u", end_across_u),
        ("cross_scan_ends_fixed_u", ends_across_fixed_u),
        ("cross_scan_fixed_u", fixed(across, 0)),
        ("cross_scan_scatter", across.scatter),
        ("cross_scan_scatter_u", across.scatter_u),
        ("cross_scan_start", start_across),
        ("cross_scan_start_u", start_across_u),
        ("cross_scan_trim", trim.cross_scan),
        ("cross_scan_u", across.u(0)),
        ("degrees", degrees),
        ("dose", of(&dose.of, 0)),
        ("dose_degrees", dose.effective_degrees().min(MAX_DEGREES)),
        ("dose_fixed_u", fixed(dose, 0)),
        ("dose_range", dose_range.0),
        ("dose_range_u", dose_range.1),
        ("dose_u", dose.u(0)),
        ("even", of(&along.of, 2)),
        ("even_fixed_u", fixed(along, 2)),
        ("even_u", along.u(2)),
        ("facet", f64::from(facet)),
        ("in_scan", of(&along.of, 0)),
        ("in_scan_digit", along.digit),
        ("in_scan_end", end),
        ("in_scan_end_u", end_u),
        ("in_scan_ends_fixed_u", ends_fixed_u),
        ("in_scan_fixed_u", fixed(along, 0)),
        ("in_scan_scatter", along.scatter),
        ("in_scan_scatter_u", along.scatter_u),
        ("in_scan_start", start),
        ("in_scan_start_u", start_u),
        ("in_scan_trim", trim.in_scan),
        ("in_scan_u", along.u(0)),
        ("left_out", mean.left_out as f64),
        ("length_error", 2.0 * of(&along.of, 1)),
        ("length_error_fixed_u", 2.0 * fixed(along, 1)),
        ("length_error_u", 2.0 * along.u(1)),
        ("length_trim", trim.length),
        ("marks", mean.marks as f64),
        ("misfit_across", across.misfit),
        ("misfit_across_u", across.misfit_u),
        ("misfit_along", along.misfit),
        ("misfit_along_u", along.misfit_u),
        ("odd", of(&along.of, 3)),
        ("odd_fixed_u", fixed(along, 3)),
        ("odd_u", along.u(3)),
        ("power_trim", trim.power),
        ("readings", mean.count as f64),
        ("rejected", mean.rejected as f64),
        ("skew", 2.0 * of(&across.of, 1)),
        ("skew_fixed_u", 2.0 * fixed(across, 1)),
        ("skew_u", 2.0 * across.u(1)),
        ("speed_error", mean.fast),
    ]
}
