//! `chart draw`: the chart of a head and a plan.

use crate::cli::look::positive;
use crate::disk::{Force, Place};
use crate::error::{Error, invalid};
use crate::setup::options::{HeadOption, Surroundings};
use crate::terminal::{say, wrapped};
use clap::Args;
use jiff::civil::Date;
use spintrue_chart::{Layout, Spec, draw};
use spintrue_head::{
    Calls, Decides, Description, Dimension, LinePlan, LineRequest, Trim, parse_quantity, plan_line,
};
use std::path::PathBuf;

/// White border of a sheet in m, into which no printer is asked to draw.
const MARGIN: f64 = 8e-3;

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
    /// Sheet on which it is exposed: A4, letter, or its sides along and across the lines, such as 200x150mm
    #[arg(long, value_name = "SHEET", default_value = "A4", value_parser = sheet)]
    sheet: [f64; 2],
    /// Places along the line at which marks lie
    #[arg(long, value_name = "N", default_value_t = 5)]
    places: u32,
    /// How far facets may lie off their place, either way
    #[arg(long, value_name = "LENGTH", default_value = "60 um", value_parser = length)]
    reach: f64,
    /// Width of the empty strip for a ruler along the lines, such as 16mm or 0mm
    #[arg(long, value_name = "LENGTH", default_value = "16 mm", value_parser = room)]
    ruler_room: f64,
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

fn length(text: &str) -> Result<f64, Error> {
    positive(text, Dimension::LENGTH, "250 mm")
}

/// A length that may be zero.
fn room(text: &str) -> Result<f64, Error> {
    match parse_quantity(text) {
        Ok((0.0, _)) => Ok(0.0),
        _ => length(text),
    }
}

/// The sides of a sheet along and across the lines: the longer one along.
fn sheet(text: &str) -> Result<[f64; 2], Error> {
    match text.to_ascii_lowercase().as_str() {
        "a4" => return Ok([297e-3, 210e-3]),
        "letter" => return Ok([11.0 * 25.4e-3, 8.5 * 25.4e-3]),
        _ => {}
    }
    let sides = text.strip_suffix("mm").and_then(|sides| sides.trim().split_once('x'));
    let side =
        |text: &str| text.trim().parse::<f64>().ok().filter(|side| (50.0..=2000.0).contains(side));
    let both = sides.and_then(|(along, across)| Some([side(along)?, side(across)?]));
    both.map(|sides| sides.map(|side| side * 1e-3)).ok_or_else(|| {
        invalid!("write A4, letter, or two sides from 50 to 2000 mm, such as 200x150mm")
    })
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let mut opened = Surroundings::default().open(&options.head.head, false)?;
    let head = opened.link.describe().map_err(Error::HeadFailed)?;
    let trims = opened.link.trims().map_err(Error::HeadFailed)?;
    let [along, across] = options.sheet;
    let room = along - 2.0 * MARGIN;
    let wanted = options.length.unwrap_or(head.line_most);
    let length = wanted.min(room);
    let plan = plan(&head, options, length)?;
    let lines = ((across - 2.0 * MARGIN) * plan.resolution).floor() as u32;
    let spec = Spec {
        model: head.model.clone(),
        serial: head.serial.clone(),
        facets: head.facets,
        first_facet: 0,
        speed: plan.speed,
        dots: plan.dots,
        lines,
        in_scan_pitch: plan.in_scan_pitch,
        cross_scan_pitch: plan.cross_scan_pitch,
        places: options.places,
        reach: options.reach,
        ruler_room: options.ruler_room,
        trims: trims_text(&trims),
        date: options.date.to_string(),
    };
    let name = options.file.display();
    let refused = |error| invalid!("there is no such chart: {error}");
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
                "The line is {:.1} mm long where the head draws {:.1} mm: a sheet of {:.0} mm has no room for more. What is \
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
            rpm_text(plan.speed),
            plan.length,
            plan.resolution * 25.4e-3
        ),
        "",
    ));
    text.push('\n');
    say(&text);
    Ok(0)
}

fn rpm_text(speed: f64) -> String {
    format!("{} rpm", (speed * 60.0 / core::f64::consts::TAU * 1e6).round() / 1e6)
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

/// The trims in force, in a few words.
fn trims_text(trims: &[Trim]) -> String {
    let off = trims.iter().filter(|trim| **trim != Trim::default()).count();
    if off == 0 {
        return "none".to_string();
    }
    let most =
        |value: fn(&Trim) -> f64| trims.iter().map(value).fold(0.0, |a: f64, b| a.max(b.abs()));
    format!(
        "of {off} facets, up to {:.0} ns and {:.1} urad",
        most(|trim| trim.in_scan) * 1e9,
        most(|trim| trim.cross_scan) * 1e6
    )
}
