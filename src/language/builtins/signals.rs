//! Signals and channels of the station around a head: reading, switching, setting.

use crate::builtins::bound;
use crate::builtins::bound::{CallFacts, Misuse, Refused, TimeBound};
use crate::builtins::refusal::known;
use crate::builtins::signature::{Arguments, Builtin, Context, Trait, Trouble, done, timed, wrong};
use crate::program::types::Type;
use crate::program::value::Datum;
use spintrue_head::{Calls, Channel, Fault, find_channel, find_signal, settable, switchable};

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        timed("signal", TimeBound::Station, |context, arguments| {
            let name = arguments.text(0);
            possible(find_signal(&context.station.description().signals, name))?;
            Ok(Datum::Flag(context.station.signal(name)?))
        })
        .refusing(|asked| unknown(asked, |name| find_signal(&asked.head.signals, name))),
        timed("switch_on", TimeBound::Station, |context, arguments| {
            switch(context, arguments, true)
        })
        .refusing(switch_refused),
        timed("switch_off", TimeBound::Station, |context, arguments| {
            switch(context, arguments, false)
        })
        .refusing(switch_refused),
        timed("channel", TimeBound::Station, |context, arguments| {
            let name = arguments.text(0);
            is_like(context, name)?;
            Ok(Datum::Number(context.station.channel(name)?))
        })
        .with_traits(&[Trait::Measured])
        .with_result(bound::reading)
        .refusing(|asked| unknown(asked, |name| find_channel(&asked.head.channels, name))),
        timed("set_channel", TimeBound::Station, |context, arguments| {
            let name = arguments.text(0);
            is_like(context, name)?;
            let channels = &context.station.description().channels;
            possible(settable(channels, name, arguments.number(1), false))?;
            done(context.station.set_channel(name, arguments.number(1)))
        })
        .refusing(set_refused),
    ]
}

/// A signal or channel that is not there.
fn unknown<'h, T: 'h>(
    asked: &CallFacts<'h>,
    found: impl Fn(&str) -> Result<&'h T, Fault>,
) -> Option<Refused> {
    let why = known(asked, 0, |name| found(name.text()).err().map(|fault| fault.to_string()))?;
    Some(Refused { misuse: Misuse::Unknown, ..why })
}

/// One that cannot be used so.
fn misused<T>(
    asked: &CallFacts<'_>,
    argument: usize,
    used: impl Fn(&Datum) -> Result<T, Fault>,
) -> Option<Refused> {
    let why = known(asked, argument, |of| used(of).err().map(|fault| fault.to_string()))?;
    Some(Refused { misuse: Misuse::Signal, ..why })
}

fn switch_refused(asked: &CallFacts<'_>) -> Option<Refused> {
    let signals = &asked.head.signals;
    unknown(asked, |name| find_signal(signals, name))
        .or_else(|| misused(asked, 0, |name| switchable(signals, name.text(), asked.lit)))
}

/// A channel that is there and an output, and a value that it takes.
fn set_refused(asked: &CallFacts<'_>) -> Option<Refused> {
    let channels = &asked.head.channels;
    let name = asked.values.first()?.as_ref()?.text();
    unknown(asked, |name| find_channel(channels, name))
        .or_else(|| misused(asked, 1, |value| settable(channels, name, value.number(), asked.lit)))
}

fn switch(context: &mut Context<'_>, arguments: Arguments<'_>, on: bool) -> Result<Datum, Trouble> {
    let name = arguments.text(0);
    possible(switchable(&context.station.description().signals, name, false))?;
    done(context.station.switch(name, on))
}

/// The kind of what a channel reads; none where its unit is not known here.
pub(crate) fn kind_of(channel: &Channel) -> Option<Type> {
    Some(Type::in_unit(&channel.unit()?))
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
