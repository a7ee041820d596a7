//! The simulated head.

pub mod galvanometer;
pub mod noise;
pub mod ode;
pub mod rotor;
