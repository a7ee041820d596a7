//! Relations between polygon, f-theta lens, galvanometer and line, first order throughout.
//!
//! Symbols: N facets, ω polygon speed in rad/s, f focal length in m. Sources stand beside
//! each formula; where none is readable the text says 'derived' or 'common practice'.

use core::f64::consts::{PI, TAU};

/// Lines per second: N·ω/2π (derived).
pub(crate) fn line_rate(facets: u32, speed: f64) -> f64 {
    f64::from(facets) * speed / TAU
}

/// Full optical scan angle of one facet in rad: 4π/N, since a mirror turns the beam by twice
/// its own angle (derived; 6 facets → 120 deg as quoted from Hobbs, *Building Electro-Optical
/// Systems*).
pub(crate) fn optical_scan_angle(facets: u32) -> f64 {
    4.0 * PI / f64::from(facets)
}

/// Speed of the spot along the line in m/s: 2·ω·f, from the f-theta law x = f·θ.
pub fn spot_velocity(speed: f64, focal_length: f64) -> f64 {
    2.0 * speed * focal_length
}

/// Cross-scan shift in m of a facet whose face leans by `angle` rad against the axis: 2·a·f
/// (Beiser, *Unified Optical Scanning Technology* 4.3: facet-to-axis error shows across the
/// scan; the factor derived).
pub fn facet_to_axis_shift(angle: f64, focal_length: f64) -> f64 {
    2.0 * angle * focal_length
}

/// Cross-scan position in m of a galvanometer that stands ahead of the lens at the mechanical
/// angle `angle` in rad: 2·g·f (derived).
pub fn galvanometer_shift(angle: f64, focal_length: f64) -> f64 {
    2.0 * angle * focal_length
}
