//! Who makes a head fail on purpose, so that a script can try what it does then: whoever opens a
//! station says so, and only for a simulated head.

/// Makes a simulated head fail, and mends it.
pub trait Provoker {
    /// Why a fault such as `lock_lost` or `stuck_trim(facet=3)` cannot strike this head; none if
    /// it can.
    fn refused(&self, fault: &str) -> Option<String>;

    /// The fault strikes after `after` s of head time; or why it cannot.
    fn provoke(&mut self, fault: &str, after: f64) -> Result<(), String>;

    /// Takes all faults away, those to come as well. What they did meanwhile stays done.
    fn mend(&mut self);
}
