//! Faults on purpose, so that a script can try what its routines do about them.

use crate::builtins::refusal::AFTER;
use crate::builtins::signature::{Arguments, Builtin, Context, Trouble, pure};
use crate::program::value::Datum;
use crate::station::StationError;
use spintrue_head::{Calls, Fault};

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        pure("provoke", provoke).refusing(|asked| AFTER.judge(asked, 1)),
        pure("mend", |context, _| {
            context.station.clear_faults().map_err(trouble)?;
            Ok(Datum::Nothing)
        }),
    ]
}

fn provoke(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let fault = arguments.text(0);
    let after = arguments.optional(1).unwrap_or(0.0);
    AFTER.check(context.station.description(), after)?;
    context.station.inject(fault, after).map_err(trouble)?;
    Ok(Datum::Nothing)
}

/// A refusal is a mistake of the script and no failure of the head.
fn trouble(error: StationError) -> Trouble {
    match error {
        StationError::Fault(Fault::Refused(why)) => Trouble::Value(why),
        other => other.into(),
    }
}
