//! Physical dimensions, the one unit table, quantity text in and out, and
//! numbers in files. Uses nothing else.
//!
//! Values are plain `f64` in SI with one addition: a plane angle is a base dimension, counted
//! in radians, so that rpm (an angle per time) and Hz (a count per time) never mix by accident.

pub(crate) mod dimension;
mod near;
pub(crate) mod number;
pub mod show;
pub(crate) mod table;
pub(crate) mod text;

pub use dimension::{Base, Dimension, KINDS, OPEN};
pub use near::{distance, near};
pub use show::{exact, faithful, noise, show, show_number, suited};
pub use table::{TABLE, Unit};
pub use text::{QuantityError, UnitError, UnitText, parse_quantity, parse_unit};
