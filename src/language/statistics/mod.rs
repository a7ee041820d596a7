//! Statistics on plain doubles: no units, no built-ins, published formulas. The special functions
//! behind the distributions come from `statrs` and `libm`.
//!
//! A function gives NaN or nothing where its result is not defined; the built-ins say why.

pub mod capability;
pub mod control;
pub mod describe;
pub mod distributions;
pub mod fit;
pub mod gauge;
pub mod order;
pub mod uncertainty;
