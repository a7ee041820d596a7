//! Power rails and the interlock chain.

use crate::builtins::bound;
use crate::builtins::bound::TimeBound;
use crate::builtins::records::listed;
use crate::builtins::signature::{Arguments, Builtin, Context, Trouble, timed};
use crate::program::value::{Datum, Value};
use spintrue_head::Calls;

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        timed("rails", TimeBound::Answer, rails).with_result(bound::per_rail),
        timed("interlock_closed", TimeBound::Answer, |context, _| {
            Ok(Datum::Flag(context.station.status()?.interlock_closed))
        }),
    ]
}

fn rails(context: &mut Context<'_>, _: Arguments<'_>) -> Result<Datum, Trouble> {
    let measured = context.station.status()?.rails;
    let rails = &context.station.description().rails;
    let rails = rails.iter().zip(measured).map(|(rail, volts)| {
        let off = (volts - rail.nominal).abs();
        [
            ("good", Datum::Flag(off <= rail.nominal.abs() * rail.tolerance)),
            ("measured", Datum::Number(volts)),
            ("name", Datum::Value(Value::text(&rail.name))),
            ("nominal", Datum::Number(rail.nominal)),
            ("tolerance", Datum::Number(rail.tolerance)),
        ]
    });
    Ok(listed("rail", rails))
}
