//! Faults on purpose, so that a script can try what its routines do about them.

use crate::builtins::signature::{Arguments, Builtin, Context, Trouble, pure, wrong};
use crate::program::value::Datum;
use crate::station::StationError;
use spintrue_head::{Calls, Dimension, Fault, show_quantity};

/// Longest time in s from the call to the fault.
const MAX_AFTER: f64 = 1e6;

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        pure("provoke", provoke),
        pure("mend", |context, _| {
            context.station.clear_faults().map_err(trouble)?;
            Ok(Datum::Nothing)
        }),
    ]
}

fn provoke(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let fault = arguments.text(0);
    let after = arguments.optional(1).unwrap_or(0.0);
    if !(0.0..=MAX_AFTER).contains(&after) {
        let after = show_quantity(after, Dimension::TIME, None, None);
        return wrong(format!(
            "a fault strikes 0 s to 1000000 s after it is provoked, not {after}"
        ));
    }
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
