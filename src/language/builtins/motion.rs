//! The polygon and the galvanometer: turning, stopping, placing, and the clock.

use crate::builtins::bound;
use crate::builtins::bound::{CallFacts, Refused, ResultBound, TimeBound};
use crate::builtins::records::{datum, made};
use crate::builtins::refusal::{ANGLE, SPEED};
use crate::builtins::signature::{Arguments, Builtin, Context, Trait, Trouble, done, timed};
use crate::program::value::Datum;
use spintrue_head::{Calls, Halt, Laser};

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        timed("spin", TimeBound::Spin, |context, arguments| {
            SPEED.check(context.station.description(), arguments.number(0))?;
            done(context.station.spin(arguments.number(0)))
        })
        .refusing(spin_refused),
        timed("coast", TimeBound::Halt, |context, _| done(context.station.halt(Halt::Coast))),
        timed("brake", TimeBound::Halt, |context, _| done(context.station.halt(Halt::Brake))),
        timed("keep_spinning", TimeBound::Keep, |context, _| {
            context.station.keep_spinning();
            Ok(Datum::Nothing)
        }),
        timed("locked", TimeBound::Answer, |context, _| {
            Ok(Datum::Flag(context.station.status()?.locked))
        })
        .with_traits(&[Trait::SeeksLock])
        .with_result(bound::locked),
        timed("at_rest", TimeBound::Answer, |context, _| {
            Ok(Datum::Flag(context.station.status()?.at_rest))
        })
        .with_traits(&[Trait::SeeksRest])
        .with_result(bound::at_rest),
        timed("measured_speed", TimeBound::Answer, |context, _| {
            Ok(Datum::Number(context.station.status()?.speed))
        })
        .with_traits(&[Trait::Measured])
        .with_result(bound::turning),
        Builtin {
            result: ResultBound::Fields(bound::status),
            ..timed("status", TimeBound::Answer, status)
                .with_traits(&[Trait::SeeksLock, Trait::Measured])
        },
        timed("steer", TimeBound::Answer, |context, arguments| {
            ANGLE.check(context.station.description(), arguments.number(0))?;
            done(context.station.steer(Some(arguments.number(0))))
        })
        .refusing(steer_refused),
        timed("park", TimeBound::Answer, |context, _| done(context.station.steer(None))),
        timed("now", TimeBound::Answer, |context, _| Ok(Datum::Number(context.station.now())))
            .with_traits(&[Trait::NotNegative]),
    ]
}

fn status(context: &mut Context<'_>, _: Arguments<'_>) -> Result<Datum, Trouble> {
    let status = context.station.status()?;
    Ok(datum(made(
        "status",
        &[
            ("armed", Datum::Flag(status.laser != Laser::Off)),
            ("at_rest", Datum::Flag(status.at_rest)),
            ("galvanometer", Datum::Number(status.galvanometer)),
            ("interlock_closed", Datum::Flag(status.interlock_closed)),
            ("locked", Datum::Flag(status.locked)),
            ("parked", Datum::Flag(status.parked)),
            ("speed", Datum::Number(status.speed)),
            ("temperature", Datum::Number(status.temperature)),
            ("time", Datum::Number(status.time)),
        ],
    )))
}

fn spin_refused(asked: &CallFacts<'_>) -> Option<Refused> {
    SPEED.judge(asked, 0)
}

fn steer_refused(asked: &CallFacts<'_>) -> Option<Refused> {
    ANGLE.judge(asked, 0)
}
