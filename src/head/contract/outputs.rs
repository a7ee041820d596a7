//! Contracts of signals and channels.

use crate::Calls;
use crate::contract::trial::{Trial, TrialResult, holds, or_broken, or_skipped, refused, skipped};
use crate::signals::{AtSafe, Channel, Direction, Signal};

/// A name that no head has.
const UNKNOWN: &str = "no_such_line";

/// How far a channel may read from what it was set to, as a share of its range.
const MAX_DEVIATION: f64 = 0.02;

fn outputs(trial: &Trial) -> TrialResult<Vec<Signal>> {
    let mut signals = trial.description()?.signals;
    signals.retain(|signal| signal.direction == Direction::Output);
    let none = || skipped("the head has no signal that is an output");
    if signals.is_empty() { Err(none()) } else { Ok(signals) }
}

fn channels(trial: &Trial) -> TrialResult<Vec<Channel>> {
    let mut channels = trial.description()?.channels;
    channels.retain(|channel| channel.direction == Direction::Output);
    let none = || skipped("the head has no channel that is an output");
    if channels.is_empty() { Err(none()) } else { Ok(channels) }
}

fn state(trial: &mut Trial, name: &str) -> TrialResult<bool> {
    or_broken(format!("the signal `{name}` cannot be read"), trial.signal(name))
}

fn value(trial: &mut Trial, name: &str) -> TrialResult<f64> {
    or_broken(format!("the channel `{name}` cannot be read"), trial.channel(name))
}

fn switched(trial: &mut Trial, name: &str, on: bool) -> TrialResult<()> {
    or_broken(format!("the output `{name}` cannot be switched"), trial.switch(name, on))
}

fn level(on: bool) -> &'static str {
    if on { "on" } else { "off" }
}

pub(super) fn read(trial: &mut Trial) -> TrialResult<()> {
    let head = trial.description()?;
    if head.signals.is_empty() && head.channels.is_empty() {
        return Err(skipped("the head has no signals and no channels"));
    }
    for signal in &head.signals {
        state(trial, &signal.name)?;
    }
    for channel in &head.channels {
        let read = value(trial, &channel.name)?;
        holds(channel.takes(read), || {
            let [read, least, most] =
                [read, channel.least, channel.most].map(|value| channel.shown(value));
            format!("`{}` reads {read}, outside {least} to {most}", channel.name)
        })?;
    }
    Ok(())
}

pub(super) fn unknown(trial: &mut Trial) -> TrialResult<()> {
    refused("reading a signal that there is none of", trial.signal(UNKNOWN))?;
    refused("reading a channel that there is none of", trial.channel(UNKNOWN))?;
    Ok(())
}

pub(super) fn inputs(trial: &mut Trial) -> TrialResult<()> {
    let head = trial.description()?;
    refused("switching a signal that there is none of", trial.switch(UNKNOWN, false))?;
    for signal in head.signals.iter().filter(|signal| signal.direction == Direction::Input) {
        let what = format!("switching the input `{}`", signal.name);
        refused(&what, trial.switch(&signal.name, false))?;
    }
    for channel in head.channels.iter().filter(|channel| channel.direction == Direction::Input) {
        let what = format!("setting the input `{}`", channel.name);
        refused(&what, trial.set_channel(&channel.name, channel.least))?;
    }
    Ok(())
}

pub(super) fn switch(trial: &mut Trial) -> TrialResult<()> {
    for Signal { name, .. } in outputs(trial)? {
        let before = state(trial, &name)?;
        for on in [!before, before] {
            switched(trial, &name, on)?;
            let read = state(trial, &name)?;
            holds(read == on, || {
                format!("`{name}` was switched {} and reads {}", level(on), level(read))
            })?;
        }
    }
    Ok(())
}

pub(super) fn set(trial: &mut Trial) -> TrialResult<()> {
    for channel in channels(trial)? {
        let name = &channel.name;
        let before = value(trial, name)?;
        let width = channel.most - channel.least;
        let beyond = channel.most + 0.01 * width;
        let what = format!("setting `{name}` to {}", channel.shown(beyond));
        refused(&what, trial.set_channel(name, beyond))?;
        let halfway = channel.least + 0.5 * width;
        for wanted in [halfway, before.clamp(channel.least, channel.most)] {
            or_broken(format!("`{name}` cannot be set"), trial.set_channel(name, wanted))?;
            let read = value(trial, name)?;
            holds((read - wanted).abs() <= MAX_DEVIATION * width, || {
                let [wanted, read] = [wanted, read].map(|value| channel.shown(value));
                format!("`{name}` was set to {wanted} and reads {read}")
            })?;
        }
    }
    Ok(())
}

pub(super) fn safe(trial: &mut Trial) -> TrialResult<()> {
    for signal in outputs(trial)? {
        let name = &signal.name;
        let before = state(trial, name)?;
        let (first, wanted) = match signal.at_safe {
            Some(AtSafe::On) => (false, true),
            Some(AtSafe::Off) => (true, false),
            Some(AtSafe::Keep) | None => (!before, !before),
        };
        switched(trial, name, first)?;
        let left = trial.make_safe(false)?;
        holds(left.troubles.is_empty(), || left.troubles.join("; "))?;
        let read = state(trial, name)?;
        holds(read == wanted, || {
            let (first, wanted, read) = (level(first), level(wanted), level(read));
            format!("`{name}` was {first}, should be {wanted} when made safe, and is {read}")
        })?;
        if signal.at_safe == Some(AtSafe::Keep) {
            switched(trial, name, before)?;
        }
    }
    Ok(())
}

pub(super) fn under_light(trial: &mut Trial) -> TrialResult<()> {
    let mut guarded = outputs(trial)?;
    guarded.retain(|signal| !signal.under_light);
    let Some(signal) = guarded.first() else {
        return Err(skipped("every output of this head may be switched under light"));
    };
    if !trial.allowed.switches {
        return Err(skipped("switching was not allowed"));
    }
    let before = state(trial, &signal.name)?;
    trial.locked()?;
    or_skipped("the head does not arm", trial.arm(0.0))?;
    let answer = trial.switch(&signal.name, before);
    trial.disarm()?;
    refused(&format!("switching `{}` while armed", signal.name), answer)?;
    Ok(())
}
