//! `head expose`: an image goes through a simulated head, before and after trimming. It runs a script of
//! its own, as `run` would.

use crate::cli::look::Look;
use crate::cli::pages::ExposedPage;
use crate::cli::run::printer;
use crate::disk::{Disk, Force, Place};
use crate::error::{Error, WRONG, invalid};
use crate::setup::options::{HeadOption, Surroundings, positive};
use crate::setup::{Stage, load};
use crate::terminal::{complain, progress};
use clap::Args;
use spintrue_head::{Bitmap, Dimension, stop_on_request};
use spintrue_language::{FileError, Files, SourceText, read_image, run_script};
use spintrue_sim::Sheet;
use std::path::PathBuf;

/// The script that is run.
const SCRIPT: &str = include_str!("expose.spt");

#[derive(Args)]
pub(crate) struct Options {
    /// The image, a Netpbm P4 file
    image: String,
    #[command(flatten)]
    head: HeadOption,
    /// Write the picture, a PNG file; with `--trim` that of the trimmed page. Without this only the
    /// banding is shown
    #[arg(long, value_name = "PICTURE.png")]
    out: Option<PathBuf>,
    /// Measure and trim every facet, and expose the image once more
    #[arg(long)]
    trim: bool,
    /// Write the picture of the page before trimming
    #[arg(long, value_name = "PICTURE.png", requires = "trim")]
    before: Option<PathBuf>,
    /// Polygon speed
    #[arg(long, value_name = "SPEED", default_value = "4800 rpm", value_parser = speed)]
    speed: String,
    /// Dots per length, in-scan and cross-scan
    #[arg(long, value_name = "RESOLUTION", default_value = "300 dpi", value_parser = resolution)]
    resolution: (String, f64),
    /// Share of full power at which the laser is armed
    #[arg(long, value_name = "SHARE", default_value = "35 %", value_parser = power)]
    power: String,
    #[command(flatten)]
    look: Look,
    #[command(flatten)]
    force: Force,
    /// Seed of the head: the same seed gives the same picture [default: 1]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// Print JSON Lines
    #[arg(long)]
    json: bool,
}

fn speed(text: &str) -> Result<String, Error> {
    positive(text, Dimension::ROTATION, "4800 rpm").map(|_| text.to_string())
}

fn power(text: &str) -> Result<String, Error> {
    positive(text, Dimension::NUMBER, "35 %").map(|_| text.to_string())
}

fn resolution(text: &str) -> Result<(String, f64), Error> {
    positive(text, Dimension::RESOLUTION, "300 dpi").map(|value| (text.to_string(), value))
}

/// The script of this command, and images where the options say.
struct OwnScript;

impl Files for OwnScript {
    fn read(&mut self, _from: Option<&str>, path: &str) -> Result<SourceText, FileError> {
        Ok(SourceText { name: path.to_string(), text: SCRIPT.to_string() })
    }

    fn bytes(&mut self, _from: &str, path: &str) -> Result<Vec<u8>, FileError> {
        Disk.bytes("", path)
    }
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let image = read_image(&mut Disk, "", &options.image)?;
    if image.more() {
        let name = &options.image;
        complain(&format!("note: {name} holds several images; the first is exposed\n"));
    }
    options.look.check(image.width(), image.height(), 1.0 / options.resolution.1)?;
    let around = Surroundings { seed: options.seed, ..Surroundings::default() };
    let opened = around.open(&options.head.head, false)?;
    match &opened.medium {
        Some(medium) => medium.keep(),
        None => return Err(invalid!("`{}` is no simulated head", options.head.head)),
    }
    let prepared = load(&mut OwnScript, "head expose", &options.settings(&image))?;
    let place = |path: &'_ Option<PathBuf>| match path {
        Some(path) => Place::take(path, &options.force)
            .map(|place| Some((place, path.clone())))
            .map_err(|error| invalid!("the picture {error}")),
        None => Ok(None),
    };
    let places = [place(&options.before)?, place(&options.out)?];
    let mut stage = Stage::open(opened, "")?;
    let (runnable, _) = stage.admit(&prepared, None)?;
    let about = stage.about(
        Some(&prepared),
        "head expose",
        prepared.bound(&stage.head).and_then(|b| b.most),
    );
    let mut printer = printer(&about, options.json);
    stop_on_request(std::slice::from_ref(&stage.stop))?;
    let finished = run_script(runnable, &mut stage.station, &mut *printer);
    progress::begin();
    let pages = options.pages(&stage.sheets(), places);
    printer.pages(pages.as_deref().unwrap_or_default());
    printer.finish(&finished, &prepared);
    let code = finished.verdict().exit_code();
    Ok(match pages {
        Err(error) => {
            error.print();
            if code == 0 { WRONG } else { code }
        }
        Ok(_) => code,
    })
}

impl Options {
    /// The params of the script.
    fn settings(&self, image: &Bitmap) -> Vec<String> {
        vec![
            format!("image={}", self.image),
            format!("speed={}", self.speed),
            format!("dots={}", image.width()),
            format!("resolution={}", self.resolution.0),
            format!("power={}", self.power),
            format!("lines={}", image.height()),
            format!("trimmed={}", self.trim),
        ]
    }

    /// Writes the pictures of the pages before and after trimming, where there are places for them.
    fn pages(
        &self,
        sheets: &[Sheet],
        [before, after]: [Option<(Place, PathBuf)>; 2],
    ) -> Result<Vec<ExposedPage>, Error> {
        let labels = match self.trim {
            true => vec![("before trimming", before), ("after trimming", after)],
            false => vec![("as trimmed now", after)],
        };
        let mut pages = Vec::new();
        for (sheet, (label, place)) in sheets.iter().zip(labels) {
            let picture = place.map(|(place, path)| self.look.write(sheet, place, &path));
            pages.push(ExposedPage::new(label.to_string(), sheet, picture.transpose()?));
        }
        Ok(pages)
    }
}
