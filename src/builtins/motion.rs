//! The polygon and the galvanometer: turning, stopping, placing, and the clock.

use crate::builtins::bound::{Gives, Longest};
use crate::builtins::records::{STATUS, datum, made};
use crate::builtins::signature::{
    Builtin, Context, Default, Effect, Function, Parameter, Spec, Trouble,
};
use crate::head::{Calls, Halt, Laser};
use crate::program::value::Datum;
use crate::units::Dimension;

const ROTATION: Spec = Spec::Quantity(Dimension::ROTATION);

/// The built-ins of this topic.
pub(super) const BUILTINS: &[Builtin] = &[
    Builtin {
        name: "spin",
        parameters: &[Parameter {
            name: "speed",
            spec: ROTATION,
            default: Default::Required,
            meaning: "the polygon speed to reach and hold, inside the range of the head",
        }],
        returns: Spec::Nothing,
        effects: &[Effect::Spins],
        meaning: "Runs the polygon up to a speed and holds it there. Returns at once: wait until `locked()`. Keep hands and loose things away from the rotor. A speed outside the head's range fails with the kind `value`.",
        example: "spin(3000 rpm)\nwait until locked() within 30 s\ncoast()",
        longest: Longest::Spin,
        gives: Gives::Anything,
        function: Function::General(|context, arguments| {
            let speed = arguments.first().map_or(f64::NAN, Datum::number);
            context.station.spin(speed)?;
            Ok(Datum::Nothing)
        }),
    },
    Builtin {
        name: "coast",
        parameters: &[],
        returns: Spec::Nothing,
        effects: &[Effect::Spins],
        meaning: "Takes the power from the polygon, which runs out on its own drag. It still turns for a long time: wait until `at_rest()`. Refused while armed.",
        example: "spin(3000 rpm)\nwait 2 s\ncoast()",
        longest: Longest::Halt,
        gives: Gives::Anything,
        function: Function::General(|context, _| {
            context.station.halt(Halt::Coast)?;
            Ok(Datum::Nothing)
        }),
    },
    Builtin {
        name: "brake",
        parameters: &[],
        returns: Spec::Nothing,
        effects: &[Effect::Spins],
        meaning: "Brings the polygon down with the drive and then takes its power. Returns at once: wait until `at_rest()`. Refused while armed.",
        example: "spin(3000 rpm)\nwait 2 s\nbrake()\nwait until at_rest() within 60 s",
        longest: Longest::Halt,
        gives: Gives::Anything,
        function: Function::General(|context, _| {
            context.station.halt(Halt::Brake)?;
            Ok(Datum::Nothing)
        }),
    },
    Builtin {
        name: "keep_spinning",
        parameters: &[],
        returns: Spec::Nothing,
        effects: &[Effect::Spins],
        meaning: "Leaves the polygon turning when the script ends well. After a failure or a stop it is brought down all the same.",
        example: "spin(3000 rpm)\nwait until locked() within 30 s\nkeep_spinning()",
        longest: Longest::Keep,
        gives: Gives::Anything,
        function: Function::General(|context, _| {
            context.station.keep_spinning();
            Ok(Datum::Nothing)
        }),
    },
    flag(
        "locked",
        "Whether the polygon is locked: its speed has stayed in the lock window for the turns that the head asks for.",
        "expect \"not locked at rest\": not locked()",
        |context, _| Ok(Datum::Flag(context.station.status()?.locked)),
    ),
    flag(
        "at_rest",
        "Whether the polygon is measured at rest: no pulse came for longer than the slowest turn that can be told.",
        "expect \"at rest\": at_rest()",
        |context, _| Ok(Datum::Flag(context.station.status()?.at_rest)),
    ),
    Builtin {
        name: "measured_speed",
        parameters: &[],
        returns: ROTATION,
        effects: &[Effect::Reads],
        meaning: "The polygon speed as measured from the last pulses.",
        example: "expect \"speed at rest\": measured_speed() < 1 rpm",
        longest: Longest::Answer,
        gives: Gives::Anything,
        function: Function::General(|context, _| {
            Ok(Datum::Number(context.station.status()?.speed))
        }),
    },
    Builtin {
        name: "status",
        parameters: &[],
        returns: Spec::Record(&STATUS),
        effects: &[Effect::Reads],
        meaning: "Everything about the head at this moment.",
        example: "let seen = status()\nexpect \"off\": not seen.armed\nnote \"head at {seen.temperature : 1}\"",
        longest: Longest::Answer,
        gives: Gives::Anything,
        function: Function::General(status),
    },
    Builtin {
        name: "steer",
        parameters: &[Parameter {
            name: "angle",
            spec: Spec::Quantity(Dimension::ANGLE),
            default: Default::Required,
            meaning: "mechanical angle, inside the range of the galvanometer either way",
        }],
        returns: Spec::Nothing,
        effects: &[Effect::Steers],
        meaning: "Sends the galvanometer to an angle. Returns at once; it settles in the time that the head's description says. An angle outside its range fails with the kind `value`.",
        example: "steer(1 mrad)\nwait 50 ms\nexpect \"steered\": status().galvanometer within 0.99 mrad .. 1.01 mrad",
        longest: Longest::Answer,
        gives: Gives::Anything,
        function: Function::General(|context, arguments| {
            let angle = arguments.first().map_or(f64::NAN, Datum::number);
            context.station.steer(Some(angle))?;
            Ok(Datum::Nothing)
        }),
    },
    Builtin {
        name: "park",
        parameters: &[],
        returns: Spec::Nothing,
        effects: &[Effect::Steers],
        meaning: "Sends the galvanometer to its parked angle.",
        example: "park()\nwait 100 ms\nexpect \"parked\": status().parked",
        longest: Longest::Answer,
        gives: Gives::Anything,
        function: Function::General(|context, _| {
            context.station.steer(None)?;
            Ok(Datum::Nothing)
        }),
    },
    Builtin {
        name: "now",
        parameters: &[],
        returns: Spec::Quantity(Dimension::TIME),
        effects: &[Effect::Reads],
        meaning: "Head time: it starts near zero and never goes back. On a simulated head it passes only while something waits for it.",
        example: "let start = now()\nwait 200 ms\nexpect \"time passes\": now() - start >= 199 ms",
        longest: Longest::Answer,
        gives: Gives::Anything,
        function: Function::General(|context, _| Ok(Datum::Number(context.station.now()))),
    },
];

const fn flag(
    name: &'static str,
    meaning: &'static str,
    example: &'static str,
    function: fn(&mut Context<'_>, &[Datum]) -> Result<Datum, Trouble>,
) -> Builtin {
    let function = Function::General(function);
    let returns = Spec::Flag;
    Builtin {
        name,
        parameters: &[],
        returns,
        effects: &[Effect::Reads],
        meaning,
        example,
        longest: Longest::Answer,
        gives: Gives::Anything,
        function,
    }
}

fn status(context: &mut Context<'_>, _: &[Datum]) -> Result<Datum, Trouble> {
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
