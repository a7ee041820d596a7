//! Proving what trims do to lines: the pattern of steps to be loaded, and what is concluded from lines drawn
//! with it.

use crate::builtins::bound;
use crate::builtins::records::{column, datum, field, made, named, width};
use crate::builtins::signature::{Arguments, Builtin, Context, Trouble, pure, wrong};
use crate::builtins::trims::trims_list;
use crate::program::value::{Datum, Object, Value};
use spintrue_head::{
    Dimension, Gain, Register, Response, Steps, Trim, largest_step, show_quantity, step_patterns,
};

/// How far in m a step moves a line at most, where nothing is said.
const USUAL_SHIFT: f64 = 20e-6;

/// The built-ins that belong to the trims.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        pure("step_pattern", step_pattern).with_result(bound::per_facet),
        pure("trim_response", trim_response),
    ]
}

/// How far in m a line moves per s of its in-scan trim and per rad of its cross-scan trim.
fn per_trim(plan: &[f64]) -> (f64, f64) {
    (field!("plan", plan, "spot_velocity"), 2.0 * field!("plan", plan, "focal_length"))
}

fn step_pattern(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let (along, across) = per_trim(arguments.words(0));
    let shift = arguments.optional(1).unwrap_or(USUAL_SHIFT);
    if !(shift.is_finite() && shift > 0.0) {
        let shift = show_quantity(shift, Dimension::LENGTH, None, None);
        return wrong(format!("lines must be moved by more than nothing, not by {shift}"));
    }
    let head = context.station.description();
    let held = |pattern: Vec<f64>, register: Register, per_trim: f64| {
        let most = largest_step(register, per_trim, shift).min(register.range);
        // What lies within the range is held.
        let hold = move |share: f64| register.hold(share * most).unwrap_or(0.0);
        pattern.into_iter().map(hold)
    };
    let patterns = step_patterns(head.facets);
    let in_scan = held(patterns.0, head.in_scan_trim, along);
    let cross_scan = held(patterns.1, head.cross_scan_trim, across);
    let trims = in_scan.zip(cross_scan);
    let trims = trims.map(|(in_scan, cross_scan)| Trim { in_scan, cross_scan, ..Trim::default() });
    Ok(trims_list(&trims.collect::<Vec<Trim>>()))
}

/// The mean of a facet's lines in one direction: its shift in m, the square of the standard uncertainty that
/// averages out, and by how much in m their trims move them.
struct Mean {
    shift: f64,
    variance: f64,
    moved: f64,
}

fn mean(lines: &[&[f64]], axis: &Axis, plan: &[f64]) -> Mean {
    let count = lines.len() as f64;
    let average =
        |of: &dyn Fn(&[f64]) -> f64| lines.iter().map(|line| of(line)).sum::<f64>() / count;
    let random = |line: &[f64]| {
        let (u, fixed) = (named("line", line, axis.u), named("line", line, axis.fixed_u));
        // Where all of it is fixed, a part of it may still differ between two looks.
        let random = u * u - fixed * fixed;
        if random > 0.0 { random } else { u * u }
    };
    Mean {
        shift: average(&|line| named("line", line, axis.shift)),
        variance: average(&random) / count,
        moved: average(&|line| (axis.moved)(line, plan)),
    }
}

/// Fields of a line in one direction.
struct Axis {
    shift: &'static str,
    u: &'static str,
    fixed_u: &'static str,
    /// By how much in m the trims of a line move it, for a plan.
    moved: fn(&[f64], &[f64]) -> f64,
}

const IN_SCAN: Axis = Axis {
    shift: "in_scan",
    u: "in_scan_u",
    fixed_u: "in_scan_fixed_u",
    // The dot clock stretches a line about its first dot, so the middle goes by half of what the length gains.
    moved: |line, plan| {
        let length = field!("plan", plan, "length");
        let gained = length * (field!("line", line, "length_trim").recip() - 1.0);
        per_trim(plan).0 * field!("line", line, "in_scan_trim") + gained / 2.0
    },
};

const CROSS_SCAN: Axis = Axis {
    shift: "cross_scan",
    u: "cross_scan_u",
    fixed_u: "cross_scan_fixed_u",
    moved: |line, plan| per_trim(plan).1 * field!("line", line, "cross_scan_trim"),
};

fn trim_response(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let plan = arguments.words(2);
    let facets = context.station.description().facets;
    let width = width("line");
    let of_facet = |index: usize, facet: u32| {
        let lines = arguments.words(index);
        let all = lines.chunks(width).zip(column("line", lines, "facet"));
        let own = all.filter(|(_, of)| *of == f64::from(facet)).map(|(line, _)| line);
        let own: Vec<&[f64]> = own.collect();
        if own.is_empty() {
            let message = format!("there is no line of facet {facet} to conclude from");
            return Err(Trouble::Value(message));
        }
        Ok(own)
    };
    let (mut in_scan, mut cross_scan) = (Steps::default(), Steps::default());
    for facet in 0..facets {
        let (before, stepped) = (of_facet(0, facet)?, of_facet(1, facet)?);
        for (steps, axis) in [(&mut in_scan, IN_SCAN), (&mut cross_scan, CROSS_SCAN)] {
            let (before, stepped) = (mean(&before, &axis, plan), mean(&stepped, &axis, plan));
            steps.ordered.push(stepped.moved - before.moved);
            steps.seen.push(stepped.shift - before.shift);
            steps.u.push((before.variance + stepped.variance).sqrt());
        }
    }
    let Some(response) = Response::of(&in_scan, &cross_scan) else {
        return wrong("these lines do not tell: they need numbers, and uncertainties above zero");
    };
    Ok(datum(response_record(&response)))
}

fn response_record(response: &Response) -> Object {
    let Response { wiring, in_scan, cross_scan, .. } = response;
    let trouble = response.trouble().unwrap_or_default();
    let number = Datum::Number;
    // What is not known at all is no number.
    let told =
        |gain: &Gain| if gain.u.is_finite() { (gain.of, gain.u) } else { (f64::NAN, f64::NAN) };
    let (along, across) = (told(in_scan), told(cross_scan));
    made(
        "response",
        &[
            ("axes_swapped", Datum::Flag(wiring.is_swapped)),
            ("cannot_tell", Datum::Flag(response.cannot_tell())),
            ("confidence", number(response.confidence)),
            ("cross_scan_gain", number(across.0)),
            ("cross_scan_gain_u", number(across.1)),
            ("facets_reversed", Datum::Flag(wiring.is_reversed)),
            ("first_facet", number(f64::from(wiring.first))),
            ("in_scan_gain", number(along.0)),
            ("in_scan_gain_u", number(along.1)),
            ("misfit", number(response.misfit)),
            ("trouble", Datum::Value(Value::text(&trouble))),
        ],
    )
}
