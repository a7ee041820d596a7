//! What the checks have decided so far, and failures with a kind for `fail`.

use crate::builtins::records::{datum, made};
use crate::builtins::signature::{Arguments, Builtin, Trait, Trouble, pure};
use crate::program::failure::FailureKind;
use crate::program::value::{Datum, Value};

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        // Its page says that it reads: it changes from call to call, so that a `let` with it is no
        // constant.
        pure("all_conform", |context, _| Ok(Datum::Flag(context.all_conform)))
            .with_traits(&[Trait::Changes]),
        pure("fault", |_, arguments| failure(FailureKind::Fault, arguments)),
        pure("timeout", |_, arguments| failure(FailureKind::Timeout, arguments)),
    ]
}

fn failure(kind: FailureKind, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let message = arguments.text(0);
    Ok(datum(made(
        "failure",
        &[
            ("kind", Datum::Value(Value::text(kind.text()))),
            ("message", Datum::Value(Value::text(message))),
            ("place", Datum::Value(Value::text(""))),
        ],
    )))
}
