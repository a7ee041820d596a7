//! Exposing pages, reading scans of charts, drawing steadily for a power meter, and finding banding in what was drawn.

use crate::builtins::bound;
use crate::builtins::bound::{CallFacts, Refused, TimeBound};
use crate::builtins::lines::{correction, existing_facet, lines_of_sheet};
use crate::builtins::records::{datum, field, listed, made};
use crate::builtins::refusal::{FACET, LINES, STEADY, known};
use crate::builtins::signature::{
    Arguments, Builtin, Context, Trait, Trouble, done, pure, timed, wrong,
};
use crate::builtins::testing::{fits_the_head, plan_refused, unfit_plan};
use crate::builtins::trims::{read_trims, trims_refused};
use crate::images::ChartFacts;
use crate::program::value::Datum;
use spintrue_head::{
    Calls, Description, Dimension, PageOrder, SteadyOrder, faithful_text, show_number,
};

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    let time = TimeBound::Work(
        "what the queue needs, up to six turns, the turns of all lines that the image may have, and one more",
        bound::expose,
    );
    let read = TimeBound::Work("60 s, in which the scan is read", bound::read_chart);
    let steady = TimeBound::Work(
        "two answers of the head; the drawing itself goes on behind the call, 60 s at most",
        bound::draw_steadily,
    );
    vec![
        timed("expose", time, expose).refusing(page_refused),
        timed("read_chart", read, read_chart)
            .with_traits(&[Trait::Changes, Trait::NotWhileArmed])
            .with_result(bound::per_facet)
            .refusing(chart_refused),
        timed("draw_steadily", steady, draw_steadily)
            .with_traits(&[Trait::DrawsSteadily])
            .refusing(steady_refused),
        timed("drawing_steadily", TimeBound::Answer, |context, _| {
            Ok(Datum::Flag(context.station.drawing_steadily()?))
        })
        .with_result(bound::drawing),
        pure("banding", |context, arguments| peaks(context, arguments, "peak")).tried(),
        pure("dose_banding", |context, arguments| peaks(context, arguments, "dose_peak")).tried(),
    ]
}

fn draw_steadily(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let plan = arguments.words(0);
    let seconds = arguments.number(1);
    STEADY.check(context.station.description(), seconds)?;
    let facet = match arguments.optional(2) {
        Some(facet) => Some(existing_facet(context, facet)?),
        None => None,
    };
    fits_the_head(context, arguments.get(0))?;
    done(context.station.draw_steadily(SteadyOrder {
        facet,
        dots: field!("plan", plan, "dots") as u32,
        dot_period: field!("plan", plan, "dot_period"),
        delay: field!("plan", plan, "pre_scan_delay"),
        seconds,
    }))
}

fn expose(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let name = arguments.text(0);
    let plan = arguments.words(1);
    let most = arguments.optional(2).unwrap_or(bound::LINES_USUAL);
    LINES.check(context.station.description(), most)?;
    fits_the_head(context, arguments.get(1))?;
    let image = context.station.image(name).map_err(Trouble::Value)?;
    let dots = field!("plan", plan, "dots");
    let size = (image.width(), image.height());
    let chart = context.station.chart(name).ok();
    let head = context.station.description();
    let refused = |plan: &Datum| {
        let of_chart = || misfit(head, name, chart.as_ref()?, plan);
        image_refused(name, size, plan, most).or_else(of_chart)
    };
    if let Some(why) = arguments.get(1).and_then(refused) {
        return wrong(why);
    }
    let order = PageOrder {
        dot_period: field!("plan", plan, "dot_period"),
        delay: field!("plan", plan, "pre_scan_delay"),
        pitch: field!("plan", plan, "cross_scan_pitch"),
        image,
        correction: correction(arguments.get(1)),
    };
    let page = match chart {
        Some(_) => context.station.expose_chart(name, &order)?,
        None => context.station.expose_page(&order)?,
    };
    Ok(datum(made(
        "page",
        &[
            ("dots", Datum::Number(dots)),
            ("lines", Datum::Number(f64::from(page.lines))),
            ("missed", Datum::Number(f64::from(page.missed))),
            ("took", Datum::Number(page.took)),
        ],
    )))
}

fn read_chart(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let (name, scan) = (arguments.text(0), arguments.text(2));
    let chart = context.station.chart(name).map_err(Trouble::Value)?;
    let head = context.station.description();
    if let Some(why) = arguments.get(1).and_then(|plan| misfit(head, name, &chart, plan)) {
        return wrong(why);
    }
    let trims = match arguments.get(3) {
        Some(given @ Datum::Value(_)) => read_trims(context, Some(given))?,
        _ => context.station.trims_of_chart(name),
    };
    let readings = context.station.read_chart(name, scan)?;
    lines_of_sheet(context, arguments.words(1), readings, &trims)
}

/// Largest share by which a plan may differ from that of a chart: lengths are typed with as many digits.
const SAME_PLAN: f64 = 1e-6;

/// Why scans of a chart tell nothing of lines of this head and plan.
fn misfit(head: &Description, name: &str, chart: &ChartFacts, plan: &Datum) -> Option<String> {
    if let Some(why) = plan_refused(plan) {
        return Some(why);
    }
    let ChartFacts { model, serial, facets, dots, .. } = chart;
    if (model, serial, *facets) != (&head.model, &head.serial, head.facets) {
        let own = format!("{}, serial {}, {} facets", head.model, head.serial, head.facets);
        return Some(format!(
            "{name} is a chart of another head, {model}, serial {serial}, {facets} facets; this one is {own}: draw a chart \
             for it"
        ));
    }
    let words = plan.words();
    let differs = |of_chart: f64, of_plan: f64| (of_plan / of_chart - 1.0).abs() > SAME_PLAN;
    let is_other = f64::from(*dots) != field!("plan", words, "dots")
        || differs(chart.speed, field!("plan", words, "speed"))
        || differs(chart.length, field!("plan", words, "length"))
        || differs(chart.pitch, field!("plan", words, "cross_scan_pitch"));
    is_other.then(|| {
        format!(
            "{name} is a chart of another plan: give that one, plan_line({}, length: {}, resolution: {}), or draw a chart \
             for yours",
            faithful_text(chart.speed, Dimension::ROTATION),
            faithful_text(chart.length, Dimension::LENGTH),
            faithful_text(1.0 / chart.pitch, Dimension::RESOLUTION),
        )
    })
}

/// Why an image of so many dots and lines cannot be drawn by a plan.
pub(super) fn image_refused(
    name: &str,
    (width, height): (u32, u32),
    plan: &Datum,
    most: f64,
) -> Option<String> {
    let dots = field!("plan", plan.words(), "dots");
    if f64::from(width) != dots {
        let dots = show_number(dots, None);
        return Some(format!(
            "{name} is {width} dots wide and the plan has {dots} in a line: plan the line with the \
             length {width} / resolution"
        ));
    }
    (f64::from(height) > most).then(|| {
        let most = show_number(most, None);
        format!("{name} has {height} lines, and {most} are allowed: write `lines: {height}`")
    })
}

/// The peaks of shifts or doses, as records of that name.
fn peaks(
    context: &mut Context<'_>,
    arguments: Arguments<'_>,
    record: &str,
) -> Result<Datum, Trouble> {
    let shifts = arguments.words(0);
    let own = f64::from(context.station.description().facets);
    let facets = arguments.optional(1).unwrap_or(own);
    if !(facets.fract() == 0.0 && (2.0..=1000.0).contains(&facets)) {
        let facets = show_number(facets, None);
        return wrong(format!(
            "banding comes back every N lines: there must be 2 to 1000 facets, not {facets}"
        ));
    }
    let seen = crate::banding::banding(shifts, facets as u32)
        .map_err(|error| Trouble::Value(error.to_string()))?;
    let peaks = seen.peaks.iter().map(|peak| {
        [
            ("amplitude", Datum::Number(peak.amplitude)),
            ("frequency", Datum::Number(peak.frequency)),
            ("harmonic", Datum::Number(f64::from(peak.harmonic))),
        ]
    });
    Ok(listed(record, peaks))
}

fn steady_refused(asked: &CallFacts<'_>) -> Option<Refused> {
    let facet = || FACET.judge(asked, 2);
    STEADY.judge(asked, 1).or_else(facet).or_else(|| unfit_plan(asked, 0))
}

/// The image is as wide as a line of the plan, and no longer than allowed.
fn page_refused(asked: &CallFacts<'_>) -> Option<Refused> {
    let image = || {
        let name = asked.values.first()?.as_ref()?;
        let size = (asked.images)(name.text())?.size;
        let most = match asked.values.get(2)? {
            Some(most) => most.given().unwrap_or(bound::LINES_USUAL),
            None => return None,
        };
        known(asked, 1, |plan| image_refused(name.text(), size, plan, most))
    };
    let chart = || chart_misfit(asked);
    LINES.judge(asked, 2).or_else(|| unfit_plan(asked, 1)).or_else(image).or_else(chart)
}

/// A chart of another head or plan.
fn chart_misfit(asked: &CallFacts<'_>) -> Option<Refused> {
    let name = asked.values.first()?.as_ref()?.text();
    let chart = (asked.images)(name)?.chart?;
    let refused = known(asked, 1, |plan| misfit(asked.head, name, &chart, plan))?;
    Some(Refused { argument: 0, ..refused })
}

/// A chart of this head and of the plan, and one trim for each facet.
fn chart_refused(asked: &CallFacts<'_>) -> Option<Refused> {
    let trims = || {
        known(asked, 3, |trims| match trims {
            Datum::Value(_) => trims_refused(asked.head, trims),
            _ => None,
        })
    };
    known(asked, 1, plan_refused).or_else(|| chart_misfit(asked)).or_else(trims)
}
