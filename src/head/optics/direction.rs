//! The directions in which the marks of a line are read.

use crate::optics::{Mark, Reading, SHAPE, Stated};

/// A direction in which marks are read: a type of its own, so that what is worked out of a million marks is
/// compiled for each.
pub(super) trait Direction {
    /// 1 where an error of the speed shows in it, else 0.
    const SPEED: f64 = 0.0;
    /// Coefficients that lines are told by.
    const TOLD: usize = SHAPE;
    /// Where its marks lie off the shape is judged.
    const JUDGED: bool = true;
    fn value(mark: &Mark) -> f64;
    fn stated(reading: &Reading) -> Stated;
}

pub(super) enum Along {}

impl Direction for Along {
    const SPEED: f64 = 1.0;

    fn value(mark: &Mark) -> f64 {
        mark.in_scan
    }

    fn stated(reading: &Reading) -> Stated {
        reading.in_scan_u
    }
}

pub(super) enum Across {}

impl Direction for Across {
    const TOLD: usize = SHAPE - 1;

    fn value(mark: &Mark) -> f64 {
        mark.cross_scan
    }

    fn stated(reading: &Reading) -> Stated {
        reading.cross_scan_u
    }
}

pub(super) enum Dose {}

impl Direction for Dose {
    const JUDGED: bool = false;

    fn value(mark: &Mark) -> f64 {
        mark.dose
    }

    fn stated(reading: &Reading) -> Stated {
        Stated { random: reading.dose_u, ..Stated::default() }
    }
}

/// How wide a mark is along the line.
pub(super) enum Width {}

impl Direction for Width {
    fn value(mark: &Mark) -> f64 {
        mark.width.unwrap_or(f64::NAN)
    }

    fn stated(reading: &Reading) -> Stated {
        Stated { random: reading.width_u.unwrap_or(f64::NAN), ..Stated::default() }
    }
}
