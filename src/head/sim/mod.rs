//! The simulated head.
