//! Digital signals and numeric channels that a head, or a station around it, names: what a door, a
//! clamp, a lamp or a vacuum gauge is wired to, and what may be asked of them. Plain data; `read`
//! reads them. Uses fault and units.

pub(crate) mod read;

use crate::head::fault::Fault;
use crate::units::{UnitText, parse_unit, show};
use serde::{Deserialize, Serialize};

/// Which way a signal or a channel goes, as seen from the scripts.
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
    /// It is not known.
    #[default]
    None,
    /// High.
    Up,
    /// Low.
    Down,
}

/// What becomes of an output when the head is made safe.
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
    /// What becomes of an output when the head is made safe; an input has none.
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
    /// Whether it is switched on or off when all is made safe; none where it stays as it is.
    pub fn put_at_safe(&self) -> Option<bool> {
        match self.at_safe? {
            AtSafe::On => Some(true),
            AtSafe::Off => Some(false),
            AtSafe::Keep => None,
        }
    }
}

/// How many outputs are put somewhere when all is made safe.
pub fn put_at_safe(signals: &[Signal], channels: &[Channel]) -> usize {
    signals.iter().filter(|signal| signal.put_at_safe().is_some()).count()
        + channels.iter().filter(|channel| channel.at_safe.is_some()).count()
}

impl Channel {
    /// Its unit; none where the description of a foreign head holds one that is not known here.
    pub fn unit(&self) -> Option<UnitText> {
        parse_unit(&self.unit).ok()
    }

    /// A value of it in words, in its own unit.
    pub fn shown(&self, value: f64) -> String {
        match self.unit() {
            Some(unit) => show(value, unit.dimension, Some(&unit), None),
            None => format!("{value} (SI)"),
        }
    }
}

/// A converted unit may differ in its last digit.
const SLACK: f64 = 1e-9;

impl Channel {
    /// The value lies in its range.
    pub fn takes(&self, value: f64) -> bool {
        let slack = SLACK * self.least.abs().max(self.most.abs());
        value >= self.least - slack && value <= self.most + slack
    }
}

/// What a head without signals and channels answers.
pub fn unknown(what: &str, name: &str) -> Fault {
    let name: String = name.chars().take(60).collect();
    Fault::Refused(format!("this head has no {what} `{name}`"))
}

/// Most names that are listed for an unknown one.
const MAX_LISTED: usize = 12;

/// The same of a head that has some, which are told.
fn unlisted<'s>(what: &str, name: &str, known: impl Iterator<Item = &'s String>) -> Fault {
    let mut known: Vec<&str> = known.map(String::as_str).collect();
    if known.is_empty() {
        return unknown(what, name);
    }
    if known.len() > MAX_LISTED {
        known.truncate(MAX_LISTED);
        known.push("…");
    }
    let name: String = name.chars().take(60).collect();
    Fault::Refused(format!("this head has no {what} `{name}`; it has {}", known.join(", ")))
}

/// The signal of a name, or that there is none.
pub fn signal<'s>(signals: &'s [Signal], name: &str) -> Result<&'s Signal, Fault> {
    let found = signals.iter().find(|signal| signal.name == name);
    found.ok_or_else(|| unlisted("signal", name, signals.iter().map(|signal| &signal.name)))
}

/// The channel of a name, or that there is none.
pub fn channel<'s>(channels: &'s [Channel], name: &str) -> Result<&'s Channel, Fault> {
    let found = channels.iter().find(|channel| channel.name == name);
    found.ok_or_else(|| unlisted("channel", name, channels.iter().map(|channel| &channel.name)))
}

/// The signal that is to be switched, or why it cannot be.
pub fn switchable<'s>(signals: &'s [Signal], name: &str, armed: bool) -> Result<&'s Signal, Fault> {
    let signal = signal(signals, name)?;
    if signal.direction == Direction::Input {
        return Err(Fault::Refused(format!(
            "the signal `{name}` is an input: it can only be read"
        )));
    }
    if armed && !signal.under_light {
        return Err(Fault::Armed { what: SWITCHING });
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
    let channel = channel(channels, name)?;
    if channel.direction == Direction::Input {
        return Err(Fault::Refused(format!(
            "the channel `{name}` is an input: it can only be read"
        )));
    }
    if !channel.takes(value) {
        return Err(Fault::OutOfRange {
            what: format!("channel `{name}`:"),
            value: channel.shown(value),
            low: channel.shown(channel.least),
            high: channel.shown(channel.most),
        });
    }
    if armed && !channel.under_light {
        return Err(Fault::Armed { what: SETTING });
    }
    Ok(channel)
}

/// What is refused under light, in words.
pub const SWITCHING: &str = "switching this output";

/// The same of a channel.
pub const SETTING: &str = "setting this channel";
