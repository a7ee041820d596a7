//! Planning a line, and judging those that were measured.

use crate::builtins::bound;
use crate::builtins::bound::{CallFacts, Refused, TimeBound};
use crate::builtins::lines::{line_map, test_line, test_lines};
use crate::builtins::records::{column, datum, field, made, record, reference};
use crate::builtins::refusal::{FACET, READINGS, known};
use crate::builtins::signature::{Arguments, Builtin, Context, Trouble, pure, timed, wrong};
use crate::program::value::{Datum, Object, Value};
use crate::station::StationError;
use crate::statistics::order;
use spintrue_head::{
    Calls, Decides, Description, Dimension, Fault, LinePlan, LineRequest, Status, WorstFacet,
    plan_line, show_number, show_quantity, spread,
};

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    let time = TimeBound::Work(
        "per reading, and for three more of them where several are taken, up to four lines with their readings of the gauge; a line takes what the queue needs and up to six turns",
        bound::test_line,
    );
    let all = TimeBound::Work("that of `test_line` for every facet", bound::test_lines);
    let map = TimeBound::Work("that of `test_line`", bound::line_map);
    vec![
        pure("plan_line", planned),
        timed("test_line", time, test_line).refusing(line_refused),
        timed("test_lines", all, test_lines).with_result(bound::per_facet).refusing(lines_refused),
        timed("line_map", map, line_map).with_result(bound::per_place).refusing(map_refused),
        pure("worst", worst),
    ]
}

fn planned(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let given = |index: usize| arguments.optional(index);
    let must = |index: usize| given(index).unwrap_or(f64::NAN);
    let head = context.station.description();
    let on_paper = (3..6).any(|index| given(index).is_some());
    let facets = given(3).unwrap_or(f64::from(head.facets));
    if !(facets.fract() == 0.0 && (1.0..=10_000.0).contains(&facets)) {
        let facets = show_number(facets, None);
        return wrong(format!("a polygon cannot have {facets} facets"));
    }
    let decides = match (given(4), given(5)) {
        (Some(_), Some(_)) => {
            let message = "a focal length and an active fraction cannot both be given: one follows from the other";
            return wrong(message);
        }
        (None, Some(active)) => Decides::ActiveFraction(active),
        (focal_length, None) => Decides::FocalLength(focal_length.unwrap_or(head.focal_length)),
    };
    let mut hardware = (!on_paper).then(|| head.hardware());
    if let Some(hardware) = &mut hardware {
        hardware.length_error_most = given(6).unwrap_or(hardware.length_error_most);
        hardware.min_trim_reach = given(7).unwrap_or(hardware.min_trim_reach);
    }
    let request = LineRequest {
        facets: facets as u32,
        speed: must(0),
        decides,
        length: must(1),
        resolution: must(2),
        hardware,
    };
    let plan = plan_line(&request).map_err(|error| Trouble::Value(error.to_string()))?;
    Ok(plan_record(&plan, (!on_paper).then_some(head)))
}

/// The record of a plan; one on paper has no head.
fn plan_record(plan: &LinePlan, head: Option<&Description>) -> Datum {
    let on_paper = head.is_none();
    let reach = |of: &dyn Fn(&Description) -> Option<f64>| {
        Datum::Number(head.and_then(of).unwrap_or(f64::NAN))
    };
    let reasons = plan.reasons.iter().map(|reason| Value::text(reason)).collect();
    let reasons = Object { words: Vec::new(), refs: reasons };
    let number = |value: f64| Datum::Number(value);
    datum(made(
        "plan",
        &[
            ("active_fraction", number(plan.active_fraction)),
            ("active_time", number(plan.active_time)),
            ("corrected", Datum::Flag(false)),
            ("cross_scan_pitch", number(plan.cross_scan_pitch)),
            ("cross_scan_reach", number(plan.cross_scan_reach)),
            ("dot_clock", number(plan.dot_clock)),
            ("dot_clock_whole", number(plan.dot_clock_whole)),
            ("dot_period", number(plan.dot_period)),
            ("dot_period_whole", number(plan.dot_period_whole)),
            ("dots", number(f64::from(plan.dots))),
            ("f_theta", number(plan.focal_length)),
            ("facets", number(f64::from(plan.facets))),
            ("feasible", Datum::Flag(plan.feasible)),
            ("focal_length", number(plan.focal_length)),
            ("in_scan_reach", number(plan.in_scan_reach)),
            ("length", number(plan.length)),
            ("length_error", number(plan.length_error)),
            ("length_reach", reach(&|head| Some(plan.length * head.length_trim?.range))),
            ("line_period", number(plan.line_period)),
            ("line_rate", number(plan.line_rate)),
            ("linearity", datum(Object::default())),
            ("linearity_error", number(0.0)),
            ("linearity_reach", reach(&|head| Some(head.linearity?.range))),
            ("made_dot_clock", number(plan.made_dot_clock)),
            ("made_dot_period", number(plan.made_dot_period)),
            ("on_paper", Datum::Flag(on_paper)),
            ("padding_bits", number(f64::from(plan.padding_bits))),
            ("power_reach", reach(&|head| Some(head.power_trim?.range))),
            ("pre_scan_delay", number(plan.pre_scan_delay)),
            ("queue_needed", number(f64::from(plan.queue_needed))),
            ("reasons", datum(reasons)),
            ("speed", number(plan.speed)),
            ("spot_velocity", number(plan.spot_velocity)),
            ("word_period", number(plan.word_period)),
            ("word_period_whole", number(plan.word_period_whole)),
            ("words", number(f64::from(plan.words))),
        ],
    ))
}

/// Why a plan cannot be drawn at any speed.
pub(super) fn plan_refused(plan: &Datum) -> Option<String> {
    let words = plan.words();
    if field!("plan", words, "feasible") != 1.0 {
        let reasons = reference("plan", Some(plan), "reasons").map_or(&[][..], Value::as_refs);
        let first = reasons.first().map_or("", Value::as_text);
        return Some(format!("this plan is not feasible: {first}"));
    }
    let on_paper = field!("plan", words, "on_paper") == 1.0;
    on_paper.then(|| {
        "this plan is on paper: plan with the head's own facets and lens to draw it".to_string()
    })
}

fn is_off(head: &Description, speed: f64, from: f64) -> bool {
    (speed / from - 1.0).abs() > 2.0 * head.lock_window.max(1e-4)
}

/// Why a plan cannot be drawn by a polygon that was asked for a speed.
pub(super) fn plan_off(head: &Description, plan: &Datum, asked: f64) -> Option<String> {
    let planned = field!("plan", plan.words(), "speed");
    let shown = |speed| show_quantity(speed, Dimension::ROTATION, None, None);
    is_off(head, asked, planned).then(|| {
        format!("the plan is for {}, and the polygon turns at {}", shown(planned), shown(asked))
    })
}

/// Refuses a plan that this head cannot draw at its present speed; gives how the head stands.
pub(super) fn fits_the_head(
    context: &mut Context<'_>,
    plan: Option<&Datum>,
) -> Result<Status, Trouble> {
    if let Some(why) = plan.and_then(plan_refused) {
        return wrong(why);
    }
    let status = context.station.status()?;
    // Without lock the exposure itself says what is wrong.
    if !status.locked {
        return Ok(status);
    }
    let asked = status.target.unwrap_or(status.speed);
    let head = context.station.description();
    if let Some(why) = plan.and_then(|plan| plan_off(head, plan, asked)) {
        return wrong(why);
    }
    // The lock detector needs some turns until it says so.
    if is_off(head, status.speed, asked) {
        let shown = |speed| show_quantity(speed, Dimension::ROTATION, None, None);
        return Err(Trouble::Station(StationError::Fault(Fault::Refused(format!(
            "the polygon turns at {}, and {} was asked for",
            shown(status.speed),
            shown(asked)
        )))));
    }
    Ok(status)
}

fn worst(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let words = arguments.words(0);
    let each = |name: &str| column("line", words, name);
    let worst = WorstFacet::of(each("in_scan").zip(each("cross_scan")))
        .ok_or_else(|| Trouble::Value("no lines have no worst one".to_string()))?;
    let facet = |at: usize| each("facet").nth(at).unwrap_or(f64::NAN);
    // What one line does not tell is not known of the worst one either.
    let most = |name: &str| {
        let sizes = each(name).map(f64::abs);
        Datum::Number(sizes.fold(0.0, |most, size| if size <= most { most } else { size }))
    };
    let count = each("facet").count() as f64;
    let mean = |name| Datum::Number(each(name).sum::<f64>() / count);
    let spread_of = |name| Datum::Number(spread(&each(name).collect::<Vec<f64>>()));
    let number = Datum::Number;
    let fewest = |name| number(each(name).fold(f64::INFINITY, f64::min));
    let dose_range =
        order::largest(&each("dose_range").zip(each("dose_range_u")).collect::<Vec<_>>());
    // What the gauge is off for all facets alike cancels.
    let dose_u = each("dose_u").zip(each("dose_fixed_u"));
    let dose_u = dose_u.map(|(u, fixed)| (u * u - fixed * fixed).max(0.0).sqrt());
    let dose_spread = order::range(&each("dose").zip(dose_u).collect::<Vec<_>>());
    let rejected = each("rejected").sum::<f64>();
    let taken = each("readings").zip(each("left_out")).map(|(kept, left_out)| kept + left_out);
    let marks = each("marks").zip(taken).map(|(marks, taken)| marks * taken).sum::<f64>();
    // What does not average out is alike for all facets: it stays in their mean, and cancels in a spread, all
    // but the rounding to the gauge's digit, which at most is digit/√12 of a line and of each mark.
    let parts = |places: &[&str], fixed_u, digit| {
        let mut largest = vec![f64::NAN; count as usize];
        for name in places {
            largest.iter_mut().zip(each(name)).for_each(|(largest, u)| *largest = largest.max(u));
        }
        let random = each(fixed_u)
            .zip(largest)
            .map(|(fixed, largest)| (largest.powi(2) - fixed * fixed).max(0.0));
        let random: Vec<f64> = random.collect();
        let fixed = each(fixed_u).fold(0.0, f64::max);
        let rounding = each(digit).fold(0.0, f64::max).powi(2) / 6.0;
        let own = random.iter().fold(0.0, |a, b| b.max(a)) + rounding.min(fixed * fixed);
        let common = random.iter().sum::<f64>() / (random.len() as f64).powi(2) + fixed * fixed;
        (number(common.sqrt()), number((2.0 * own).sqrt()))
    };
    let along = parts(&["in_scan_u"], "in_scan_fixed_u", "in_scan_digit");
    let across = parts(&["cross_scan_u"], "cross_scan_fixed_u", "cross_scan_digit");
    let ends_along =
        parts(&["in_scan_start_u", "in_scan_end_u"], "in_scan_ends_fixed_u", "in_scan_digit");
    let ends_across = parts(
        &["cross_scan_start_u", "cross_scan_end_u"],
        "cross_scan_ends_fixed_u",
        "cross_scan_digit",
    );
    // The end where facets differ more. One mark is the same at both.
    let ends = |start, end, slope, u| {
        if each(slope).any(f64::is_nan) {
            return (number(f64::NAN), number(f64::NAN));
        }
        let [start, end] = [start, end].map(|name| spread(&each(name).collect::<Vec<f64>>()));
        (number(if start > end { start } else { end }), u)
    };
    let ends_along = ends("in_scan_start", "in_scan_end", "length_error", ends_along.1);
    let ends_across = ends("cross_scan_start", "cross_scan_end", "skew", ends_across.1);
    let mut fields = vec![
        ("cross_scan", number(worst.cross_scan)),
        ("cross_scan_common", mean("cross_scan")),
        ("cross_scan_common_u", across.0),
        ("cross_scan_end_spread", ends_across.0),
        ("cross_scan_end_spread_u", ends_across.1),
        ("cross_scan_facet", number(facet(worst.cross_scan_at))),
        ("cross_scan_spread", number(worst.cross_scan_spread)),
        ("cross_scan_spread_u", across.1),
        ("degrees", fewest("degrees")),
        ("dose_common", mean("dose")),
        ("dose_degrees", fewest("dose_degrees")),
        ("dose_range", number(dose_range.0)),
        ("dose_range_u", number(dose_range.1)),
        ("dose_spread", number(dose_spread.0)),
        ("dose_spread_u", number(dose_spread.1)),
        ("skew_common", mean("skew")),
        ("in_scan", number(worst.in_scan)),
        ("in_scan_common", mean("in_scan")),
        ("in_scan_common_u", along.0),
        ("in_scan_end_spread", ends_along.0),
        ("in_scan_end_spread_u", ends_along.1),
        ("in_scan_facet", number(facet(worst.in_scan_at))),
        ("in_scan_spread", number(worst.in_scan_spread)),
        ("in_scan_spread_u", along.1),
        ("length_error_spread", spread_of("length_error")),
        ("marks", number(marks)),
        ("rejected", number(rejected)),
        ("speed_error", mean("speed_error")),
    ];
    // Of every other field, the largest magnitude.
    let all = record("residual").into_iter().flat_map(|residual| &residual.page().fields);
    let others = all.filter(|field| !fields.iter().any(|(name, _)| *name == field.name));
    let others: Vec<_> = others.map(|field| (field.name, most(field.name))).collect();
    fields.extend(others);
    Ok(datum(made("residual", &fields)))
}

/// A plan that this head cannot draw, or not at the speed that the polygon was asked for.
pub(super) fn unfit_plan(asked: &CallFacts<'_>, argument: usize) -> Option<Refused> {
    let at_speed = || {
        let speed = Some(asked.speed).filter(|speed| speed.is_exact() && speed.low > 0.0)?;
        let refused = known(asked, argument, |plan| plan_off(asked.head, plan, speed.low))?;
        Some(Refused { at_speed: true, ..refused })
    };
    known(asked, argument, plan_refused).or_else(at_speed)
}

fn line_refused(asked: &CallFacts<'_>) -> Option<Refused> {
    let readings = || READINGS.judge(asked, 2);
    FACET.judge(asked, 0).or_else(readings).or_else(|| unfit_plan(asked, 1))
}

fn map_refused(asked: &CallFacts<'_>) -> Option<Refused> {
    let readings = || READINGS.judge(asked, 3);
    let places = || {
        known(asked, 2, |places| {
            asked.head.check_map(places.words()).err().map(|why| why.to_string())
        })
    };
    FACET.judge(asked, 0).or_else(readings).or_else(places).or_else(|| unfit_plan(asked, 1))
}

fn lines_refused(asked: &CallFacts<'_>) -> Option<Refused> {
    READINGS.judge(asked, 1).or_else(|| unfit_plan(asked, 0))
}
