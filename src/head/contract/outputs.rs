//! Contracts of signals and channels.

use crate::head::contract::Found;
use crate::head::contract::bench::{Bench, Checked, broken, found, holds, refused};
use crate::head::signals::{AtSafe, Channel, Direction, Signal};

/// A name that no head has.
const NOBODY: &str = "nobody_has_this";

/// How far a channel may read from what it was set to, as a share of its range.
const OFF_MOST: f64 = 0.02;

fn outputs(bench: &Bench) -> Checked<Vec<Signal>> {
    let mut signals = bench.description()?.signals;
    signals.retain(|signal| signal.direction == Direction::Output);
    let none = || Found::Skipped("the head has no signal that is an output".to_string());
    if signals.is_empty() { Err(none()) } else { Ok(signals) }
}

fn channels(bench: &Bench) -> Checked<Vec<Channel>> {
    let mut channels = bench.description()?.channels;
    channels.retain(|channel| channel.direction == Direction::Output);
    let none = || Found::Skipped("the head has no channel that is an output".to_string());
    if channels.is_empty() { Err(none()) } else { Ok(channels) }
}

fn state(bench: &mut Bench, name: &str) -> Checked<bool> {
    let read = bench.signal(name);
    read.map_err(|fault| broken(format!("the signal `{name}` cannot be read: {fault}")))
}

fn value(bench: &mut Bench, name: &str) -> Checked<f64> {
    let read = bench.channel(name);
    read.map_err(|fault| broken(format!("the channel `{name}` cannot be read: {fault}")))
}

fn switched(bench: &mut Bench, name: &str, on: bool) -> Checked<()> {
    let taken = bench.switch(name, on);
    taken.map_err(|fault| broken(format!("the output `{name}` cannot be switched: {fault}")))
}

fn level(on: bool) -> &'static str {
    if on { "on" } else { "off" }
}

pub(super) fn read(bench: &mut Bench) -> Found {
    found((|| {
        let head = bench.description()?;
        if head.signals.is_empty() && head.channels.is_empty() {
            return Err(Found::Skipped("the head has no signals and no channels".to_string()));
        }
        for signal in &head.signals {
            state(bench, &signal.name)?;
        }
        for channel in &head.channels {
            let read = value(bench, &channel.name)?;
            holds(channel.takes(read), || {
                let [read, least, most] =
                    [read, channel.least, channel.most].map(|value| channel.shown(value));
                format!("`{}` reads {read}, outside {least} to {most}", channel.name)
            })?;
        }
        Ok(())
    })())
}

pub(super) fn unknown(bench: &mut Bench) -> Found {
    found((|| {
        refused("reading a signal that there is none of", bench.signal(NOBODY))?;
        refused("reading a channel that there is none of", bench.channel(NOBODY))?;
        Ok(())
    })())
}

pub(super) fn inputs(bench: &mut Bench) -> Found {
    found((|| {
        let head = bench.description()?;
        refused("switching a signal that there is none of", bench.switch(NOBODY, false))?;
        for signal in head.signals.iter().filter(|signal| signal.direction == Direction::Input) {
            let what = format!("switching the input `{}`", signal.name);
            refused(&what, bench.switch(&signal.name, false))?;
        }
        for channel in head.channels.iter().filter(|channel| channel.direction == Direction::Input)
        {
            let what = format!("setting the input `{}`", channel.name);
            refused(&what, bench.set_channel(&channel.name, channel.least))?;
        }
        Ok(())
    })())
}

pub(super) fn switch(bench: &mut Bench) -> Found {
    found((|| {
        for Signal { name, .. } in outputs(bench)? {
            let before = state(bench, &name)?;
            for on in [!before, before] {
                switched(bench, &name, on)?;
                let read = state(bench, &name)?;
                holds(read == on, || {
                    format!("`{name}` was switched {} and reads {}", level(on), level(read))
                })?;
            }
        }
        Ok(())
    })())
}

pub(super) fn set(bench: &mut Bench) -> Found {
    found((|| {
        for channel in channels(bench)? {
            let name = &channel.name;
            let before = value(bench, name)?;
            let width = channel.most - channel.least;
            let beyond = channel.most + 0.01 * width;
            let what = format!("setting `{name}` to {}", channel.shown(beyond));
            refused(&what, bench.set_channel(name, beyond))?;
            let halfway = channel.least + 0.5 * width;
            for wanted in [halfway, before.clamp(channel.least, channel.most)] {
                let taken = bench.set_channel(name, wanted);
                taken.map_err(|fault| broken(format!("`{name}` cannot be set: {fault}")))?;
                let read = value(bench, name)?;
                holds((read - wanted).abs() <= OFF_MOST * width, || {
                    let [wanted, read] = [wanted, read].map(|value| channel.shown(value));
                    format!("`{name}` was set to {wanted} and reads {read}")
                })?;
            }
        }
        Ok(())
    })())
}

pub(super) fn safe(bench: &mut Bench) -> Found {
    found((|| {
        for signal in outputs(bench)? {
            let name = &signal.name;
            let before = state(bench, name)?;
            let (first, wanted) = match signal.at_safe {
                Some(AtSafe::On) => (false, true),
                Some(AtSafe::Off) => (true, false),
                Some(AtSafe::Keep) | None => (!before, !before),
            };
            switched(bench, name, first)?;
            let left = bench.make_safe(false)?;
            holds(left.troubles.is_empty(), || left.troubles.join("; "))?;
            let read = state(bench, name)?;
            holds(read == wanted, || {
                let (first, wanted, read) = (level(first), level(wanted), level(read));
                format!("`{name}` was {first}, should be {wanted} when made safe, and is {read}")
            })?;
            if signal.at_safe == Some(AtSafe::Keep) {
                switched(bench, name, before)?;
            }
        }
        Ok(())
    })())
}

pub(super) fn under_light(bench: &mut Bench) -> Found {
    found((|| {
        let mut guarded = outputs(bench)?;
        guarded.retain(|signal| !signal.under_light);
        let Some(signal) = guarded.first() else {
            let why = "every output of this head may be switched under light";
            return Err(Found::Skipped(why.to_string()));
        };
        if !bench.may_switch() {
            return Err(Found::Skipped("switching was not allowed".to_string()));
        }
        let before = state(bench, &signal.name)?;
        bench.locked()?;
        bench
            .arm(0.0)
            .map_err(|fault| Found::Skipped(format!("the head does not arm: {fault}")))?;
        let answer = bench.switch(&signal.name, before);
        bench.disarm()?;
        refused(&format!("switching `{}` while armed", signal.name), answer)?;
        Ok(())
    })())
}
