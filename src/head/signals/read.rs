//! The keys that every `[[signal]]` and `[[channel]]` of a description has, whatever is behind them.
//! The caller reads keys of its own from the same section and finishes it. Uses the description
//! reader and units.
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

use crate::head::read::Section;
use crate::head::signals::{Active, AtSafe, Channel, Direction, Pull, Signal};
use crate::units::{Dimension, show};
use core::ops::RangeInclusive;
use std::collections::HashMap;

/// Longest name, in characters.
const MAX_NAME: usize = 40;

/// Largest value of a channel in SI that is believed.
const MAX_VALUE: f64 = 1e15;

/// Names of the signals and channels read so far: each must be there once.
#[derive(Debug, Default)]
pub(crate) struct Names(HashMap<String, &'static str>);

impl Names {
    /// Reads the name of a signal or a channel, which `what` says.
    fn read(&mut self, section: &mut Section<'_, '_>, what: &'static str) -> String {
        let name = section.text("name");
        let mut letters = name.chars();
        let first = letters.next().is_none_or(|c| c.is_ascii_alphabetic());
        if !first
            || name.len() > MAX_NAME
            || !letters.all(|c| c.is_ascii_alphanumeric() || c == '_')
        {
            let message = format!(
                "`{name}` is no name: it has a letter, then letters, digits and `_`, {MAX_NAME} at most"
            );
            section.complain("name", message, None);
        } else if let Some(before) = self.0.get(&name) {
            let message = format!("there is another {before} `{name}`");
            let help = "signals and channels are told apart by their names".to_string();
            section.complain("name", message, Some(help));
        } else if !name.is_empty() {
            self.0.insert(name.clone(), what);
        }
        name
    }
}

fn direction(section: &mut Section<'_, '_>) -> Option<Direction> {
    let found = section.maybe_choice("direction", &["input", "output"])?;
    Some(if found == 0 { Direction::Input } else { Direction::Output })
}

/// What an input must not have; tells whether it is there.
fn of_outputs(section: &Section<'_, '_>, keys: &[&str]) {
    for key in keys {
        if section.has(key) {
            let message = format!("an input has no `{key}`");
            section.complain(key, message, Some("it is never set; delete the key".to_string()));
        }
    }
}

/// Whether an output says what becomes of it; complains where it does not.
fn says_at_safe(section: &Section<'_, '_>, name: &str, words: &str) {
    if !section.has("at_safe") {
        let message =
            format!("the output `{name}` does not say what becomes of it when all is made safe");
        section.complain("name", message, Some(format!("write `at_safe = {words}`")));
    }
}

/// Reads what every signal has.
pub(crate) fn signal(section: &mut Section<'_, '_>, names: &mut Names) -> Signal {
    let name = names.read(section, "signal");
    let direction = direction(section);
    let active = section.optional_choice("active", &["high", "low"]).unwrap_or(0);
    let pull = section.optional_choice("pull", &["none", "up", "down"]).unwrap_or(0);
    let at_safe = section.optional_choice("at_safe", &["keep", "off", "on"]);
    let under_light = section.flag("under_light");
    match direction {
        Some(Direction::Input) => of_outputs(section, &["at_safe", "under_light"]),
        Some(Direction::Output) => {
            if section.has("pull") {
                let help = "it is driven; delete the key".to_string();
                section.complain("pull", "an output has no `pull`".to_string(), Some(help));
            }
            says_at_safe(section, &name, "\"off\"`, `\"on\"` or `\"keep\"");
        }
        None => {}
    }
    Signal {
        name,
        direction: direction.unwrap_or(Direction::Input),
        active: if active == 0 { Active::High } else { Active::Low },
        pull: match pull {
            1 => Pull::Up,
            2 => Pull::Down,
            _ => Pull::None,
        },
        at_safe: at_safe.map(|found| match found {
            1 => AtSafe::Off,
            2 => AtSafe::On,
            _ => AtSafe::Keep,
        }),
        under_light,
    }
}

/// A channel, and what it needs for reading further keys: its dimension and its range in SI.
pub(crate) struct ReadChannel {
    /// The channel.
    pub(crate) channel: Channel,
    /// Of its unit.
    pub(crate) dimension: Dimension,
    /// From its smallest value to its largest.
    pub(crate) range: RangeInclusive<f64>,
}

/// Reads what every channel has; none where its unit is missing or wrong.
pub(crate) fn channel(section: &mut Section<'_, '_>, names: &mut Names) -> Option<ReadChannel> {
    let name = names.read(section, "channel");
    let direction = direction(section);
    let unit = section.unit("unit");
    // Without a unit nothing can be said of the quantities.
    let unit = unit?;
    let dimension = unit.dimension;
    let believed = -MAX_VALUE..=MAX_VALUE;
    let least = section.some_quantity("least", dimension, believed.clone());
    let most = section.some_quantity("most", dimension, believed.clone());
    let range = match (least, most) {
        (Some(least), Some(most)) if least < most => least..=most,
        (Some(_), Some(_)) => {
            let message = "`channel.least` must be below `most`".to_string();
            section.complain("least", message, None);
            believed
        }
        _ => believed,
    };
    let (least, most) = (*range.start(), *range.end());
    let kept = section.is_text("at_safe", "keep");
    let at_safe = if kept {
        section.know("at_safe");
        None
    } else {
        section.maybe_quantity("at_safe", dimension, range.clone())
    };
    let under_light = section.flag("under_light");
    match direction {
        Some(Direction::Input) => of_outputs(section, &["at_safe", "under_light"]),
        Some(Direction::Output) => {
            let rest = if range.contains(&0.0) { 0.0 } else { *range.start() };
            let rest = show(rest, dimension, Some(&unit), None);
            says_at_safe(section, &name, &format!("\"{rest}\"`, or `\"keep\""));
        }
        None => {}
    }
    let channel = Channel {
        name,
        direction: direction.unwrap_or(Direction::Input),
        unit: unit.text,
        least,
        most,
        at_safe,
        under_light,
    };
    Some(ReadChannel { channel, dimension, range })
}
