//! The pulse pattern: where facets are off even division, what it is made of, and whose it is.

use crate::builtins::bound;
use crate::builtins::bound::{CallFacts, Refused};
use crate::builtins::records::{datum, field, listed, made, width};
use crate::builtins::refusal::known;
use crate::builtins::signature::{Arguments, Builtin, Context, Trouble, pure, wrong};
use crate::program::value::{Datum, Object, Value};
use crate::statistics::pattern::{
    Match, Pulsed, division_and_ripple, pattern_match, pulse_pattern, relative_lengths,
};
use spintrue_head::PulseAngle;

/// Why there are no relative lengths.
const NO_ENDS: &str = "no turn has end-of-scan pulses: relative lengths need that detector";

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        pure("pulse_pattern", pattern).with_result(bound::per_facet),
        pure("division_and_ripple", parted).with_result(bound::per_facet).refusing(speeds_refused),
        pure("pattern_match", matched),
        pure("relative_lengths", lengths).with_result(bound::per_facet).refusing(lengths_refused),
    ]
}

fn facets(context: &Context<'_>) -> usize {
    context.station.description().facets as usize
}

/// The turns of an argument whose times were told; fails where there is none.
fn pulsed(turns: Option<&Datum>) -> Result<Vec<Pulsed<'_>>, Trouble> {
    let Some(Datum::Value(turns)) = turns else { return Ok(Vec::new()) };
    let times = turns.as_refs().chunks_exact(2).map(|pair| match pair {
        [ends, pulses] => (ends.as_words(), pulses.as_words()),
        _ => (&[][..], &[][..]),
    });
    let told = turns.as_words().chunks(width("turn")).zip(times).filter_map(|(turn, times)| {
        let (ends, pulses) = times;
        let counted = field!("turn", turn, "start_of_scan");
        let period = field!("turn", turn, "period");
        // Pulses that were counted without their times.
        (counted == pulses.len() as f64).then_some(Pulsed { period, pulses, ends })
    });
    let told: Vec<Pulsed<'_>> = told.collect();
    if told.is_empty() {
        return wrong("no turn has the times of its pulses: this head only counts them");
    }
    Ok(told)
}

fn pattern(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let turns = pulsed(arguments.get(0))?;
    let pattern = pulse_pattern(&turns, facets(context));
    let number = Datum::Number;
    let facets = pattern.iter().zip(0_u32..).map(|(pulses, k)| {
        [
            ("angle", number(pulses.angle)),
            ("angle_u", number(pulses.u)),
            ("doubled", number(f64::from(pulses.doubled))),
            ("facet", number(f64::from(k))),
            ("missed", number(f64::from(pulses.missed))),
        ]
    });
    Ok(listed("facet_pulses", facets))
}

/// The records of a pattern that the head keeps; what it has missed is not kept.
pub(super) fn pattern_records(pattern: &[PulseAngle]) -> Datum {
    let facets = pattern.iter().zip(0_u32..).map(|(pulse, k)| {
        [("angle", pulse.angle), ("angle_u", pulse.u), ("facet", f64::from(k))]
            .map(|(name, value)| (name, Datum::Number(value)))
    });
    listed("facet_pulses", facets)
}

/// The angles of a pattern.
pub(super) fn angles(pattern: &[f64]) -> Vec<PulseAngle> {
    let of = |pulses: &[f64]| PulseAngle {
        angle: field!("facet_pulses", pulses, "angle"),
        u: field!("facet_pulses", pulses, "angle_u"),
    };
    pattern.chunks(width("facet_pulses")).map(of).collect()
}

/// Why patterns of these speeds do not tell division from ripple.
fn bad_speeds(speeds: &[f64]) -> Option<&'static str> {
    if !speeds.iter().all(|speed| *speed > 0.0) {
        return Some("a pattern is one of a polygon that turns: every speed is above zero");
    }
    let alike = speeds.iter().all(|speed| speeds.first().is_some_and(|first| speed / first == 1.0));
    alike.then_some(
        "division and ripple cannot be told apart at one speed: take a pattern at another one, \
         or while the polygon coasts",
    )
}

fn speeds_refused(asked: &CallFacts<'_>) -> Option<Refused> {
    known(asked, 1, |speeds| bad_speeds(speeds.words()).map(str::to_string))
}

fn parted(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let lists = match arguments.get(0) {
        Some(Datum::Value(lists)) => lists.as_refs(),
        _ => &[],
    };
    let speeds = arguments.words(1);
    if lists.len() != speeds.len() {
        let (patterns, speeds) = (lists.len(), speeds.len());
        return wrong(format!("each pattern needs its speed: there are {patterns} and {speeds}"));
    }
    let patterns: Vec<_> = lists.iter().map(Value::as_words).map(angles).collect();
    let count = facets(context);
    if let Some(short) = patterns.iter().find(|pattern| pattern.len() != count) {
        return wrong(format!("a pattern has {} facets instead of {count}", short.len()));
    }
    if let Some(why) = bad_speeds(speeds) {
        return wrong(why);
    }
    let number = Datum::Number;
    let facets = (0..count).map(|k| {
        let points = patterns.iter().zip(speeds).filter_map(|(pattern, speed)| {
            let PulseAngle { angle, u } = pattern.get(k)?;
            (angle.is_finite() && *u > 0.0).then_some((*speed, *angle, *u))
        });
        let ((division, division_u), (ripple, ripple_u)) =
            division_and_ripple(&points.collect::<Vec<_>>());
        [
            ("division", number(division)),
            ("division_u", number(division_u)),
            ("facet", number(k as f64)),
            ("ripple", number(ripple)),
            ("ripple_u", number(ripple_u)),
        ]
    });
    Ok(listed("facet_division", facets))
}

fn matched(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let pattern = |index| {
        let angles = angles(arguments.words(index));
        angles.iter().map(|pulse| (pulse.angle, pulse.u)).collect::<Vec<_>>()
    };
    let (kept, seen) = (pattern(0), pattern(1));
    let steady = arguments.optional(2).unwrap_or(0.0);
    if kept.len() != seen.len() {
        let (kept, seen) = (kept.len(), seen.len());
        return wrong(format!("the patterns have {kept} and {seen} facets"));
    }
    if steady < 0.0 {
        return wrong("`steady` is negative; a standard uncertainty is not");
    }
    let (outcome, p, residual) = pattern_match(&kept, &seen, steady);
    let (rotation, confidence) = match outcome {
        Match::At(rotation, confidence) => (rotation as f64, confidence),
        Match::Nowhere(confidence) => (f64::NAN, confidence),
        Match::CannotTell => (f64::NAN, f64::NAN),
    };
    let record: Object = made(
        "pattern_match",
        &[
            ("cannot_tell", Datum::Flag(outcome == Match::CannotTell)),
            ("confidence", Datum::Number(confidence)),
            ("fits", Datum::Flag(matches!(outcome, Match::At(..)))),
            ("p", Datum::Number(p)),
            ("residual", Datum::Number(residual)),
            ("rotation", Datum::Number(rotation)),
        ],
    );
    Ok(datum(record))
}

/// A head without an end-of-scan detector.
fn lengths_refused(asked: &CallFacts<'_>) -> Option<Refused> {
    let help = Some("`start_of_scan_detector().end_of_scan` tells whether a head has one");
    let refused = || Refused { help, ..Refused::new(0, NO_ENDS.to_string()) };
    (asked.empty)(0, "turn", "ends").then(refused)
}

fn lengths(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let turns = pulsed(arguments.get(0))?;
    if turns.iter().all(|turn| turn.ends.is_empty()) {
        return wrong(NO_ENDS);
    }
    let lengths = relative_lengths(&turns, facets(context));
    let facets = lengths.iter().zip(0_u32..).map(|((excess, u), k)| {
        [("excess", *excess), ("excess_u", *u), ("facet", f64::from(k))]
            .map(|(name, value)| (name, Datum::Number(value)))
    });
    Ok(listed("line_length", facets))
}
