//! The trait that injects faults into a simulated head, so that a script can try what it does then.

use crate::Fault;

/// Injects faults into a simulated head.
pub trait FaultInjector {
    /// Refuses a fault that cannot strike this head, such as `stuck_trim(facet=99)`.
    fn check_can_inject(&self, fault: &str) -> Result<(), Fault>;

    /// The fault strikes after `after` s of head time.
    fn inject(&mut self, fault: &str, after: f64) -> Result<(), Fault>;

    /// Takes all faults away, those to come as well. What they did stays done.
    fn clear(&mut self);
}
