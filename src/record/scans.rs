//! Sheets that were exposed, scanned and read, and the files that are kept of them.

use crate::error::{Error, invalid};
use spintrue_chart::{ChartError, Picture, ReadSheet, ScanReading};
use std::cell::RefCell;
use std::path::Path;
use std::rc::Rc;

/// Most sheets that are kept: the first, and the last ones.
const MAX_SHEETS: usize = 20;

/// A sheet that was exposed, scanned and read.
#[derive(Clone, Debug)]
pub(crate) struct ScannedSheet {
    /// Its number, from 1.
    pub number: u32,
    /// The file of the scan.
    pub scan: String,
    /// What it tells.
    pub reading: ScanReading,
    /// The scan with the marks that were found.
    pub picture: Picture,
}

impl ScannedSheet {
    /// Of a sheet that was read.
    pub(crate) fn of(
        number: u32,
        scan: &Path,
        sheet: &ReadSheet<'_>,
    ) -> Result<ScannedSheet, ChartError> {
        let (scan, picture) = (scan.display().to_string(), sheet.picture()?);
        Ok(ScannedSheet { number, scan, reading: sheet.reading.clone(), picture })
    }

    /// The name of its picture.
    pub(crate) fn picture_name(&self) -> String {
        format!("sheet-{}.png", self.number)
    }

    /// Its files, with their names.
    pub(super) fn files(&self) -> Result<[(String, Vec<u8>); 2], Error> {
        let json = serde_json::to_vec(&self.reading).map_err(|error| invalid!("{error}"))?;
        let numbers = format!("sheet-{}.json", self.number);
        Ok([(self.picture_name(), self.picture.png.clone()), (numbers, json)])
    }
}

/// The sheets of a run so far.
#[derive(Clone, Default)]
pub(crate) struct ScannedSheets(Rc<RefCell<Vec<ScannedSheet>>>);

impl ScannedSheets {
    /// Adds one, which gets the next number.
    pub(crate) fn add(&self, sheet: ScannedSheet) {
        let mut sheets = self.0.borrow_mut();
        let number = sheets.last().map_or(1, |last| last.number + 1);
        if sheets.len() >= MAX_SHEETS {
            sheets.remove(1);
        }
        sheets.push(ScannedSheet { number, ..sheet });
    }

    /// Takes them all.
    pub(crate) fn take(&self) -> Vec<ScannedSheet> {
        self.0.take()
    }
}
