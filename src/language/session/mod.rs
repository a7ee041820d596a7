//! The facade: script text in, a checked program or diagnostics out; a program and a station
//! in, an outcome out. Touches no file itself: texts come through [`Files`].

mod answers;
mod cells;
mod gate;
mod list;
pub(crate) mod live;
mod load;
mod mend;
mod proved;
mod run;
mod series;
mod sheet;
mod signals;
pub(crate) mod step;
mod table;
mod tables;
mod uses;

pub use cells::Row;
pub use gate::{Runnable, RunnableEntry};
pub(crate) use load::{Examined, examine};
pub use load::{FileError, Files, Prepared, Text, prepare, prove, read_image};
pub use mend::{Mended, mend};
pub use run::{Finished, Verdict, run};
pub use series::Series;
pub use sheet::RETEST_RULES;
pub use table::is_guarded;

use crate::source::SourceId;

/// The id of the script among the sources: it is read first.
pub const SCRIPT: SourceId = SourceId(0);
