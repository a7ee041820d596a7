//! The facade: script text in, a checked program or diagnostics out; a program and a station
//! in, an outcome out. Touches no file itself: texts come through [`Files`].

mod answers;
mod gate;
mod list;
pub mod live;
mod load;
mod run;
mod series;
mod sheet;
mod signals;
pub mod step;

pub use gate::{CheckFault, Runnable, RunnableEntry};
pub use list::{Cell, List, ROWS_MOST, Row};
pub use load::{Examined, FileError, Files, Prepared, Text, examine, prepare, prove, read_image};
pub use run::{Finished, Verdict, run};
pub use series::Series;

use crate::source::SourceId;

/// The id of the script among the sources: it is read first.
pub const SCRIPT: SourceId = SourceId(0);
