//! The gauge trait: the instrument that measures an exposed line. On a real station it is
//! another instrument than the head, so it is a trait of its own.

use crate::head::Fault;

/// Where a test line lies, against where it should.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// Shift along the line in m, + in the direction of the scan.
    pub in_scan: f64,
    /// Shift across the line in m, + in the direction of a larger galvanometer angle.
    pub cross_scan: f64,
    /// Standard uncertainty of a single reading along the line in m, as the gauge states it.
    pub in_scan_u: f64,
    /// Standard uncertainty of a single reading across the line in m, as the gauge states it.
    pub cross_scan_u: f64,
}

/// An instrument that measures lines.
pub trait Gauge {
    /// Measures the line that was exposed last.
    fn measure(&mut self) -> Result<Reading, Fault>;
}
