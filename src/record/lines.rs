//! `lines.csv`: a row for each line that was measured, by RFC 4180, in SI units.

use spintrue_head::{Reading, Trim};

/// The first row, which names the columns and their units.
pub(crate) const LINES_HEADER: &str = "line,round,time_s,facet,in_scan_m,cross_scan_m,\
    in_scan_standard_uncertainty_m,cross_scan_standard_uncertainty_m,\
    in_scan_trim_s,cross_scan_trim_rad\r\n";

/// A row: which line, from 1; its round, as lines measured under the same trims have it, from 1; head
/// time in s; its facet; what the gauge read; the trim of the facet where it is known. Numbers read back
/// to the same doubles.
pub(crate) fn line_row(
    number: u64,
    round: usize,
    time: f64,
    facet: u32,
    reading: &Reading,
    trim: Option<&Trim>,
) -> String {
    let Reading { in_scan, cross_scan, in_scan_u, cross_scan_u } = reading;
    let trim = trim.map_or(",".to_string(), |t| format!("{},{}", t.in_scan, t.cross_scan));
    format!(
        "{number},{round},{time},{facet},{in_scan},{cross_scan},{in_scan_u},{cross_scan_u},{trim}\r\n"
    )
}
