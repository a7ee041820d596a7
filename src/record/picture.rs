//! Pictures of exposed pages as PNG files.

use spintrue_sim::{Picture, Sheet, ShowError, Showing, draw_picture};
use std::io::Write;

/// Draws a page on all cores.
pub(crate) fn draw(sheet: &Sheet, showing: &Showing) -> Result<Picture, ShowError> {
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
pub(crate) fn encode(to: impl Write, picture: &Picture) -> Result<(), png::EncodingError> {
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
