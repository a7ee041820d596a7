//! Digital signals and numeric channels that a head, or a station around it, names: what a door, a
//! clamp, a lamp or a vacuum gauge is wired to. Plain data; `read` reads them. Uses fault.

pub(crate) mod read;

use crate::head::fault::Fault;
use serde::{Deserialize, Serialize};

/// Which way a signal or a channel goes, as seen from whoever runs scripts.
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
    /// Nobody knows.
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

/// What a head without signals and channels answers.
pub fn unknown(what: &str, name: &str) -> Fault {
    let name: String = name.chars().take(60).collect();
    Fault::Refused(format!("this head has no {what} `{name}`"))
}
