//! Power rails and the interlock chain.

use crate::builtins::bound;
use crate::builtins::bound::{ResultBound, TimeBound};
use crate::builtins::records::{RAIL, listed, made};
use crate::builtins::signature::{Arguments, Builtin, Context, Effect, Spec, Trouble, general};
use crate::program::value::{Datum, Value};
use spintrue_head::Calls;

/// The built-ins of this topic.
pub(super) const BUILTINS: &[Builtin] = &[
    Builtin {
        name: "rails",
        returns: Spec::List(&Spec::Record(&RAIL)),
        effects: &[Effect::Reads],
        meaning: "Every power rail with its voltage as measured now.",
        example: "for rail in rails() {\n    expect \"rail {rail.name}\": rail.good\n}",
        time: TimeBound::Answer,
        result: ResultBound::Computed(bound::per_rail),
        ..general(rails)
    },
    Builtin {
        name: "interlock_closed",
        returns: Spec::Flag,
        effects: &[Effect::Reads],
        meaning: "Whether the head reports its interlock chain closed. This only reads a line: the chain itself is hardware and stands on its own.",
        example: "expect \"interlock\": interlock_closed()",
        time: TimeBound::Answer,
        ..general(|context, _| Ok(Datum::Flag(context.station.status()?.interlock_closed)))
    },
];

fn rails(context: &mut Context<'_>, _: Arguments<'_>) -> Result<Datum, Trouble> {
    let measured = context.station.status()?.rails;
    let rails = &context.station.description().rails;
    Ok(listed(rails.iter().zip(measured).map(|(rail, volts)| {
        let off = (volts - rail.nominal).abs();
        made(
            &RAIL,
            &[
                ("good", Datum::Flag(off <= rail.nominal.abs() * rail.tolerance)),
                ("measured", Datum::Number(volts)),
                ("name", Datum::Value(Value::text(&rail.name))),
                ("nominal", Datum::Number(rail.nominal)),
                ("tolerance", Datum::Number(rail.tolerance)),
            ],
        )
    })))
}
