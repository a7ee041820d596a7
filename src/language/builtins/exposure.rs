//! Exposing pages, and finding banding in what was drawn.

use crate::builtins::bound;
use crate::builtins::bound::TimeBound;
use crate::builtins::records::{datum, field, listed, made};
use crate::builtins::signature::{Arguments, Builtin, Context, Trouble, pure, timed, wrong};
use crate::builtins::testing::{correction, fits_the_head};
use crate::program::value::Datum;
use spintrue_head::{Calls, PageOrder, show_number};

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    let time = TimeBound::Work(
        "what the queue needs, up to six turns, the turns of all lines that the image may have, and one more",
        bound::expose,
    );
    vec![timed("expose", time, expose), pure("banding", banding)]
}

fn expose(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let name = arguments.text(0);
    let plan = arguments.words(1);
    let most = arguments.optional(2).unwrap_or(bound::LINES_USUAL);
    if !(most.fract() == 0.0 && (1.0..=bound::LINES_MOST).contains(&most)) {
        let most = show_number(most, None);
        return wrong(format!(
            "an image cannot have {most} lines at most: it takes a whole number from 1 to 100000"
        ));
    }
    fits_the_head(context, arguments.get(1), plan)?;
    let image = context.station.image(name).map_err(Trouble::Value)?;
    let dots = field("plan", plan, "dots");
    if f64::from(image.width()) != dots {
        let (width, dots) = (image.width(), show_number(dots, None));
        return wrong(format!(
            "{name} is {width} dots wide and the plan has {dots} in a line: plan the line with the \
             length {width} / resolution"
        ));
    }
    if f64::from(image.height()) > most {
        let (height, most) = (image.height(), show_number(most, None));
        return wrong(format!(
            "{name} has {height} lines, and {most} are allowed: write `lines: {height}`"
        ));
    }
    let page = context.station.expose_page(&PageOrder {
        dot_period: field("plan", plan, "dot_period"),
        delay: field("plan", plan, "pre_scan_delay"),
        pitch: field("plan", plan, "cross_scan_pitch"),
        image,
        correction: correction(arguments.get(1)),
    })?;
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

fn banding(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
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
    Ok(listed(seen.peaks.iter().map(|peak| {
        made(
            "peak",
            &[
                ("amplitude", Datum::Number(peak.amplitude)),
                ("frequency", Datum::Number(peak.frequency)),
                ("harmonic", Datum::Number(f64::from(peak.harmonic))),
            ],
        )
    })))
}
