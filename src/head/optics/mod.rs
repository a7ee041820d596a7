//! Line planning and trim computation as plain functions with published formulas. Uses units only.

mod advice;
pub(crate) mod clock;
pub(crate) mod combine;
mod direction;
mod exact;
pub(crate) mod geometry;
mod limits;
pub(crate) mod line;
pub(crate) mod linearity;
mod map;
pub(crate) mod marks;
mod mean;
mod misfit;
mod plan;
mod pool;
mod readings;
pub(crate) mod register;
pub(crate) mod response;
mod speed;
mod swing;
#[cfg(test)]
mod tests;
pub(crate) mod trim;
mod wild;

pub(crate) use clock::ClockError;
pub use clock::{Clock, ClockKind};
pub use combine::{MAX_DEGREES, combined};
pub(crate) use line::PlanError;
pub use line::{Decides, Hardware, LinePlan, LineRequest};
pub use linearity::{DotTiming, LineCorrection, Linearity};
pub use map::{MapMark, MarkMean};
pub use marks::{Fit, MAX_MARKS, Mark, Matrix, Reading, SHAPE, Stated, TimedReading};
pub use mean::{FacetMean, Shape};
pub use plan::plan_line;
pub(crate) use register::OutOfRegister;
pub use register::Register;
pub use response::{Gain, Response, Steps, Wiring, largest_step, step_patterns};
use serde::{Deserialize, Serialize};
pub use speed::LineTiming;
pub use trim::{LineScale, Trim, TrimError, TrimRegisters, Trimmed, WorstFacet};
pub use wild::{MAX_DEVIATION, NORMAL_PER_MEDIAN_ABSOLUTE};

/// Which facets give a start-of-scan pulse.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StartOfScan {
    /// A detector sees each facet's beam: division errors cancel to first order.
    EveryFacet,
    /// Only the index: the other facets are timed from it.
    IndexOnly,
}
