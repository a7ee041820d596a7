//! Faults on purpose, so that a script can try what its routines do about them.

use crate::builtins::signature::{
    Arguments, Builtin, Context, Effect, Spec, TIME, Trouble, general, optional, required,
};
use crate::program::value::Datum;
use crate::station::StationError;
use spintrue_head::{Calls, Dimension, Fault, show_quantity};

/// TimeBound time in s from the call to the fault.
const AFTER_MOST: f64 = 1e6;

/// The built-ins of this topic.
pub(super) const BUILTINS: &[Builtin] = &[
    Builtin {
        name: "provoke",
        parameters: &[
            required(
                "fault",
                Spec::Fault,
                "a kind of fault as `--fault` takes it, such as \"lock_lost\" or \"stuck_trim(facet=3)\"; the page docs/simulated-head.md lists them with their symptoms",
            ),
            optional("after", TIME, "0 s", "head time from now until it strikes, 0 s to 1000000 s"),
        ],
        effects: &[Effect::Provokes],
        meaning: "Makes a simulated head fail, to try what a routine does about it. Where the fault is named by a plain text, it is looked at before anything moves: whether there is such a fault, and whether it can strike this head. On any other head the script is not run at all.",
        example: "provoke(\"interlock_opened\")\nexpect \"noticed\": not interlock_closed()",
        ..general(provoke)
    },
    Builtin {
        name: "mend",
        effects: &[Effect::Provokes],
        meaning: "Takes all faults of a simulated head away, also those that were still to come, and closes the interlock chain. What they did meanwhile stays done: a polygon that lost its lock still has to lock again, and a laser that disarmed itself stays off.",
        example: "provoke(\"interlock_opened\")\nmend()\nexpect \"closed again\": interlock_closed()",
        ..general(mend)
    },
];

fn provoke(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let fault = arguments.text(0);
    let after = arguments.optional(1).unwrap_or(0.0);
    if !(0.0..=AFTER_MOST).contains(&after) {
        let after = show_quantity(after, Dimension::TIME, None, None);
        return Err(Trouble::Value(format!(
            "a fault strikes 0 s to 1000000 s after it is provoked, not {after}"
        )));
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

fn mend(context: &mut Context<'_>, _: Arguments<'_>) -> Result<Datum, Trouble> {
    context.station.clear_faults().map_err(trouble)?;
    Ok(Datum::Nothing)
}
