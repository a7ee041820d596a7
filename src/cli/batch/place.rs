//! Where a head of a batch is: made here, or standing somewhere; and how it is opened.

use crate::cli::address::{Opened, Simulated, open_elsewhere};
use crate::cli::fixture::Ready;
use crate::head::{Calls, Description, Link};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// Seed of a simulated head where nothing else is said.
const SEED: u64 = 1;

/// What a head says that it is, and the way to it; nothing is connected to fixtures. Fails with what is
/// to be printed.
pub(super) fn described(
    opened: Opened,
    fixtures: &Ready,
) -> Result<(Description, Box<dyn Link>), String> {
    let mut opened = fixtures.described(opened)?;
    let described = opened.link.describe().map_err(|fault| format!("error: {fault}"))?;
    Ok((described, opened.link))
}

/// Where a head is.
#[derive(Clone)]
pub(super) enum Place {
    /// Nowhere: it is simulated.
    Made(Simulated),
    /// At an address.
    There(String),
}

impl Place {
    /// Opens the head with its fixtures; `stop` ends its waits early. Fails with what is to be printed.
    pub(super) fn open(&self, fixtures: &Ready, stop: &Arc<AtomicBool>) -> Result<Opened, String> {
        fixtures.fit(self.plain(Arc::clone(stop))?, false, stop)
    }

    /// The same without its fixtures.
    pub(super) fn plain(&self, stop: Arc<AtomicBool>) -> Result<Opened, String> {
        match self {
            Place::Made(head) => head.make(head.seed.unwrap_or(SEED)),
            Place::There(address) => open_elsewhere(address, stop),
        }
    }

    /// All that makes it the head that it is, as far as the batch decides on it.
    pub(super) fn parts(&self) -> Vec<String> {
        match self {
            Place::Made(head) => {
                let seed = head.seed.map_or(String::new(), |seed| seed.to_string());
                let text = head.description.as_ref().map_or("", |(_, text)| text.as_str());
                let mut parts = vec![text.to_string(), seed];
                parts.extend(head.faults.iter().cloned());
                parts
            }
            Place::There(address) => vec![address.clone()],
        }
    }
}
