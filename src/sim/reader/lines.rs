//! The keys that every `[[signal]]` and `[[channel]]` of a head file or a fixture file has. The
//! caller reads keys of its own from the same table and finishes it.
//!
//! ```toml
//! [[signal]]
//! name = "clamp"
//! direction = "output"    # or "input"
//! active = "low"          # the level that counts as active; "high" where nothing is said
//! at_safe = "keep"        # or "off", "on"; each output needs it, an input has none
//! under_light = true      # may be switched while the laser is armed; an output alone
//!
//! [[signal]]
//! name = "door"
//! direction = "input"
//! pull = "up"             # or "down", "none"
//!
//! [[channel]]
//! name = "pump"
//! direction = "output"
//! unit = "kPa"
//! least = "-90 kPa"
//! most = "0 kPa"
//! at_safe = "0 kPa"       # or "keep"; each output needs it, an input has none
//! ```

use crate::reader::Table;
use spintrue_head::{Active, AtSafe, Channel, Direction, Pull, Signal, UnitText};
use std::collections::HashMap;

/// Longest name, in characters.
const MAX_NAME: usize = 40;

/// Largest value of a channel in SI that is plausible.
const MAX_VALUE: f64 = 1e15;

/// Names of the signals and channels read so far, which must differ.
#[derive(Debug, Default)]
pub struct Names(HashMap<String, &'static str>);

impl Names {
    /// Reads the name of a signal or a channel, which `what` says.
    fn read(&mut self, table: &Table<'_, '_>, what: &'static str) -> String {
        let Some(name) = table.text("name") else { return String::new() };
        let is_letter = |c: char| c.is_ascii_alphanumeric() || c == '_';
        if !name.starts_with(|c: char| c.is_ascii_alphabetic())
            || name.len() > MAX_NAME
            || !name.chars().all(is_letter)
        {
            table.complain(
                "name",
                format!(
                    "`{name}` is no name: it has a letter, then letters, digits and `_`, {MAX_NAME} at most"
                ),
            );
        } else if let Some(before) = self.0.insert(name.clone(), what) {
            let message = format!("there is another {before} `{name}`");
            table.complain_with("name", message, "each signal and channel needs its own name");
        }
        name
    }
}

const DIRECTIONS: [(&str, Direction); 2] =
    [("input", Direction::Input), ("output", Direction::Output)];

/// Complains about keys that the direction rules out or needs. `at_safe` says what an output may
/// write behind `at_safe =`.
fn check_direction(table: &Table<'_, '_>, direction: Option<Direction>, name: &str, at_safe: &str) {
    match direction {
        Some(Direction::Input) => {
            for key in ["at_safe", "under_light"] {
                if table.has(key) {
                    let message = format!("an input has no `{key}`");
                    table.complain_with(key, message, "it is never set; delete the key");
                }
            }
        }
        Some(Direction::Output) if !table.has("at_safe") => {
            let message =
                format!("the output `{name}` does not say what it does when the head is made safe");
            table.complain_with("at_safe", message, format!("write `at_safe = {at_safe}`"));
        }
        _ => {}
    }
}

/// Reads the common keys of a signal.
pub fn signal(table: &Table<'_, '_>, names: &mut Names) -> Signal {
    table.needs(&["name", "direction"]);
    let name = names.read(table, "signal");
    let direction = table.choice("direction", &DIRECTIONS);
    check_direction(table, direction, &name, "\"off\"`, `\"on\"` or `\"keep\"");
    let active = [("high", Active::High), ("low", Active::Low)];
    let pull = [("none", Pull::None), ("up", Pull::Up), ("down", Pull::Down)];
    let at_safe = [("keep", AtSafe::Keep), ("off", AtSafe::Off), ("on", AtSafe::On)];
    if direction == Some(Direction::Output) && table.has("pull") {
        table.complain_with("pull", "an output has no `pull`", "it is driven; delete the key");
    }
    Signal {
        name,
        direction: direction.unwrap_or(Direction::Input),
        active: table.choice("active", &active).unwrap_or_default(),
        pull: table.choice("pull", &pull).unwrap_or_default(),
        at_safe: table.choice("at_safe", &at_safe),
        under_light: table.flag("under_light"),
    }
}

/// Reads the common keys of a channel, and its unit; none where the unit is missing or wrong.
pub fn channel(table: &Table<'_, '_>, names: &mut Names) -> Option<(Channel, UnitText)> {
    table.needs(&["name", "direction", "unit"]);
    let name = names.read(table, "channel");
    let direction = table.choice("direction", &DIRECTIONS);
    // Without a unit no quantity can be read.
    let unit = table.unit("unit")?;
    let dimension = unit.dimension;
    table.needs(&["least", "most"]);
    let end = |key| table.quantity(key, dimension, -MAX_VALUE..=MAX_VALUE);
    let ends = end("least").zip(end("most"));
    if ends.is_some_and(|(least, most)| least >= most) {
        table.complain("least", "`channel.least` must be below `most`");
    }
    let ends = ends.filter(|(least, most)| least < most);
    let (least, most) = ends.unwrap_or((-MAX_VALUE, MAX_VALUE));
    let at_safe = if table.is_text("at_safe", "keep") {
        table.accept(&["at_safe"]);
        None
    } else {
        table.quantity("at_safe", dimension, least..=most)
    };
    let channel = Channel {
        name,
        direction: direction.unwrap_or(Direction::Input),
        unit: unit.text.clone(),
        least,
        most,
        at_safe,
        under_light: table.flag("under_light"),
    };
    let rest = channel.shown(channel.initial());
    check_direction(table, direction, &channel.name, &format!("\"{rest}\"`, or `\"keep\""));
    Some((channel, unit))
}
