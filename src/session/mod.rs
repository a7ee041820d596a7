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
pub use load::{Examined, Files, Prepared, Text, examine, prepare, prove, read_image};
pub use run::{Finished, Verdict, run};
pub use series::Series;

use crate::check;
use crate::diagnostics::codes::{
    FAULTS, HEAD_DESCRIPTIONS, IMAGES, LIMITS, LISTS, QUESTIONS, SIGNALS, Topic,
};
use crate::source::SourceId;
use crate::syntax;

/// Every code that a report can have, by topic.
pub fn topics() -> impl Iterator<Item = &'static Topic> {
    syntax::codes::TOPICS.iter().chain(check::codes::TOPICS).chain([
        &HEAD_DESCRIPTIONS,
        &LIMITS,
        &IMAGES,
        &FAULTS,
        &QUESTIONS,
        &LISTS,
        &SIGNALS,
    ])
}

/// The id of the script among the sources: it is read first.
pub const SCRIPT: SourceId = SourceId(0);
