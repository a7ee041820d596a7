//! The folder of one sheet that was read by itself, without a run: a report, its picture and its numbers.

use crate::disk::{Force, Place, make_folder};
use crate::error::Error;
use crate::record::html::scan_page;
use crate::record::scans::ScannedSheet;
use std::path::Path;

/// Keeps a sheet in a new or empty folder, with a report of it alone.
pub(crate) fn keep_scan(folder: &Path, sheet: &ScannedSheet) -> Result<(), Error> {
    let report = ("report.html".to_string(), scan_page(sheet).into_bytes());
    make_folder(folder)?;
    for (name, bytes) in sheet.files()?.into_iter().chain([report]) {
        Place::take(&folder.join(name), &Force::default())?.write(bytes)?;
    }
    Ok(())
}
