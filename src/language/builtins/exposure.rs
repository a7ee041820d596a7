//! Exposing pages, and finding banding in what was drawn.

use crate::builtins::bound;
use crate::builtins::bound::TimeBound;
use crate::builtins::records::{PAGE, PEAK, PLAN, datum, field, listed, made};
use crate::builtins::signature::{
    Arguments, Builtin, Context, Effect, LENGTH, NUMBER, Spec, Trouble, general, optional, required,
};
use crate::builtins::testing::fits_the_head;
use crate::program::value::Datum;
use spintrue_head::{Calls, PageOrder, show_number};

/// The built-ins of this topic.
pub(super) const BUILTINS: &[Builtin] = &[
    Builtin {
        name: "expose",
        parameters: &[
            required(
                "image",
                Spec::Image,
                "a Netpbm P4 file, its path taken from the folder of the script that is run; black is where light falls",
            ),
            required(
                "plan",
                Spec::Record(&PLAN),
                "a feasible plan with as many dots in a line as the image is wide",
            ),
            optional(
                "lines",
                NUMBER,
                "5000",
                "most lines that the image may have, a whole number from 1 to 100000; the longest time rests on it",
            ),
        ],
        returns: Spec::Record(&PAGE),
        effects: &[Effect::Emits, Effect::Reads],
        meaning: "Exposes a one-bit image, line k with facet k mod N. Light comes out: only inside an `arm` block. The medium moves steadily by the plan's cross-scan pitch per line, and the galvanometer stands where it was steered but for the trims, so that its range does not limit the page. Of a file with several images the first is taken. An image that cannot be read is reported before anything moves where its name is a plain text, and fails here otherwise. Lines whose start-of-scan pulse does not come are left out and counted; a lost lock, an open interlock or an empty word queue end the page. On a simulated head, `spintrue run --picture FILE.png` shows what the medium would.",
        example: "spin(4800 rpm)\nwait until locked() within 30 s\nlet plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)\narm at 35 % {\n    let page = expose(\"page.pbm\", plan)\n    expect \"lines left out\": page.missed == 0\n}",
        time: TimeBound::Work(
            "what the queue needs, up to six turns, the turns of all lines that the image may have, and one more",
            bound::expose,
        ),
        ..general(expose)
    },
    Builtin {
        name: "banding",
        parameters: &[
            required(
                "shifts",
                Spec::List(&LENGTH),
                "shifts of successive lines against an even grid, the first one drawn by any facet, at least one turn of them and at most 10000000",
            ),
            optional(
                "facets",
                NUMBER,
                "those of the head",
                "how many facets draw the lines in turn, 2 to 1000",
            ),
        ],
        returns: Spec::List(&Spec::Record(&PEAK)),
        meaning: "The peaks at 1/N of the line frequency and its multiples in a Fourier transform of line positions, from the lowest up to half a cycle per line: what comes back with every turn of the polygon and shows as banding (You, J. Imaging Sci. Technol. 49(6), 2005, abstract). Lines beyond whole turns are left out, so that no peak leaks into its neighbours. A wave A * cos gives the amplitude A. Shifts of less than a turn have none and fail.",
        example: "let peaks = banding([3 um, -3 um, 3 um, -3 um], facets: 2)\nexpect \"peaks\": count(peaks) == 1\nexpect \"every second line\": peaks[0].amplitude within 2.999 um .. 3.001 um\nexpect \"cycles per line\": peaks[0].frequency == 0.5",
        ..general(banding)
    },
];

fn expose(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let name = arguments.text(0);
    let plan = arguments.words(1);
    let most = arguments.optional(2).unwrap_or(bound::LINES_USUAL);
    if !(most.fract() == 0.0 && (1.0..=bound::LINES_MOST).contains(&most)) {
        let most = show_number(most, None);
        return Err(Trouble::Value(format!(
            "an image cannot have {most} lines at most: it takes a whole number from 1 to 100000"
        )));
    }
    fits_the_head(context, arguments.get(1), plan)?;
    let image = context.station.image(name).map_err(Trouble::Value)?;
    let dots = field(&PLAN, plan, "dots");
    if f64::from(image.width()) != dots {
        let (width, dots) = (image.width(), show_number(dots, None));
        return Err(Trouble::Value(format!(
            "{name} is {width} dots wide and the plan has {dots} in a line: plan the line with the \
             length {width} / resolution"
        )));
    }
    if f64::from(image.height()) > most {
        let (height, most) = (image.height(), show_number(most, None));
        return Err(Trouble::Value(format!(
            "{name} has {height} lines, and {most} are allowed: write `lines: {height}`"
        )));
    }
    let page = context.station.expose_page(&PageOrder {
        dot_period: field(&PLAN, plan, "dot_period"),
        delay: field(&PLAN, plan, "pre_scan_delay"),
        pitch: field(&PLAN, plan, "cross_scan_pitch"),
        image,
    })?;
    Ok(datum(made(
        &PAGE,
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
        return Err(Trouble::Value(format!(
            "banding comes back every N lines: there must be 2 to 1000 facets, not {facets}"
        )));
    }
    let seen = crate::banding::banding(shifts, facets as u32)
        .map_err(|error| Trouble::Value(error.to_string()))?;
    Ok(listed(seen.peaks.iter().map(|peak| {
        made(
            &PEAK,
            &[
                ("amplitude", Datum::Number(peak.amplitude)),
                ("frequency", Datum::Number(peak.frequency)),
                ("harmonic", Datum::Number(f64::from(peak.harmonic))),
            ],
        )
    })))
}
