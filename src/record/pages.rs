//! Exposed pages for a record: their banding, and their pictures as PNG files.

use crate::record::data::{Page, Picture};
use crate::record::picture::{draw, encode};
use spintrue_language::banding;
use spintrue_sim::Sheet;
use spintrue_sim::Showing;

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
            encoded(sheet, showing).unwrap_or_else(Picture::Missing)
        },
    };
    numbered.map(page).collect()
}

fn encoded(sheet: &Sheet, showing: &Showing) -> Result<Picture, String> {
    let picture = draw(sheet, showing).map_err(|error| error.to_string())?;
    let mut png = Vec::new();
    encode(&mut png, &picture).map_err(|error| error.to_string())?;
    if png.len() > MAX_BYTES {
        let most = MAX_BYTES >> 20;
        return Err(format!("it would take more than {most} MiB; `--picture` writes it to a file"));
    }
    Ok(Picture::Png { png, width: picture.width, height: picture.height })
}
