//! Planning a line, exposing it, and measuring it.

use crate::builtins::bound;
use crate::builtins::bound::TimeBound;
use crate::builtins::records::{datum, field, made, reference, width};
use crate::builtins::signature::{Arguments, Builtin, Context, Trouble, pure, timed, wrong};
use crate::program::value::{Datum, Object, Value};
use crate::station::StationError;
use spintrue_head::{
    Calls, Decides, Description, Dimension, FacetMean, Fault, LineCorrection, LineOrder, LinePlan,
    LineRequest, Pattern, Trim, WorstFacet, plan_line, show_number, show_quantity, spread,
};

/// Most readings in one call.
const MAX_READINGS: f64 = 1000.0;

/// How often a line is exposed again because the gauge lost its reading.
const MAX_RETRIES: usize = 3;

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    let time = TimeBound::Work(
        "per reading up to four lines with their readings of the gauge; a line takes what the queue needs and up to six turns",
        bound::test_line,
    );
    vec![pure("plan_line", planned), timed("test_line", time, test_line), pure("worst", worst)]
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
    if let (Some(hardware), Some(most)) = (&mut hardware, given(6)) {
        hardware.length_error_most = most;
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
            (
                "cross_scan_reach",
                reach(&|head| Some(2.0 * plan.focal_length * head.cross_scan_trim.range)),
            ),
            ("dot_clock", number(plan.dot_clock)),
            ("dot_clock_whole", number(plan.dot_clock_whole)),
            ("dot_period", number(plan.dot_period)),
            ("dot_period_whole", number(plan.dot_period_whole)),
            ("dots", number(f64::from(plan.dots))),
            ("f_theta", number(plan.focal_length)),
            ("facets", number(f64::from(plan.facets))),
            ("feasible", Datum::Flag(plan.feasible)),
            ("focal_length", number(plan.focal_length)),
            ("in_scan_reach", reach(&|head| Some(plan.spot_velocity * head.in_scan_trim.range))),
            ("length", number(plan.length)),
            ("length_error", number(plan.length_error)),
            ("length_reach", reach(&|head| Some(plan.length * head.length_trim?.range))),
            ("line_period", number(plan.line_period)),
            ("line_rate", number(plan.line_rate)),
            ("linearity", datum(Object::default())),
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

fn test_line(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let facet = arguments.number(0);
    let plan = arguments.words(1);
    let readings = arguments.optional(2).unwrap_or(1.0);
    let facets = context.station.description().facets;
    if !(facet.fract() == 0.0 && (0.0..f64::from(facets)).contains(&facet)) {
        let facet = show_number(facet, None);
        return wrong(format!(
            "there is no facet {facet}: the polygon has facets 0 to {}",
            facets.saturating_sub(1)
        ));
    }
    if !(readings.fract() == 0.0 && (1.0..=MAX_READINGS).contains(&readings)) {
        let readings = show_number(readings, None);
        return wrong(format!(
            "{readings} readings cannot be taken: it takes a whole number from 1 to 1000"
        ));
    }
    fits_the_head(context, arguments.get(1), plan)?;
    let order = LineOrder {
        facet: facet as u32,
        dots: field("plan", plan, "dots") as u32,
        dot_period: field("plan", plan, "dot_period"),
        delay: field("plan", plan, "pre_scan_delay"),
        pattern: Pattern::TestMarks,
        correction: correction(arguments.get(1)),
    };
    let trims = context.station.read_trims_in_force()?;
    let unknown =
        Trim { in_scan: f64::NAN, cross_scan: f64::NAN, power: f64::NAN, length: f64::NAN };
    let trim = trims.and_then(|trims| trims.get(facet as usize)).copied().unwrap_or(unknown);
    let mut seen = Vec::new();
    while (seen.len() as f64) < readings {
        seen.push(reading(context, &order)?);
    }
    let length = field("plan", plan, "length");
    let mean = FacetMean::of(&seen, length).map_err(|error| Trouble::Value(error.to_string()))?;
    Ok(datum(line_record(facet, &mean, trim)))
}

/// How a corrected plan has its lines drawn.
pub(super) fn correction(plan: Option<&Datum>) -> Option<LineCorrection> {
    let words = plan.map_or(&[][..], Datum::words);
    (field("plan", words, "corrected") == 1.0).then(|| LineCorrection {
        length: field("plan", words, "length"),
        linearity: reference("plan", plan, "linearity").map_or(&[][..], Value::as_words).to_vec(),
    })
}

/// What marks tell of a line; what they cannot tell is not a number.
fn line_record(facet: f64, mean: &FacetMean, trim: Trim) -> Object {
    let FacetMean { along, across, dose, .. } = mean;
    // P1 in 2s runs from -1 at the start to 1 at the end.
    let coefficients = [
        ("in_scan", "in_scan_u", along, 0, 1.0),
        ("length_error", "length_error_u", along, 1, 2.0),
        ("even", "even_u", along, 2, 1.0),
        ("odd", "odd_u", along, 3, 1.0),
        ("cross_scan", "cross_scan_u", across, 0, 1.0),
        ("skew", "skew_u", across, 1, 2.0),
        ("bow", "bow_u", across, 2, 1.0),
        ("dose", "dose_u", dose, 0, 1.0),
    ];
    let value = |all: &[f64], k: usize| all.get(k).copied().unwrap_or(f64::NAN);
    let mut fields = vec![
        ("cross_scan_digit", across.digit),
        ("cross_scan_fixed_u", value(&across.fixed, 0)),
        ("cross_scan_trim", trim.cross_scan),
        ("facet", facet),
        ("in_scan_digit", along.digit),
        ("in_scan_fixed_u", value(&along.fixed, 0)),
        ("in_scan_trim", trim.in_scan),
        ("length_trim", trim.length),
        ("marks", mean.marks as f64),
        ("power_trim", trim.power),
        ("readings", mean.count as f64),
    ];
    for (name, u, shape, k, unit) in coefficients {
        fields.extend([(name, unit * value(&shape.of, k)), (u, unit * shape.u(k))]);
    }
    let fields: Vec<_> = fields.into_iter().map(|(name, of)| (name, Datum::Number(of))).collect();
    made("line", &fields)
}

/// A plan that can be drawn by this head at its present speed.
pub(super) fn fits_the_head(
    context: &mut Context<'_>,
    plan: Option<&Datum>,
    words: &[f64],
) -> Result<(), Trouble> {
    if field("plan", words, "feasible") != 1.0 {
        let reasons = reference("plan", plan, "reasons").map_or(&[][..], Value::as_refs);
        let first = reasons.first().map_or("", Value::as_text);
        return wrong(format!("this plan cannot be drawn: {first}"));
    }
    if field("plan", words, "on_paper") == 1.0 {
        let message = "this plan is on paper: plan with the head's own facets and lens to draw it";
        return wrong(message);
    }
    let window = context.station.description().lock_window;
    let status = context.station.status()?;
    let planned = field("plan", words, "speed");
    let shown = |speed| show_quantity(speed, Dimension::ROTATION, None, None);
    let off = |speed: f64, from: f64| (speed / from - 1.0).abs() > 2.0 * window.max(1e-4);
    // Without lock the exposure itself says what is wrong.
    if !status.locked {
        return Ok(());
    }
    let asked = status.target.unwrap_or(status.speed);
    if off(asked, planned) {
        return wrong(format!(
            "the plan is for {}, and the polygon turns at {}",
            shown(planned),
            shown(asked)
        ));
    }
    // The lock detector needs some turns until it says so.
    if off(status.speed, asked) {
        return Err(Trouble::Station(StationError::Fault(Fault::Refused(format!(
            "the polygon turns at {}, and {} was asked for",
            shown(status.speed),
            shown(asked)
        )))));
    }
    Ok(())
}

/// One exposed and measured line.
fn reading(
    context: &mut Context<'_>,
    order: &LineOrder,
) -> Result<spintrue_head::Reading, Trouble> {
    let mut tries = 0;
    loop {
        if context.station.expose(order)?.underrun {
            return Err(StationError::Fault(Fault::Underrun).into());
        }
        match context.station.measure() {
            Err(StationError::Fault(Fault::LostReading)) if tries < MAX_RETRIES => tries += 1,
            other => return Ok(other?),
        }
    }
}

/// Fields of a line of which the residual has the largest magnitude.
const LARGEST: [&str; 13] = [
    "bow",
    "bow_u",
    "cross_scan_u",
    "dose_u",
    "even",
    "even_u",
    "in_scan_u",
    "length_error",
    "length_error_u",
    "odd",
    "odd_u",
    "skew",
    "skew_u",
];

fn worst(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let words = arguments.words(0);
    let lines: Vec<&[f64]> = words.chunks(width("line")).collect();
    let shift = |line: &[f64]| (field("line", line, "in_scan"), field("line", line, "cross_scan"));
    let worst = WorstFacet::of(lines.iter().map(|line| shift(line)))
        .ok_or_else(|| Trouble::Value("no lines have no worst one".to_string()))?;
    let facet = |at: usize| lines.get(at).map_or(f64::NAN, |line| field("line", line, "facet"));
    // What one line does not tell is not known of the worst one either.
    let most = |name: &str| {
        let sizes = lines.iter().map(|line| field("line", line, name).abs());
        Datum::Number(sizes.fold(0.0, |most, size| if size <= most { most } else { size }))
    };
    let each = |name: &'static str| lines.iter().map(move |line| field("line", line, name));
    let mean = |name| Datum::Number(each(name).sum::<f64>() / lines.len() as f64);
    let spread_of = |name| Datum::Number(spread(&each(name).collect::<Vec<f64>>()));
    let number = Datum::Number;
    let mut fields = vec![
        ("cross_scan", number(worst.cross_scan)),
        ("cross_scan_common", mean("cross_scan")),
        ("cross_scan_facet", number(facet(worst.cross_scan_at))),
        ("cross_scan_spread", number(worst.cross_scan_spread)),
        ("dose_spread", spread_of("dose")),
        ("in_scan", number(worst.in_scan)),
        ("in_scan_common", mean("in_scan")),
        ("in_scan_facet", number(facet(worst.in_scan_at))),
        ("in_scan_spread", number(worst.in_scan_spread)),
        ("length_error_spread", spread_of("length_error")),
    ];
    fields.extend(LARGEST.map(|name| (name, most(name))));
    Ok(datum(made("residual", &fields)))
}
