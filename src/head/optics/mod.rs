//! Line planning and trim computation as plain functions with published formulas. Uses units only.

mod advice;
pub mod clock;
pub mod geometry;
mod limits;
pub mod line;
pub mod register;
pub mod trim;

pub use clock::{Clock, ClockError, ClockKind, Made};
pub use line::{Decides, Hardware, LinePlan, LineRequest, PlanError, plan_line};
pub use register::{OutOfRegister, Register};
use serde::{Deserialize, Serialize};
pub use trim::{Mean, Reading, Scale, Trim, TrimError, Trimmed, Worst};

/// Which facets give a start-of-scan pulse.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StartOfScan {
    /// A detector sees each facet's beam: division errors cancel to first order.
    EveryFacet,
    /// Only the index: the other facets are timed from it.
    IndexOnly,
}
