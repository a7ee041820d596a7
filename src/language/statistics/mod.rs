//! Statistics on plain doubles: no units, no built-ins, published formulas. The special functions
//! behind the distributions come from `statrs` and `libm`.
//!
//! A function gives NaN or nothing where its result is not defined; the built-ins say why.

pub(crate) mod capability;
pub(crate) mod control;
pub(crate) mod correlated;
pub(crate) mod describe;
pub(crate) mod distributions;
pub(crate) mod fit;
pub(crate) mod gauge;
pub(crate) mod order;
pub(crate) mod pattern;
pub(crate) mod polynomial;
pub(crate) mod spectrum;
pub(crate) mod uncertainty;
