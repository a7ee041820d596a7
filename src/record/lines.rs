//! `lines.csv`: a row for each line that was measured, by RFC 4180, in SI units.

use spintrue_head::{Reading, Trim};

/// The first row, which names the columns and their units.
pub(crate) const LINES_HEADER: &str = "line,round,time_s,facet,in_scan_m,cross_scan_m,\
    in_scan_standard_uncertainty_m,cross_scan_standard_uncertainty_m,\
    in_scan_trim_s,cross_scan_trim_rad\r\n";

/// A measured line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct LineRow {
    /// Which one, from 1.
    pub number: u64,
    /// Lines measured under the same trims have the same number, from 1.
    pub round: usize,
    /// Head time in s.
    pub time: f64,
    /// The facet that drew it.
    pub facet: u32,
    /// What the gauge read.
    pub reading: Reading,
    /// The trim of its facet, where it is known.
    pub trim: Option<Trim>,
}

impl LineRow {
    /// As a row; numbers read back to the same doubles.
    pub(crate) fn text(&self) -> String {
        let LineRow { number, round, time, facet, reading: r, trim } = self;
        let trim = trim.map_or(",".to_string(), |t| format!("{},{}", t.in_scan, t.cross_scan));
        format!(
            "{number},{round},{time},{facet},{},{},{},{},{trim}\r\n",
            r.in_scan, r.cross_scan, r.in_scan_u, r.cross_scan_u
        )
    }
}
