//! Which data sheet holds for a head of the list, and the script as each sheet sets it.

use crate::batch::options::Options;
use crate::disk::{Disk, read_text};
use crate::error::Error;
use crate::setup::Retest;
use spintrue_language::{Diagnostic, ListRow, Series};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Columns of a list that are no params.
const OWN_COLUMNS: &[&str] = &["serial", "head", "fault", "sheet"];

/// A script with its settings.
pub(crate) struct Script {
    pub series: Series,
    pub retest: Retest,
    /// The text of the data sheet of a row.
    text: Option<String>,
}

/// Scripts by the data sheets of rows; one without, which reads the list.
pub(crate) type Scripts = BTreeMap<Option<String>, Script>;

impl Script {
    /// Reads the script; a sheet of a row overrides those of `--set`.
    pub(super) fn read(
        options: &Options,
        sheet: Option<&str>,
    ) -> Result<(Script, Vec<Diagnostic>), Error> {
        let text = sheet.map(|sheet| read_text(Path::new(sheet))).transpose()?;
        let mut settings = options.settings.settings.clone();
        settings.extend(sheet.map(|sheet| format!("@{sheet}")));
        let (series, problems) =
            Series::read(&mut Disk, &options.script, &settings, &options.list, OWN_COLUMNS)?;
        let retest = Retest::new(series.sources(), &settings, &options.archiving)?;
        Ok((Script { series, retest, text }, problems))
    }

    /// The text of its data sheet, for the digest of a row.
    pub(super) fn sheet_text(&self) -> Option<String> {
        self.text.clone()
    }
}

/// The data sheet of a row; none where there is neither a column `sheet` nor `--sheet`. Fails with the column that
/// is to blame.
pub(super) fn of_row(
    options: &Options,
    series: &Series,
    row: &ListRow,
) -> Result<Option<String>, &'static str> {
    let cell = series.cell(row, "sheet");
    if let Some(cell) = cell.filter(|cell| !cell.text.is_empty()) {
        return Ok(Some(cell.text.strip_prefix('@').unwrap_or(&cell.text).to_string()));
    }
    match of_serial(options, series.cell(row, "serial").map_or("", |cell| &cell.text)) {
        Some(file) => Ok(Some(file.clone())),
        None if cell.is_some() => Err("sheet"),
        None if options.sheets.is_empty() => Ok(None),
        None => Err("serial"),
    }
}

/// The data sheet of the first pattern that a serial number has.
pub(super) fn of_serial<'a>(options: &'a Options, serial: &str) -> Option<&'a String> {
    let serial: Vec<char> = serial.chars().collect();
    let mut sheets = options.sheets.iter();
    sheets.find(|(pattern, _)| is_like(pattern, &serial)).map(|(_, file)| file)
}

/// Whether a text has a pattern, in which `*` stands for any letters and `?` for one.
fn is_like(pattern: &str, text: &[char]) -> bool {
    // Where the part of the text may end that the pattern up to here stands for.
    let ends = pattern.chars().fold(BTreeSet::from([0]), |ends, wanted| match wanted {
        '*' => ends.first().map_or(BTreeSet::new(), |first| (*first..=text.len()).collect()),
        wanted => {
            let fits = |letter: &char| wanted == '?' || *letter == wanted;
            ends.into_iter()
                .filter(|end| text.get(*end).is_some_and(fits))
                .map(|it| it + 1)
                .collect()
        }
    });
    ends.contains(&text.len())
}
