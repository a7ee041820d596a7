//! A chart that a polygon scan head exposes, and a reader of flatbed scans of it: pure functions of bytes
//! and numbers. Lengths are in m, angles in rad.

mod coarse;
mod draw;
mod error;
mod layout;
mod picture;
mod pose;
mod read;
mod reading;
mod ruler;
mod scan;
mod solve;
mod spec;
mod travel;
mod waves;
mod window;

pub use draw::{draw, read_chart};
pub use error::ChartError;
pub use layout::Layout;
pub use picture::Picture;
pub use read::{ReadSheet, read_scan};
pub use reading::{
    Banding, Common, FacetMark, FacetReading, Measured, Place, ScanReading, SheetOnScan, Wave,
};
pub use ruler::Ruler;
pub use spec::Spec;
