//! The polygon and the galvanometer: turning, stopping, placing, and the clock.

use crate::builtins::bound::TimeBound;
use crate::builtins::records::{STATUS, datum, made};
use crate::builtins::signature::{
    ANGLE, Arguments, Builtin, Context, Effect, ROTATION, Spec, TIME, Trait, Trouble, Work,
    general, required,
};
use crate::program::value::Datum;
use spintrue_head::{Calls, Halt, Laser};

/// The built-ins of this topic.
pub(super) const BUILTINS: &[Builtin] = &[
    Builtin {
        name: "spin",
        parameters: &[required(
            "speed",
            ROTATION,
            "the polygon speed to reach and hold, inside the range of the head",
        )],
        effects: &[Effect::Spins],
        meaning: "Runs the polygon up to a speed and holds it there. Returns at once: wait until `locked()`. Keep hands and loose things away from the rotor. A speed outside the head's range fails with the kind `value`.",
        example: "spin(3000 rpm)\nwait until locked() within 30 s\ncoast()",
        time: TimeBound::Spin,
        ..general(|context, arguments| {
            let speed = arguments.number(0);
            context.station.spin(speed)?;
            Ok(Datum::Nothing)
        })
    },
    Builtin {
        name: "coast",
        effects: &[Effect::Spins],
        meaning: "Takes the power from the polygon, which runs out on its own drag. It still turns for a long time: wait until `at_rest()`. Refused while armed.",
        example: "spin(3000 rpm)\nwait 2 s\ncoast()",
        time: TimeBound::Halt,
        ..general(|context, _| {
            context.station.halt(Halt::Coast)?;
            Ok(Datum::Nothing)
        })
    },
    Builtin {
        name: "brake",
        effects: &[Effect::Spins],
        meaning: "Brings the polygon down with the drive and then takes its power. Returns at once: wait until `at_rest()`. Refused while armed.",
        example: "spin(3000 rpm)\nwait 2 s\nbrake()\nwait until at_rest() within 60 s",
        time: TimeBound::Halt,
        ..general(|context, _| {
            context.station.halt(Halt::Brake)?;
            Ok(Datum::Nothing)
        })
    },
    Builtin {
        name: "keep_spinning",
        effects: &[Effect::Spins],
        meaning: "Leaves the polygon turning when the script ends well. After a failure or a stop it is brought down all the same.",
        example: "spin(3000 rpm)\nwait until locked() within 30 s\nkeep_spinning()",
        time: TimeBound::Keep,
        ..general(|context, _| {
            context.station.keep_spinning();
            Ok(Datum::Nothing)
        })
    },
    Builtin {
        traits: &[Trait::SeeksLock],
        ..flag(
            "locked",
            "Whether the polygon is locked: its speed has stayed in the lock window for the turns that the head asks for.",
            "expect \"not locked at rest\": not locked()",
            |context, _| Ok(Datum::Flag(context.station.status()?.locked)),
        )
    },
    flag(
        "at_rest",
        "Whether the polygon is measured at rest: no pulse came for longer than the slowest turn that can be told.",
        "expect \"at rest\": at_rest()",
        |context, _| Ok(Datum::Flag(context.station.status()?.at_rest)),
    ),
    Builtin {
        name: "measured_speed",
        returns: ROTATION,
        effects: &[Effect::Reads],
        meaning: "The polygon speed as measured from the last pulses.",
        example: "expect \"speed at rest\": measured_speed() < 1 rpm",
        time: TimeBound::Answer,
        ..general(|context, _| Ok(Datum::Number(context.station.status()?.speed)))
    },
    Builtin {
        name: "status",
        traits: &[Trait::SeeksLock],
        returns: Spec::Record(&STATUS),
        effects: &[Effect::Reads],
        meaning: "Everything about the head at this moment.",
        example: "let seen = status()\nexpect \"off\": not seen.armed\nnote \"head at {seen.temperature : 1}\"",
        time: TimeBound::Answer,
        ..general(status)
    },
    Builtin {
        name: "steer",
        parameters: &[required(
            "angle",
            ANGLE,
            "mechanical angle, inside the range of the galvanometer either way",
        )],
        effects: &[Effect::Steers],
        meaning: "Sends the galvanometer to an angle. Returns at once; it settles in the time that the head's description says. An angle outside its range fails with the kind `value`.",
        example: "steer(1 mrad)\nwait 50 ms\nexpect \"steered\": status().galvanometer within 0.99 mrad .. 1.01 mrad",
        time: TimeBound::Answer,
        ..general(|context, arguments| {
            let angle = arguments.number(0);
            context.station.steer(Some(angle))?;
            Ok(Datum::Nothing)
        })
    },
    Builtin {
        name: "park",
        effects: &[Effect::Steers],
        meaning: "Sends the galvanometer to its parked angle.",
        example: "park()\nwait 100 ms\nexpect \"parked\": status().parked",
        time: TimeBound::Answer,
        ..general(|context, _| {
            context.station.steer(None)?;
            Ok(Datum::Nothing)
        })
    },
    Builtin {
        name: "now",
        traits: &[Trait::NotNegative],
        returns: TIME,
        effects: &[Effect::Reads],
        meaning: "Head time: it starts near zero and never goes back. On a simulated head it passes only while something waits for it.",
        example: "let start = now()\nwait 200 ms\nexpect \"time passes\": now() - start >= 199 ms",
        time: TimeBound::Answer,
        ..general(|context, _| Ok(Datum::Number(context.station.now())))
    },
];

const fn flag(
    name: &'static str,
    meaning: &'static str,
    example: &'static str,
    work: Work,
) -> Builtin {
    let (returns, effects, time) = (Spec::Flag, &[Effect::Reads], TimeBound::Answer);
    Builtin { name, returns, effects, meaning, example, time, ..general(work) }
}

fn status(context: &mut Context<'_>, _: Arguments<'_>) -> Result<Datum, Trouble> {
    let status = context.station.status()?;
    Ok(datum(made(
        &STATUS,
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
