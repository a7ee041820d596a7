//! Physical dimensions, the one unit table, quantity text in and out, and
//! numbers in files. Uses nothing else.
//!
//! Values are plain `f64` in SI with one addition: a plane angle is a base dimension, counted
//! in radians, so that rpm (an angle per time) and Hz (a count per time) never mix by accident.

mod cell;
pub(crate) mod dimension;
mod near;
pub(crate) mod number;
pub(crate) mod show;
pub(crate) mod table;
pub(crate) mod text;

pub use cell::{cell_number, cell_text};
pub use dimension::{Base, Dimension, KINDS, OPEN_DIMENSION};
pub use near::{letter_distance, nearest_name};
pub use show::{exact_text, faithful_text, noise_of, show_number, show_quantity, suited_unit};
pub use table::{UNITS, Unit};
pub use text::{QuantityError, UnitError, UnitText, parse_quantity, parse_unit};
