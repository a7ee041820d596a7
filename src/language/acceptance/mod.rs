//! Decisions on measured values. Uses statistics.

pub(crate) mod conformance;
pub(crate) mod decision;
