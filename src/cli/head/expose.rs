//! `head expose`: an image goes through a simulated head, before and after trimming. It runs a
//! script of its own through the same door as any other.

use crate::bounds;
use crate::cli::files::{Disk, Supply};
use crate::cli::output::{Force, Place};
use crate::cli::pages::{Drawn, Told};
use crate::cli::picture::{self, Look};
use crate::cli::run::{About, printer};
use crate::cli::signals::stop_on_request;
use crate::cli::{WRONG, address};
use crate::head::sim::medium::Sheet;
use crate::head::station::Station;
use crate::image::Bitmap;
use crate::session::{self, FileError, Files, Text, Verdict, prepare, read_image};
use crate::terminal::complain;
use crate::terminal::told::rendered;
use crate::units::{Dimension, parse_quantity};
use clap::Args;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

pub(super) const AFTER_HELP: &str = "\
The image is a Netpbm P4 file: one bit a dot, black is where light falls. Line k is drawn by facet
k mod N, each in its place by facet errors, start of scan, trims, lens and dot clock as made, on a
medium that moves by one pitch a line. The picture shows what the medium would, in gray levels of
one PNG file; docs/exposure.md says how. Banding is told from the lines' shifts across, before and
after trimming with `--trim`. Exit codes are those of `spintrue run`.

Nothing real moves. On a real head a script would let light out: eyewear on, covers closed, nobody
in the beam path. spintrue is not a safety function: the hardware interlock chain stands on its
own. IEC 60825-1, local codes and the laser safety officer decide.

Examples:
  spintrue head expose page.pbm
  spintrue head expose page.pbm --out page.png
  spintrue head expose page.pbm --out after.png --before before.png --trim
  spintrue head expose page.pbm --out page.png --head sim:my_head.toml --seed 7 --spot 120um";

/// The script that is run.
const SCRIPT: &str = include_str!("expose.spt");

#[derive(Args)]
pub(super) struct Options {
    /// The image, a Netpbm P4 file
    image: String,
    /// Which simulated head
    #[arg(long, value_name = "ADDRESS", default_value = "sim")]
    head: String,
    /// Where the picture goes, a PNG file; with `--trim` that of the trimmed page. Without this only
    /// the banding is told
    #[arg(long, value_name = "PICTURE.png")]
    out: Option<PathBuf>,
    /// Measures and trims every facet, and exposes the image once more
    #[arg(long)]
    trim: bool,
    /// Where the picture of the page before trimming goes
    #[arg(long, value_name = "PICTURE.png", requires = "trim")]
    before: Option<PathBuf>,
    /// Polygon speed
    #[arg(long, value_name = "SPEED", default_value = "4800 rpm", value_parser = speed)]
    speed: String,
    /// Dots per length, along and across
    #[arg(long, value_name = "RESOLUTION", default_value = "300 dpi", value_parser = resolution)]
    resolution: (String, f64),
    #[command(flatten)]
    look: Look,
    #[command(flatten)]
    force: Force,
    /// Seed of the head: the same seed gives the same picture [default: 1]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// Prints JSON Lines for machines
    #[arg(long)]
    json: bool,
}

fn given(text: &str, dimension: Dimension, example: &str) -> Result<f64, String> {
    match parse_quantity(text) {
        Ok((value, Some(unit))) if unit.dimension == dimension && value > 0.0 => Ok(value),
        Ok(_) => Err(format!("this is no {}: write it like `{example}`", dimension.name(&[]))),
        Err(error) => Err(error.to_string()),
    }
}

fn speed(text: &str) -> Result<String, String> {
    given(text, Dimension::ROTATION, "4800 rpm").map(|_| text.to_string())
}

fn resolution(text: &str) -> Result<(String, f64), String> {
    given(text, Dimension::RESOLUTION, "300 dpi").map(|value| (text.to_string(), value))
}

/// The script of this command, and images where the options say.
struct Own;

impl Files for Own {
    fn read(&mut self, _from: Option<&str>, path: &str) -> Result<Text, FileError> {
        Ok(Text { name: path.to_string(), text: SCRIPT.to_string() })
    }

    fn bytes(&mut self, _from: &str, path: &str) -> Result<Vec<u8>, FileError> {
        Disk.bytes("", path)
    }
}

pub(super) fn expose(options: &Options) -> u8 {
    match exposed(options) {
        Ok(code) => code,
        Err((code, why)) => {
            complain(&format!("{}\n", why.trim_end()));
            code
        }
    }
}

fn wrong(why: String) -> (u8, String) {
    (WRONG, format!("error: {why}"))
}

fn exposed(options: &Options) -> Result<u8, (u8, String)> {
    let image = read_image(&mut Own, "", &options.image).map_err(|why| wrong(why.into()))?;
    if image.more() {
        let name = &options.image;
        complain(&format!("note: {name} holds several images; the first is exposed\n"));
    }
    let pitch = 1.0 / options.resolution.1;
    options.look.fits(image.width(), image.height(), pitch).map_err(wrong)?;
    let opened = address::open(&options.head, options.seed).map_err(|why| (WRONG, why))?;
    let Some(medium) = opened.medium else {
        return Err(wrong(format!("`{}` is no simulated head", options.head)));
    };
    medium.keep();
    let prepared = prepare(&mut Own, "head expose", &settings(&image, options))
        .map_err(|why| wrong(why.into()))?;
    complain(&rendered(&prepared.diagnostics, &prepared.sources));
    let Some(program) = &prepared.program else { return Ok(WRONG) };
    let take = |path: &Path| Place::take(path, &options.force);
    let take = |path: &Path| take(path).map_err(|why| wrong(format!("the picture {why}")));
    let out = options.out.as_deref().map(take).transpose()?;
    let before = options.before.as_deref().map(take).transpose()?;
    let stop = Arc::new(AtomicBool::new(false));
    let seed = opened.seed;
    let mut station = Station::open(opened.head, opened.gauge, stop.clone()).map_err(|fault| {
        (Verdict::HeadFailed.exit_code(), format!("error: the head does not answer: {fault}"))
    })?;
    station.supply(Box::new(Supply::new(Own, "")));
    let bound = bounds::bound(program, &prepared.params, station.description());
    let head = station.description().clone();
    let admitted = prepared.admit(&head, &|fault| station.refused(fault), Vec::new());
    let runnable = match admitted {
        Ok(runnable) => runnable,
        Err(refused) => return Err((WRONG, rendered(&refused, &prepared.sources))),
    };
    let params = program.params.iter().map(|p| (p.name.to_string(), p.text.clone())).collect();
    let about = About {
        script: "head expose",
        head: &head,
        address: None,
        seed,
        faults: opened.faults,
        operator: None,
        params,
        at_most: bound.most,
        replay: false,
        again: Vec::new(),
        files: Vec::new(),
    };
    let mut printer = printer(&about, options.json);
    stop_on_request(&[stop])
        .map_err(|error| wrong(format!("Ctrl-C cannot be watched for: {error}")))?;
    let finished = session::run(runnable, &mut station, &mut *printer);
    let told = pictures(options, &medium.take(), out, before);
    let (told, trouble) = match told {
        Ok(told) => (told, None),
        Err(why) => (Vec::new(), Some(why)),
    };
    printer.pages(&told);
    printer.finish(&finished, &prepared);
    match (finished.verdict().exit_code(), trouble) {
        (0, Some(why)) => Err(wrong(why)),
        (code, Some(why)) => Err((code, format!("error: {why}"))),
        (code, None) => Ok(code),
    }
}

/// What the script's params are.
fn settings(image: &Bitmap, options: &Options) -> Vec<String> {
    let (resolution, _) = &options.resolution;
    vec![
        format!("image={}", options.image),
        format!("speed={}", options.speed),
        format!("dots={}", image.width()),
        format!("resolution={resolution}"),
        format!("lines={}", image.height()),
        format!("trimmed={}", options.trim),
    ]
}

/// Writes what was asked for, and tells of every page.
fn pictures(
    options: &Options,
    sheets: &[Sheet],
    mut out: Option<Place>,
    mut before: Option<Place>,
) -> Result<Vec<Told>, String> {
    let drawn = |sheet: &Sheet, place: Place, path: &Path| {
        let picture = options.look.of(sheet)?;
        picture::write(place, &picture)?;
        Ok::<_, String>(Drawn::new(path, &picture))
    };
    let last = if options.trim { 1 } else { 0 };
    let mut told = Vec::new();
    for (index, sheet) in sheets.iter().enumerate() {
        let (place, path) = if index == last {
            (out.take(), options.out.as_ref())
        } else {
            (before.take(), options.before.as_ref())
        };
        let picture = match (place, path) {
            (Some(place), Some(path)) => Some(drawn(sheet, place, path)?),
            _ => None,
        };
        let label = match (options.trim, index) {
            (false, _) => "as trimmed now",
            (true, 0) => "before trimming",
            (true, _) => "after trimming",
        };
        told.push(Told::new(label.to_string(), sheet, picture));
    }
    Ok(told)
}
