//! A chart that a polygon scan head exposes, and a reader of flatbed scans of it: pure functions of bytes
//! and numbers. Lengths are in m, angles in rad.

mod draw;
mod layout;
mod spec;

pub use draw::{draw, read_chart};
pub use layout::{Layout, LayoutError};
pub use spec::Spec;
