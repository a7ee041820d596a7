//! Signals and channels of the station around a head: reading, switching, setting.

use crate::builtins::bound;
use crate::builtins::bound::{ResultBound, TimeBound};
use crate::builtins::signature::{
    Arguments, Builtin, Context, Effect, Parameter, Spec, Trouble, general, required,
};
use crate::program::types::Type;
use crate::program::value::Datum;
use spintrue_head::{Calls, Channel, Fault, find_channel, find_signal, switchable};

/// The parameter that names a signal.
const SIGNAL: Parameter = required(
    "name",
    Spec::Signal,
    "a signal as the description of the head names it; `spintrue head describe` lists them",
);

/// The parameter that names a channel.
const CHANNEL: Parameter = required(
    "name",
    Spec::Channel,
    "a channel as the description of the head names it; `spintrue head describe` lists them",
);

/// The built-ins of this topic.
pub(super) const BUILTINS: &[Builtin] = &[
    Builtin {
        name: "signal",
        parameters: &[SIGNAL],
        returns: Spec::Flag,
        effects: &[Effect::Reads],
        meaning: "Whether a signal of the station is active, whichever level that is: a door switch, the jaw of a clamp. What a door signal says here is information: the interlock chain is hardware and stands on its own. A name that is a plain text is looked up in the head before anything moves; any other that the head does not have fails here.",
        example: "switch_on(\"clamp\")\nwait until signal(\"clamped\") within 2 s else { fail \"the clamp does not close\" }\nexpect \"door shut\": not signal(\"door_open\")",
        time: TimeBound::Station,
        ..general(|context, arguments| {
            let name = arguments.text(0);
            possible(find_signal(&context.station.description().signals, name))?;
            Ok(Datum::Flag(context.station.signal(name)?))
        })
    },
    Builtin {
        name: "switch_on",
        parameters: &[SIGNAL],
        effects: &[Effect::Switches],
        meaning: "Makes an output of the station active: closes a clamp, lights a lamp. The call returns when the output is switched, not when what it moves has arrived: wait for a signal that tells. Inputs are refused, and inside `arm` every output that the head does not describe as one for `under_light`. At the end of the script each output is put as its `at_safe` has it.",
        example: "switch_on(\"lamp\")\nexpect \"lamp lit\": signal(\"lamp\")",
        time: TimeBound::Station,
        ..general(|context, arguments| switch(context, arguments, true))
    },
    Builtin {
        name: "switch_off",
        parameters: &[SIGNAL],
        effects: &[Effect::Switches],
        meaning: "Makes an output of the station inactive: opens a clamp, puts a lamp out. Otherwise as `switch_on`.",
        example: "switch_on(\"lamp\")\nswitch_off(\"lamp\")\nexpect \"lamp out\": not signal(\"lamp\")",
        time: TimeBound::Station,
        ..general(|context, arguments| switch(context, arguments, false))
    },
    Builtin {
        name: "channel",
        parameters: &[
            CHANNEL,
            required(
                "like",
                Spec::Like,
                "any quantity or temperature of the kind that the channel has, such as `1 kPa`: it says which kind the result is, and in which unit it is shown",
            ),
        ],
        returns: Spec::Any,
        effects: &[Effect::Reads],
        meaning: "What a channel of the station reads: a vacuum gauge, a thermometer. Where the name is a plain text, the channel is looked up in the head before anything moves, and must be of the kind that is asked for; otherwise it fails here.",
        example: "let vacuum = channel(\"vacuum\", like: 1 kPa)\nexpect \"vacuum\": vacuum within -100 kPa .. 10 kPa",
        time: TimeBound::Station,
        result: ResultBound::Computed(bound::any_number),
        ..general(channel)
    },
    Builtin {
        name: "set_channel",
        parameters: &[
            CHANNEL,
            required(
                "to",
                Spec::Like,
                "a quantity or temperature of the kind that the channel has, inside its range",
            ),
        ],
        effects: &[Effect::Switches],
        meaning: "Sets an output channel of the station, such as the vacuum that a pump is to hold. The call returns when it is set, not when it is reached. Inputs and values beyond the range of the channel are refused, and inside `arm` every channel that the head does not describe as one for `under_light`.",
        example: "set_channel(\"pump\", to: -60 kPa)\nwait until channel(\"vacuum\", like: 1 kPa) < -50 kPa within 3 s",
        time: TimeBound::Station,
        ..general(set_channel)
    },
];

fn switch(context: &mut Context<'_>, arguments: Arguments<'_>, on: bool) -> Result<Datum, Trouble> {
    let name = arguments.text(0);
    possible(switchable(&context.station.description().signals, name, false))?;
    context.station.switch(name, on)?;
    Ok(Datum::Nothing)
}

fn channel(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let name = arguments.text(0);
    is_like(context, name)?;
    Ok(Datum::Number(context.station.channel(name)?))
}

fn set_channel(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let name = arguments.text(0);
    is_like(context, name)?;
    let value = arguments.optional(1).unwrap_or(f64::NAN);
    context.station.set_channel(name, value)?;
    Ok(Datum::Nothing)
}

/// The kind of what a channel reads; none where its unit is not known here.
pub(crate) fn kind_of(channel: &Channel) -> Option<Type> {
    let unit = channel.unit()?;
    Some(if unit.is_absolute() { Type::Temperature } else { Type::Quantity(unit.dimension) })
}

/// Why a channel is not of the kind that is asked for; none if it is.
pub(crate) fn unlike(channel: &Channel, like: &Type) -> Option<String> {
    let kind = kind_of(channel);
    if kind.as_ref() == Some(like) {
        return None;
    }
    let (name, unit, asked) = (&channel.name, &channel.unit, like.name(&[]));
    Some(match kind {
        Some(kind) => {
            let kind = kind.name(&[]);
            format!("the channel `{name}` is {kind}, in {unit}, and this is {asked}")
        }
        None => format!("the channel `{name}` has the unit `{unit}`, which is not known here"),
    })
}

fn is_like(context: &Context<'_>, name: &str) -> Result<(), Trouble> {
    let channel = possible(find_channel(&context.station.description().channels, name))?;
    unlike(channel, context.like).map_or(Ok(()), |why| Err(Trouble::Value(why)))
}

/// What the description of the head rules out is a mistake of the script.
fn possible<T>(found: Result<T, Fault>) -> Result<T, Trouble> {
    found.map_err(|why| Trouble::Value(why.to_string()))
}
