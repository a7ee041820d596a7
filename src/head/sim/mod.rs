//! The simulated head: rotor, facets, galvanometer, laser and gauge on a virtual clock, from one
//! TOML description and a seed. May use the head trait, optics and units.
//!
//! The world depends on commands and their head times only: the same description, seed and
//! commands give the same bytes, however often somebody looked in between. Time advances in
//! closed form or by adaptive steps worked out once per command, never by idling.
//!
//! Pages lie line by line on the [`medium`], and `render` makes a picture of what it shows.

mod bounds;
pub mod config;
mod describe;
mod expose;
pub mod faults;
mod fixtures;
pub mod galvanometer;
mod gauge;
mod limits;
pub mod lines;
pub mod medium;
pub mod noise;
pub mod ode;
mod page;
mod provoking;
pub mod pulses;
pub mod render;
pub mod rotor;
mod simulated;
mod truth;
mod world;

#[cfg(test)]
mod tests;

pub use crate::head::read::ConfigError;
pub use config::{BUILT_IN, Config};
pub use gauge::SimGauge;
pub use provoking::Provoking;
pub use simulated::SimHead;
pub use truth::Truth;

use std::cell::RefCell;
use std::rc::Rc;

/// Makes a head and its gauge that share one world.
///
/// `text` is a TOML description laid over the built-in one ([`BUILT_IN`], whose comments explain
/// every key), none for the built-in head itself; it comes with the name that people know it by,
/// which every mistake carries. `seed` draws all that is random.
/// Every mistake in the description is returned at once.
pub fn open(
    text: Option<(&str, &str)>,
    seed: u64,
) -> Result<(SimHead, SimGauge), Vec<ConfigError>> {
    open_with(text, seed, &[])
}

/// Whether a description gives its head a serial number, so that it has not that of the built-in one.
pub fn names_its_serial(text: &str) -> bool {
    let table = text.parse::<toml::Table>().unwrap_or_default();
    table.get("head").and_then(|head| head.get("serial")).is_some()
}

/// The same with further faults, each an option such as `lock_lost@12s` or
/// `stuck_trim(facet=3)@0s`. A mistake in one names the option as its source, and points into it.
pub fn open_with(
    text: Option<(&str, &str)>,
    seed: u64,
    faults: &[String],
) -> Result<(SimHead, SimGauge), Vec<ConfigError>> {
    let named = |name: &str, mut errors: Vec<ConfigError>| {
        for error in &mut errors {
            error.source = name.to_string();
        }
        errors
    };
    let name = text.map_or("built-in head", |(name, _)| name);
    let mut config =
        Config::read(text.map(|(_, text)| text), seed).map_err(|errors| named(name, errors))?;
    let wrong: Vec<ConfigError> = faults
        .iter()
        .filter_map(|option| faults::add(&mut config, option).err().map(|e| named(option, e)))
        .flatten()
        .collect();
    if !wrong.is_empty() {
        return Err(wrong);
    }
    let world = Rc::new(RefCell::new(world::World::new(config, seed)));
    let head = SimHead { world: Rc::clone(&world), keeper: None };
    Ok((head, SimGauge { world }))
}
