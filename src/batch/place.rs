//! Where a head of a batch is, and how it is opened.

use crate::error::Error;
use crate::setup::{OpenFixtures, Opened, Simulated, open_elsewhere};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// Seed of a simulated head whose address has none.
const DEFAULT_SEED: u64 = 1;

/// Where a head is.
#[derive(Clone)]
pub(super) enum Place {
    /// Nowhere: it is simulated.
    Simulated(Simulated),
    /// At an address.
    Address(String),
}

impl Place {
    /// Opens the head with its fixtures; `stop` ends its waits early.
    pub(super) fn open(
        &self,
        fixtures: &OpenFixtures,
        stop: &Arc<AtomicBool>,
    ) -> Result<Opened, Error> {
        fixtures.fit(self.open_bare(Arc::clone(stop))?, false, stop)
    }

    /// Opens the head without its fixtures.
    pub(super) fn open_bare(&self, stop: Arc<AtomicBool>) -> Result<Opened, Error> {
        match self {
            Place::Simulated(head) => head.make(head.seed.unwrap_or(DEFAULT_SEED)),
            Place::Address(address) => open_elsewhere(address, stop),
        }
    }

    /// As an option or a list names it.
    pub(super) fn address(&self) -> String {
        match self {
            Place::Simulated(head) => head.address(),
            Place::Address(address) => address.clone(),
        }
    }

    /// What identifies the head, as far as the batch decides on it.
    pub(super) fn parts(&self) -> Vec<String> {
        match self {
            Place::Simulated(head) => {
                let seed = head.seed.map_or(String::new(), |seed| seed.to_string());
                let text = head.description.as_ref().map_or("", |(_, text)| text.as_str());
                let mut parts = vec![text.to_string(), seed];
                parts.extend(head.faults.iter().cloned());
                parts
            }
            Place::Address(address) => vec![address.clone()],
        }
    }
}
