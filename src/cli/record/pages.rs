//! Exposed pages for a record: their banding, and their pictures as PNG files.

use crate::cli::picture::{Look, encode};
use crate::head::sim::medium::Sheet;
use crate::optics::banding;
use crate::record::{Page, Picture};

/// Most pictures of a record.
const PICTURES_MOST: usize = 4;

/// Largest picture in bytes.
const BYTES_MOST: usize = 8 << 20;

/// What the medium shows of each page.
pub(crate) fn pages(sheets: &[Sheet], look: &Look) -> Vec<Page> {
    let numbered = (1..).zip(sheets);
    let page = |(number, sheet): (usize, &Sheet)| Page {
        number,
        lines: sheet.lines.len(),
        banding: banding(&sheet.shifts(), sheet.facets).ok(),
        picture: if number > PICTURES_MOST {
            Picture::Missing(format!("a record shows the first {PICTURES_MOST} pages"))
        } else {
            picture(sheet, look).unwrap_or_else(Picture::Missing)
        },
    };
    numbered.map(page).collect()
}

fn picture(sheet: &Sheet, look: &Look) -> Result<Picture, String> {
    let picture = look.of(sheet)?;
    let mut png = Vec::new();
    encode(&mut png, &picture).map_err(|error| error.to_string())?;
    if png.len() > BYTES_MOST {
        let most = BYTES_MOST >> 20;
        return Err(format!("it would take more than {most} MiB; `--picture` writes it to a file"));
    }
    Ok(Picture::Png { png, width: picture.width, height: picture.height })
}
