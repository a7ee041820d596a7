//! Tables that a script reads: their rows as values, known before the check.

use crate::program::types::Type;
use crate::program::value::Value;
use crate::source::Span;
use spintrue_head::UnitText;
use std::collections::HashMap;
use std::rc::Rc;
use std::sync::Arc;

/// A table that was read.
#[derive(Clone, Debug)]
pub(crate) struct Table {
    /// A list of records.
    pub kind: Type,
    /// The rows.
    pub rows: Value,
    /// The units of its columns.
    pub units: Rc<Vec<(Arc<str>, Rc<UnitText>)>>,
}

/// Tables by the place where their path is written; none of one that cannot be read, which is reported.
pub(crate) type Tables = HashMap<Span, Option<Rc<Table>>>;
