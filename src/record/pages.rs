//! Exposed pages for a record: their banding, and their pictures as PNG files.

use crate::record::data::{Page, Picture};
use crate::record::picture::{draw, encode};
use spintrue_language::banding;
use spintrue_sim::{Sheet, ShowError, Showing};
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
