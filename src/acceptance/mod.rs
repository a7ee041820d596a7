//! Decisions on measured values. Uses units only.

pub mod decision;
