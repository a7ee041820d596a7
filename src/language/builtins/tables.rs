//! Tables of files.

use crate::builtins::signature::{Builtin, pure, wrong};

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    // The checker puts the rows in place of the call.
    vec![pure("table", |_, _| wrong("a table is read before the run"))]
}
