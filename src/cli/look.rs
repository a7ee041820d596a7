//! Options of pictures, and pictures of exposed pages as PNG files. A place is reserved before anything
//! moves.

use crate::cli::pages::Picture;
use crate::disk::Place;
use crate::error::{Error, invalid};
use crate::record::{draw, encode};
use crate::setup::options::positive;
use clap::Args;
use spintrue_head::Dimension;
use spintrue_sim::{MAX_SCALE, Sheet, Showing};
use std::io;
use std::path::{Path, PathBuf};

// How a picture is drawn.
#[derive(Args)]
pub(super) struct Look {
    /// Pixels per dot of the picture, each way, 1 to 16
    #[arg(long, value_name = "N", default_value_t = 1,
        value_parser = clap::value_parser!(u32).range(1..=i64::from(MAX_SCALE)))]
    pixels_per_dot: u32,
    /// 1/e² diameter of the spot, such as 120um [default: what the optics of the head make]
    #[arg(long, value_name = "LENGTH", value_parser = spot)]
    spot: Option<f64>,
}

fn spot(text: &str) -> Result<f64, Error> {
    positive(text, Dimension::LENGTH, "120um")
}

impl Look {
    pub(super) fn showing(&self) -> Showing {
        Showing { scale: self.pixels_per_dot, spot: self.spot }
    }

    /// Draws a page and writes the picture to its place.
    pub(super) fn write(&self, sheet: &Sheet, place: Place, path: &Path) -> Result<Picture, Error> {
        let drawn = draw(sheet, &self.showing()).map_err(|error| invalid!("{error}"))?;
        let written = place.write_with(|to| {
            encode(to, &drawn).map_err(|error| match error {
                png::EncodingError::IoError(error) => error,
                error => io::Error::other(error.to_string()),
            })
        });
        written.map_err(|error| invalid!("the picture {error}"))?;
        let path = path.display().to_string();
        Ok(Picture { path, width: drawn.width, height: drawn.height, spot: drawn.spot })
    }

    /// Refuses a page of `width` by `height` dots with a pitch in m that cannot be drawn.
    pub(super) fn check(&self, width: u32, height: u32, pitch: f64) -> Result<(), Error> {
        let fits = self.showing().fits(width, height, pitch);
        fits.map(|_| ()).map_err(|error| invalid!("{error}"))
    }
}

/// The path of page `number`, from 1: `page.png`, then `page-2.png`.
pub(super) fn numbered(path: &Path, number: usize) -> PathBuf {
    if number <= 1 {
        return path.to_path_buf();
    }
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    let name = match path.extension() {
        Some(extension) => format!("{stem}-{number}.{}", extension.to_string_lossy()),
        None => format!("{stem}-{number}"),
    };
    path.with_file_name(name)
}
