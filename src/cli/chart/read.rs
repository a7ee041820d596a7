//! `chart read`: what a scan of an exposed chart tells.

use crate::cli::chart::report;
use crate::disk::{check_empty, open_file};
use crate::error::{Error, invalid};
use crate::record::{ScannedSheet, keep_scan};
use crate::setup::{SCAN_BUFFER, read_layout, read_ruler};
use crate::terminal::colour_output;
use crate::terminal::show;
use clap::Args;
use spintrue_chart::read_scan;
use std::io::BufReader;
use std::path::PathBuf;

#[derive(Args)]
pub(crate) struct Options {
    /// The scan: PNG, TIFF, PGM or JPEG, in gray or colour
    scan: PathBuf,
    /// The chart that was exposed, as `chart draw` wrote it
    #[arg(long, value_name = "CHART.pbm")]
    chart: PathBuf,
    /// The certificate of a ruler that lay in the empty strip, its first mark towards the first dots
    #[arg(long, value_name = "RULER.toml")]
    ruler: Option<PathBuf>,
    /// Keep what was read in an empty or new folder: a report to read, its picture of the scan with the marks that were
    /// found, and the numbers
    #[arg(long, value_name = "DIR")]
    record: Option<PathBuf>,
    /// Print one JSON object, in SI units
    #[arg(long)]
    json: bool,
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let scan = options.scan.display();
    let layout = read_layout(&options.chart)?;
    let ruler = options.ruler.as_deref().map(read_ruler).transpose()?;
    options.record.as_deref().map(check_empty).transpose()?;
    let file = BufReader::with_capacity(SCAN_BUFFER, open_file(&options.scan)?);
    let wrong = |error| invalid!("the scan {scan}: {error}");
    let sheet = read_scan(&layout, ruler.as_ref(), file).map_err(wrong)?;
    if let Some(folder) = &options.record {
        keep_scan(folder, &ScannedSheet::of(1, &options.scan, &sheet).map_err(wrong)?)?;
    }
    let reading = &sheet.reading;
    show(options.json, &report::as_json(reading), &report::as_text(reading, colour_output()));
    Ok(0)
}
