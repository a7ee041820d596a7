//! Plans a line, and says whether it is feasible.

use crate::optics::line::calculated;
use crate::optics::{LinePlan, LineRequest, PlanError, exact, limits};

/// Plans a line. An infeasible plan is still a plan: it says so, and why.
pub fn plan_line(request: &LineRequest) -> Result<LinePlan, PlanError> {
    let mut plan = calculated(request)?;
    plan.reasons = limits::reasons(&plan, request);
    plan.reasons.extend(exact::reason(&plan, request));
    plan.feasible = plan.reasons.is_empty();
    Ok(plan)
}
