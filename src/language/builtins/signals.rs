//! Signals and channels of the station around a head: reading, switching, setting.

use crate::builtins::bound;
use crate::builtins::bound::TimeBound;
use crate::builtins::signature::{Arguments, Builtin, Context, Trait, Trouble, done, timed, wrong};
use crate::program::types::Type;
use crate::program::value::Datum;
use spintrue_head::{Calls, Channel, Fault, find_channel, find_signal, switchable};

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        timed("signal", TimeBound::Station, |context, arguments| {
            let name = arguments.text(0);
            possible(find_signal(&context.station.description().signals, name))?;
            Ok(Datum::Flag(context.station.signal(name)?))
        }),
        timed("switch_on", TimeBound::Station, |context, arguments| {
            switch(context, arguments, true)
        }),
        timed("switch_off", TimeBound::Station, |context, arguments| {
            switch(context, arguments, false)
        }),
        timed("channel", TimeBound::Station, |context, arguments| {
            let name = arguments.text(0);
            is_like(context, name)?;
            Ok(Datum::Number(context.station.channel(name)?))
        })
        .with_traits(&[Trait::Measured])
        .with_result(bound::any_number),
        timed("set_channel", TimeBound::Station, |context, arguments| {
            let name = arguments.text(0);
            is_like(context, name)?;
            done(context.station.set_channel(name, arguments.number(1)))
        }),
    ]
}

fn switch(context: &mut Context<'_>, arguments: Arguments<'_>, on: bool) -> Result<Datum, Trouble> {
    let name = arguments.text(0);
    possible(switchable(&context.station.description().signals, name, false))?;
    done(context.station.switch(name, on))
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
    unlike(channel, context.like).map_or(Ok(()), wrong)
}

/// What the description of the head rules out is a mistake of the script.
fn possible<T>(found: Result<T, Fault>) -> Result<T, Trouble> {
    found.map_err(|why| Trouble::Value(why.to_string()))
}
