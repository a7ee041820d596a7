//! Decisions on measured values. Uses statistics.

pub mod conformance;
pub mod decision;
