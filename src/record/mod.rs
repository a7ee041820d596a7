//! The record of a run: one plain [`Record`], collected from what script and head report, and each
//! file made of it. Knows no files and no clocks.

mod answers;
mod cell;
mod checks;
mod collect;
mod curve;
mod data;
mod heads;
mod html;
mod junit;
mod lines;
mod manifest;
mod origin;
mod rounds;
mod sources;
mod tap;
mod values;

pub use answers::answers;
pub use cell::cell;
pub use checks::CheckRow;
pub use collect::Collector;
pub use curve::{Curve, SpeedPoint};
pub use data::{
    Answer, Capped, End, FailureText, Identity, LogLine, Page, Picture, Record, Recorded,
    SourceDigest,
};
pub use heads::{HeadCase, heads_junit};
pub use html::page;
pub use junit::junit;
pub use lines::{LINES_HEADER, LineRow};
pub use manifest::{FORMAT, FileDigest, Manifest, ManifestError, VERSION, hexadecimal};
pub use origin::Origin;
pub use rounds::{FacetMean, Round, Rounds};
pub use sources::sources;
pub use tap::tap;
pub use values::values;
