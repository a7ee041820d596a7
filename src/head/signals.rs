//! Digital signals and numeric channels that a head, or a station around it, names: what a door, a
//! clamp, a lamp or a vacuum gauge is wired to, and what may be asked of them.

use crate::fault::Fault;
use crate::units::{UnitText, parse_unit, show_quantity};
use serde::{Deserialize, Serialize};

/// Which way a signal or a channel goes, as seen by a script.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// Can only be read.
    Input,
    /// Can be set, and reads as it was set.
    Output,
}

/// The electrical level that counts as active.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Active {
    /// A high level is active.
    #[default]
    High,
    /// A low level is active.
    Low,
}

/// What an input reads where nothing drives it, such as behind a broken wire.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Pull {
    /// Not defined.
    #[default]
    None,
    /// High.
    Up,
    /// Low.
    Down,
}

/// How an output is set when the head is made safe.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AtSafe {
    /// It stays as it is, such as a clamp that holds the part.
    Keep,
    /// It is switched off.
    Off,
    /// It is switched on, such as a brake that holds while it has power.
    On,
}

/// A digital line by the name that scripts know it by.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Signal {
    /// Such as `door`.
    pub name: String,
    /// Read only, or settable as well.
    pub direction: Direction,
    /// The level that is active.
    #[serde(default)]
    pub active: Active,
    /// What it reads with a broken wire.
    #[serde(default)]
    pub pull: Pull,
    /// How an output is set when the head is made safe; an input has none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_safe: Option<AtSafe>,
    /// An output may be switched while the laser is armed, such as a lamp.
    #[serde(default)]
    pub under_light: bool,
}

/// A numeric line by the name that scripts know it by.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Channel {
    /// Such as `vacuum`.
    pub name: String,
    /// Read only, or settable as well.
    pub direction: Direction,
    /// The unit that it is stated in, such as `kPa`; all values of a head are in SI all the same.
    pub unit: String,
    /// Smallest value that it can have, in SI.
    pub least: f64,
    /// Largest value that it can have, in SI.
    pub most: f64,
    /// What an output is set to when the head is made safe, in SI; it stays as it is where there is
    /// nothing said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_safe: Option<f64>,
    /// An output may be set while the laser is armed.
    #[serde(default)]
    pub under_light: bool,
}

impl Signal {
    /// Whether it is switched on or off when the head is made safe; none where it stays as it is.
    pub fn put_at_safe(&self) -> Option<bool> {
        match self.at_safe? {
            AtSafe::On => Some(true),
            AtSafe::Off => Some(false),
            AtSafe::Keep => None,
        }
    }
}

/// How many outputs are set when the head is made safe.
pub fn put_at_safe(signals: &[Signal], channels: &[Channel]) -> usize {
    signals.iter().filter(|signal| signal.put_at_safe().is_some()).count()
        + channels.iter().filter(|channel| channel.at_safe.is_some()).count()
}

/// A converted unit may be off in its last digit, as a share.
const SLACK: f64 = 1e-9;

impl Channel {
    /// Its unit; none where the description of a foreign head holds one that is not known here.
    pub fn unit(&self) -> Option<UnitText> {
        parse_unit(&self.unit).ok()
    }

    /// Its value before it is set: 0 where that is in its range, else the smallest.
    pub fn initial(&self) -> f64 {
        if (self.least..=self.most).contains(&0.0) { 0.0 } else { self.least }
    }

    /// A value of it in words, in its own unit.
    pub fn shown(&self, value: f64) -> String {
        match self.unit() {
            Some(unit) => show_quantity(value, unit.dimension, Some(&unit), None),
            None => format!("{value} (SI)"),
        }
    }

    /// The value lies in its range.
    pub fn takes(&self, value: f64) -> bool {
        let slack = SLACK * self.least.abs().max(self.most.abs());
        value >= self.least - slack && value <= self.most + slack
    }
}

/// The fault of a head without signals and channels.
pub fn unknown_name(what: &str, name: &str) -> Fault {
    let name: String = name.chars().take(60).collect();
    Fault::Refused(format!("this head has no {what} `{name}`"))
}

/// Names listed in a refusal.
const MAX_LISTED: usize = 12;

/// The line of a name; a fault that lists the known names where there is none.
fn find<'s, T>(
    lines: &'s [T],
    what: &str,
    name: &str,
    name_of: fn(&T) -> &str,
) -> Result<&'s T, Fault> {
    let found = lines.iter().find(|line| name_of(line) == name);
    found.ok_or_else(|| {
        let fault = unknown_name(what, name);
        let mut known: Vec<&str> = lines.iter().take(MAX_LISTED).map(name_of).collect();
        if lines.len() > MAX_LISTED {
            known.push("…");
        }
        if known.is_empty() {
            return fault;
        }
        Fault::Refused(format!("{fault}; it has {}", known.join(", ")))
    })
}

/// The signal of a name.
pub fn find_signal<'s>(signals: &'s [Signal], name: &str) -> Result<&'s Signal, Fault> {
    find(signals, "signal", name, |signal| &signal.name)
}

/// The channel of a name.
pub fn find_channel<'s>(channels: &'s [Channel], name: &str) -> Result<&'s Channel, Fault> {
    find(channels, "channel", name, |channel| &channel.name)
}

fn check_output(what: &str, name: &str, direction: Direction) -> Result<(), Fault> {
    match direction {
        Direction::Output => Ok(()),
        Direction::Input => {
            Err(Fault::Refused(format!("the {what} `{name}` is an input: it can only be read")))
        }
    }
}

/// The signal that is to be switched, or why it cannot be.
pub fn switchable<'s>(signals: &'s [Signal], name: &str, armed: bool) -> Result<&'s Signal, Fault> {
    let signal = find_signal(signals, name)?;
    check_output("signal", name, signal.direction)?;
    if armed && !signal.under_light {
        return Err(Fault::armed(SWITCHING));
    }
    Ok(signal)
}

/// The channel that is to be set to `value`, or why it cannot be.
pub fn settable<'s>(
    channels: &'s [Channel],
    name: &str,
    value: f64,
    armed: bool,
) -> Result<&'s Channel, Fault> {
    let channel = find_channel(channels, name)?;
    check_output("channel", name, channel.direction)?;
    if !channel.takes(value) {
        return Err(Fault::OutOfRange {
            what: format!("channel `{name}`:"),
            value: channel.shown(value),
            low: channel.shown(channel.least),
            high: channel.shown(channel.most),
        });
    }
    if armed && !channel.under_light {
        return Err(Fault::armed(SETTING));
    }
    Ok(channel)
}

/// What is refused under light, in words.
pub(crate) const SWITCHING: &str = "switching this output";

/// The same of a channel.
pub(crate) const SETTING: &str = "setting this channel";
