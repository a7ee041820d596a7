//! Exposed pages: their banding, and their pictures as PNG files.

use crate::record::data::{Page, Picture};
use spintrue_language::banding;
use spintrue_sim::{Sheet, ShowError, Showing, draw_picture};
use std::io::Write;
use thiserror::Error;

/// Most pictures of a record.
const MAX_PICTURES: usize = 4;

/// Largest picture in bytes.
const MAX_BYTES: usize = 8 << 20;

/// What the medium shows of each page.
pub(crate) fn pages(sheets: &[Sheet], showing: &Showing) -> Vec<Page> {
    let numbered = (1..).zip(sheets);
    let page = |(number, sheet): (usize, &Sheet)| Page {
        number,
        lines: sheet.lines.len(),
        exposure: sheet.exposure(),
        banding: banding(&sheet.shifts(), sheet.facets).ok(),
        picture: if number > MAX_PICTURES {
            Picture::Missing(format!("a record shows the first {MAX_PICTURES} pages"))
        } else {
            encoded(sheet, showing).unwrap_or_else(|error| Picture::Missing(error.to_string()))
        },
    };
    numbered.map(page).collect()
}

/// Why a page has no picture.
#[derive(Debug, Error)]
enum PictureError {
    #[error(transparent)]
    Show(#[from] ShowError),
    #[error(transparent)]
    Encode(#[from] png::EncodingError),
    #[error("it would take more than {} MiB; `--picture` writes it to a file", MAX_BYTES >> 20)]
    TooLarge,
}

fn encoded(sheet: &Sheet, showing: &Showing) -> Result<Picture, PictureError> {
    let picture = draw(sheet, showing)?;
    let mut png = Vec::new();
    encode(&mut png, &picture)?;
    if png.len() > MAX_BYTES {
        return Err(PictureError::TooLarge);
    }
    Ok(Picture::Png { png, width: picture.width, height: picture.height })
}

/// Draws a page on all cores.
pub(crate) fn draw(sheet: &Sheet, showing: &Showing) -> Result<spintrue_sim::Picture, ShowError> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    draw_picture(sheet, showing, |work| {
        std::thread::scope(|scope| {
            for _ in 1..threads {
                scope.spawn(work);
            }
            work();
        });
    })
}

/// Writes gray levels with the size of a pixel.
pub(crate) fn encode(
    to: impl Write,
    picture: &spintrue_sim::Picture,
) -> Result<(), png::EncodingError> {
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
