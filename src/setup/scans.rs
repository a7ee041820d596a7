//! Sheets of a run: what a simulated medium shows of them, and scans of them that are read.

use crate::disk::{Force, Place, open_file, read_image_bytes};
use crate::error::{Error, invalid};
use crate::record::{ScannedSheet, ScannedSheets, draw, encode};
use crate::terminal::{complain, wrapped};
use spintrue_chart::{FacetMark, Layout, ReadSheet, Ruler, ScanReading, read_chart, read_scan};
use spintrue_head::Reading;
use spintrue_sim::{MAX_SCALE, Medium, Showing};
use std::io::{self, BufReader};
use std::path::{Path, PathBuf};

/// Bytes that are read from a scan at once.
pub(crate) const SCAN_BUFFER: usize = 1 << 20;

/// The picture of a simulated sheet has pixels of about so many m at most (1200 dpi), and so many a dot at least: with two
/// the places of lines would be off by 2 µm.
const PIXEL: f64 = 25.4e-3 / 1200.0;
const MIN_SCALE: u32 = 4;

/// Draws what a simulated head exposes on.
pub(super) struct Pictures {
    pub medium: Medium,
    pub showing: Showing,
    pub folder: PathBuf,
    pub force: Force,
}

impl Pictures {
    /// Writes what the medium shows of the page exposed last, and says where.
    pub(super) fn write(&self, name: &str) -> Result<(), Error> {
        let Some(sheet) = self.medium.last() else { return Ok(()) };
        let least = (sheet.dot_pitch.max(sheet.pitch) / PIXEL).round() as u32;
        let showing = Showing {
            scale: self.showing.scale.max(least).clamp(MIN_SCALE, MAX_SCALE),
            ..self.showing
        };
        let picture = draw(&sheet, &showing).map_err(|error| invalid!("{error}"))?;
        let path = self.folder.join(format!("{name}.png"));
        Place::take(&path, &self.force)?.write_with(|to| {
            encode(to, &picture).map_err(|error| io::Error::other(error.to_string()))
        })?;
        say(&format!("What the simulated medium shows is in {}.", path.display()));
        Ok(())
    }
}

/// Reads a chart as it was drawn.
pub(crate) fn read_layout(chart: &Path) -> Result<Layout, Error> {
    read_chart(&read_image_bytes(chart)?)
        .map_err(|error| invalid!("the chart {}: {error}", chart.display()))
}

/// Reads a scan, and keeps it for the record: what all of it tells, and the readings of every facet in each of its
/// `looks`. The operator is told how much of `sheet` was seen.
pub(super) fn read_sheet(
    sheet: &str,
    (layout, ruler): (&Layout, Option<&Ruler>),
    scan: &Path,
    scanned: &ScannedSheets,
    looks: impl FnOnce(&ReadSheet<'_>) -> Vec<ScanReading>,
) -> Result<(ScanReading, Vec<Vec<Reading>>), Error> {
    let name = scan.display();
    let wrong = |error| invalid!("the scan {name}: {error}");
    let file = BufReader::with_capacity(SCAN_BUFFER, open_file(scan)?);
    let read = read_scan(layout, ruler, file).map_err(wrong)?;
    let whole = &read.reading;
    let told: Option<_> = looks(&read).iter().map(|look| look.readings(ruler)).collect();
    let told = told.ok_or_else(|| {
        let unread = |at: f64| {
            let marks = whole.facets.iter().flat_map(|facet| &facet.marks);
            let unknown =
                |mark: &FacetMark| !(mark.in_scan.value + mark.cross_scan.value).is_finite();
            marks.filter(|mark| mark.at == at).any(unknown)
        };
        let places = whole.places.iter().map(|place| place.at).filter(|at| unread(*at));
        let places: Vec<String> = places.map(|at| format!("{at:+.3}")).collect();
        invalid!(
            "the scan {name} does not tell of every facet at {} of the chart's line: scan the whole sheet; \
             `spintrue chart read` says more of it",
            places.join(", ")
        )
    })?;
    scanned.add(ScannedSheet::of(0, scan, &read).map_err(wrong)?);
    say(&format!(
        "{sheet}: {} of {} lines are read. {}",
        whole.lines_seen,
        whole.lines,
        whole.blur().unwrap_or_default()
    ));
    Ok((read.reading, told))
}

/// Tells the operator something.
pub(super) fn say(text: &str) {
    complain(&format!("{}\n", wrapped(text, "")));
}
