//! The gauge trait: the instrument that measures an exposed line. On a real station it is
//! another instrument than the head, so it is a trait of its own.

use crate::Fault;

pub use crate::optics::Reading;

/// An instrument that measures lines.
pub trait Gauge {
    /// Measures the line that was exposed last.
    fn measure(&mut self) -> Result<Reading, Fault>;
}
