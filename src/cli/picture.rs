//! Pictures of exposed pages as PNG files. The place is taken before the head's time starts.

use crate::cli::output::Place;
use crate::head::sim::medium::Sheet;
use crate::head::sim::render::{MAX_SCALE, Picture, Showing, picture};
use crate::units::{Dimension, parse_quantity};
use clap::Args;
use std::io::{Error, Write};
use std::path::{Path, PathBuf};

/// How a picture is drawn.
#[derive(Args)]
pub(super) struct Look {
    /// Pixels per dot of the picture, each way, 1 to 16
    #[arg(long, value_name = "N", default_value_t = 1,
        value_parser = clap::value_parser!(u32).range(1..=i64::from(MAX_SCALE)))]
    pixels_per_dot: u32,
    /// 1/e² diameter of the spot, such as 120um [default: one and a half times the pitch]
    #[arg(long, value_name = "LENGTH", value_parser = spot)]
    spot: Option<f64>,
}

impl Default for Look {
    /// As without options.
    fn default() -> Look {
        Look { pixels_per_dot: 1, spot: None }
    }
}

fn spot(text: &str) -> Result<f64, String> {
    let example = "give a length, such as `120um`";
    match parse_quantity(text) {
        Ok((value, Some(unit))) if unit.dimension == Dimension::LENGTH && value > 0.0 => Ok(value),
        Ok(_) => Err(format!("this is no diameter: {example}")),
        Err(error) => Err(error.to_string()),
    }
}

impl Look {
    fn showing(&self) -> Showing {
        Showing { scale: self.pixels_per_dot, spot: self.spot }
    }

    /// The picture of a page.
    pub(super) fn of(&self, sheet: &Sheet) -> Result<Picture, String> {
        let threads = std::thread::available_parallelism().map_or(1, usize::from);
        let lend = |work: &(dyn Fn() + Sync)| {
            std::thread::scope(|scope| {
                for _ in 1..threads {
                    scope.spawn(work);
                }
                work();
            });
        };
        picture(sheet, &self.showing(), lend).map_err(|error| error.to_string())
    }

    /// Fails in plain words where a page of `width` by `height` dots with a pitch in m cannot be
    /// drawn so.
    pub(super) fn fits(&self, width: u32, height: u32, pitch: f64) -> Result<(), String> {
        self.showing().fits(width, height, pitch).map(|_| ()).map_err(|error| error.to_string())
    }
}

/// Writes a picture to its place.
pub(super) fn write(place: Place, picture: &Picture) -> Result<(), String> {
    let written = place.write_with(|to| {
        encode(to, picture).map_err(|error| match error {
            png::EncodingError::IoError(error) => error,
            error => Error::other(error.to_string()),
        })
    });
    written.map_err(|why| format!("the picture {why}"))
}

/// Writes gray levels with the size of a pixel.
pub(super) fn encode(to: impl Write, picture: &Picture) -> Result<(), png::EncodingError> {
    let mut info = png::Info::with_size(picture.width, picture.height);
    info.color_type = png::ColorType::Grayscale;
    info.bit_depth = png::BitDepth::Eight;
    let per_metre = |size: f64| (1.0 / size).round().clamp(1.0, f64::from(u32::MAX)) as u32;
    info.pixel_dims = Some(png::PixelDimensions {
        xppu: per_metre(picture.pixel.0),
        yppu: per_metre(picture.pixel.1),
        unit: png::Unit::Meter,
    });
    let mut encoder = png::Encoder::with_info(to, info)?;
    encoder.set_compression(png::Compression::Balanced);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(&picture.gray)?;
    writer.finish()
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
