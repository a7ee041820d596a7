//! Why there is no chart, or why a scan tells nothing.

use thiserror::Error;

/// What is wrong, and the way out, as a sentence. The caller knows the file's name.
#[derive(Clone, Debug, Error, PartialEq)]
#[error("{0}")]
pub struct ChartError(pub(crate) String);

/// A [`ChartError`] with a formatted message.
macro_rules! refuse {
    ($($message:tt)*) => { Err($crate::error::ChartError(format!($($message)*))) };
}
pub(crate) use refuse;
