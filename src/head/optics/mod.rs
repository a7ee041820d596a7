//! Line planning and trim computation as plain functions with published formulas. Uses units only.

mod advice;
pub(crate) mod clock;
mod exact;
pub(crate) mod geometry;
mod limits;
pub(crate) mod line;
pub(crate) mod linearity;
pub(crate) mod marks;
pub(crate) mod register;
#[cfg(test)]
mod tests;
pub(crate) mod trim;

pub(crate) use clock::ClockError;
pub use clock::{Clock, ClockKind};
pub use line::{Decides, Hardware, LinePlan, LineRequest, plan_line};
pub use linearity::{LineCorrection, LineTiming, Linearity};
pub(crate) use marks::Fit;
pub use marks::{MAX_MARKS, Mark, Reading, SHAPE, Stated};
pub(crate) use register::OutOfRegister;
pub use register::Register;
use serde::{Deserialize, Serialize};
pub use trim::{FacetMean, LineScale, Shape, Trim, TrimError, TrimRegisters, Trimmed, WorstFacet};

/// Which facets give a start-of-scan pulse.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StartOfScan {
    /// A detector sees each facet's beam: division errors cancel to first order.
    EveryFacet,
    /// Only the index: the other facets are timed from it.
    IndexOnly,
}
