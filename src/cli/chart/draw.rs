//! `chart draw`: the chart of a head and a plan.

use crate::disk::{Force, Place};
use crate::error::{Error, invalid};
use crate::setup::options::{HeadOption, Surroundings, length, positive};
use crate::setup::{ChartLines, MARGIN, SheetOptions};
use crate::terminal::{say, wrapped};
use clap::Args;
use jiff::civil::Date;
use spintrue_chart::{Layout, draw};
use spintrue_head::{
    Calls, Decides, Description, Dimension, LinePlan, LineRequest, faithful_text, plan_line,
};
use std::path::PathBuf;

#[derive(Args)]
pub(crate) struct Options {
    /// The image to write, a Netpbm P4 file
    file: PathBuf,
    #[command(flatten)]
    head: HeadOption,
    /// Polygon speed
    #[arg(long, value_name = "SPEED", default_value = "4800 rpm", value_parser = speed)]
    speed: f64,
    /// Dots per length, in-scan and cross-scan
    #[arg(long, value_name = "RESOLUTION", default_value = "300 dpi", value_parser = resolution)]
    resolution: f64,
    /// Length of the line [default: the longest that head and sheet allow]
    #[arg(long, value_name = "LENGTH", value_parser = length)]
    length: Option<f64>,
    #[command(flatten)]
    sheet: SheetOptions,
    /// When it is exposed, such as 2026-05-01
    #[arg(long, value_name = "DATE")]
    date: Date,
    #[command(flatten)]
    force: Force,
}

fn speed(text: &str) -> Result<f64, Error> {
    positive(text, Dimension::ROTATION, "4800 rpm")
}

fn resolution(text: &str) -> Result<f64, Error> {
    positive(text, Dimension::RESOLUTION, "300 dpi")
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let mut opened = Surroundings::default().open(&options.head.head, false)?;
    let head = opened.link.describe().map_err(Error::HeadFailed)?;
    let trims = opened.link.trims().map_err(Error::HeadFailed)?;
    let [along, _] = options.sheet.sides();
    let most = along - 2.0 * MARGIN;
    let wanted = options.length.unwrap_or(head.line_most);
    let length = wanted.min(most);
    let plan = plan(&head, options, length)?;
    let pitches = [plan.in_scan_pitch, plan.cross_scan_pitch];
    let drawn = ChartLines { speed: plan.speed, dots: plan.dots, pitches };
    let spec = options.sheet.spec(&head, &drawn, &trims, options.date.to_string());
    let lines = spec.lines;
    let name = options.file.display();
    let refused = |error| invalid!("no chart can be drawn: {error}");
    let layout = Layout::new(&spec).map_err(refused)?;
    Place::take(&options.file, &options.force)?.write(draw(&layout))?;
    let mut text = format!(
        "wrote {name}: chart {:08x}, {} dots x {lines} lines, {} isolated lines, {} to {} a facet\n",
        spec.code(),
        spec.dots,
        layout.line_count(),
        layout.fewest_and_most()[0],
        layout.fewest_and_most()[1],
    );
    if length < wanted {
        text.push_str(&wrapped(
            &format!(
                "The line is {:.1} mm long where the head draws {:.1} mm: a sheet of {:.0} mm holds no more. What is \
                 measured holds for this part of the line.",
                length * 1e3,
                wanted * 1e3,
                along * 1e3
            ),
            "",
        ));
        text.push('\n');
    }
    text.push_str(&wrapped(
        &format!(
            "Expose it with plan_line({}, length: {} m, resolution: {} dpi), `lines: {lines}`, beginning with \
             facet 0, and read the scan with `spintrue chart read SCAN --chart {name}`.",
            faithful_text(plan.speed, Dimension::ROTATION),
            plan.length,
            plan.resolution * 25.4e-3
        ),
        "",
    ));
    text.push('\n');
    say(&text);
    Ok(0)
}

/// The plan of the chart's lines; whole dots, so that dots lie as far apart as lines.
fn plan(head: &Description, options: &Options, length: f64) -> Result<LinePlan, Error> {
    let dots = (length * options.resolution).floor().max(1.0);
    let request = LineRequest {
        facets: head.facets,
        speed: options.speed,
        decides: Decides::FocalLength(head.focal_length),
        length: dots / options.resolution,
        resolution: options.resolution,
        hardware: Some(head.hardware()),
    };
    let plan = plan_line(&request).map_err(|error| invalid!("no line can be planned: {error}"))?;
    if plan.feasible {
        return Ok(plan);
    }
    Err(invalid!("this line is not feasible: {}", plan.reasons.join("; ")))
}
