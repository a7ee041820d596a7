//! The facade: script text in, a checked program or diagnostics out; a program and a station
//! in, an outcome out. Touches no file itself: texts come through [`Files`].

mod answers;
mod gate;
mod list;
pub(crate) mod live;
mod load;
mod proved;
mod run;
mod series;
mod sheet;
mod signals;
pub(crate) mod step;

pub use gate::{Runnable, RunnableEntry};
pub use list::Row;
pub(crate) use load::{Examined, examine};
pub use load::{FileError, Files, Prepared, Text, prepare, prove, read_image};
pub use run::{Finished, Verdict, run};
pub use series::Series;

use crate::source::SourceId;

/// The id of the script among the sources: it is read first.
pub const SCRIPT: SourceId = SourceId(0);
