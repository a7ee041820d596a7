//! The simulated head: rotor, facets, galvanometer, laser and gauge on a virtual clock, from one
//! TOML head file and a seed.
//!
//! The world depends on commands and their head times only: the same head file, seed and commands
//! give the same bytes, however often the head was asked in between. Time advances in closed form
//! or by adaptive steps worked out once per command, never by idling.
//!
//! Pages lie line by line on the [`medium`], and `render` makes a picture of what it shows.

mod bounds;
mod circle;
mod config;
mod contradictions;
mod detector;
mod disturbances;
mod expose;
mod faults;
mod file;
mod fixtures;
mod galvanometer;
mod gauge;
mod injector;
mod limits;
mod lines;
mod medium;
mod noise;
mod ode;
mod optics;
mod page;
mod pulses;
mod reader;
mod render;
mod rotor;
mod simulated;
mod truth;
mod windage;
mod wiring;
mod world;

#[cfg(test)]
mod tests;

pub use config::{BUILT_IN as BUILT_IN_HEAD, Stored};
pub use gauge::SimGauge;
pub use medium::{Medium, Sheet};
pub use reader::lines::{Names as LineNames, channel as channel_line, signal as signal_line};
pub use reader::{ConfigError, Reader as TomlReader, Table as TomlTable, read as read_description};
pub use render::{MAX_SCALE, Picture, ShowError, Showing, picture as draw_picture};
pub use simulated::SimHead;

use std::cell::RefCell;
use std::rc::Rc;

/// Makes a head and its gauge that share one world.
///
/// `text` is a TOML head file laid over the built-in one ([`BUILT_IN_HEAD`], whose comments explain every
/// key), with its name for messages; none for the built-in head itself. `seed` draws all that is
/// random. Returns every mistake in the file at once.
pub fn open(
    text: Option<(&str, &str)>,
    seed: u64,
) -> Result<(SimHead, SimGauge), Vec<ConfigError>> {
    open_with(text, seed, &[])
}

/// Whether a head file gives its head a serial number of its own.
pub fn has_serial(text: &str) -> bool {
    let table = text.parse::<toml::Table>().unwrap_or_default();
    table.get("head").and_then(|head| head.get("serial")).is_some()
}

/// The same with further faults, each an option such as `lock_lost@12s` or
/// `stuck_trim(facet=3)@0s`. A mistake in one names the option as its file, and points into it.
pub fn open_with(
    text: Option<(&str, &str)>,
    seed: u64,
    faults: &[String],
) -> Result<(SimHead, SimGauge), Vec<ConfigError>> {
    let named = |name: &str, errors: Vec<ConfigError>| -> Vec<ConfigError> {
        errors.into_iter().map(|error| ConfigError { file: name.to_string(), ..error }).collect()
    };
    let name = text.map_or("built-in head", |(name, _)| name);
    let mut config = config::Config::read(text.map(|(_, text)| text), seed)
        .map_err(|errors| named(name, errors))?;
    let mut wrong = Vec::new();
    for option in faults {
        match faults::parse(option, &config.description) {
            Ok(planned) => config.faults.push(planned),
            Err(errors) => wrong.extend(named(option, errors)),
        }
    }
    if !wrong.is_empty() {
        return Err(wrong);
    }
    let world = Rc::new(RefCell::new(world::World::new(config, seed)));
    let head = SimHead { world: Rc::clone(&world), keeper: None };
    Ok((head, SimGauge { world }))
}
