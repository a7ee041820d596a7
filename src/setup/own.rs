//! Heads of one's own: an implementation of the head trait gets the whole program around it, with
//! an address of its own.

use crate::error::{Error, invalid};
use spintrue_head::{Gauge, Head};
use std::sync::OnceLock;

/// A head with its gauge, if it has one.
pub(crate) type HeadAndGauge = (Box<dyn Head>, Option<Box<dyn Gauge>>);

/// A kind of head that is not spintrue's own.
#[derive(Clone, Copy, Debug)]
pub(crate) struct OwnHead {
    /// Its address is this, or this, a colon and an argument for `open`: `bench`, `bench:2`.
    pub name: &'static str,
    /// Opens it; takes what follows the colon, which may be empty. An error says why it cannot be
    /// opened, with the way out.
    pub open: fn(&str) -> Result<HeadAndGauge, String>,
}

/// Addresses that are taken.
const TAKEN: [&str; 4] = ["sim", "replay", "tcp", "serial"];

static HEADS: OnceLock<Vec<OwnHead>> = OnceLock::new();

/// Makes them known; refuses a name that cannot be an address.
pub(crate) fn know(heads: &[OwnHead]) -> Result<(), Error> {
    for head in heads {
        let plain =
            |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || matches!(c, '_' | '-');
        if head.name.is_empty() || !head.name.chars().all(plain) || TAKEN.contains(&head.name) {
            return Err(invalid!(
                "no head can be called `{}`: take small letters and digits, and none of {}",
                head.name,
                TAKEN.join(", ")
            ));
        }
    }
    // The first list in this process stays.
    HEADS.get_or_init(|| heads.to_vec());
    Ok(())
}

/// The kind of head that an address names, if it is one of these.
pub(super) fn find(address: &str) -> Option<&'static OwnHead> {
    let name = address.split(':').next()?;
    HEADS.get()?.iter().find(|head| head.name == name)
}

impl OwnHead {
    /// Opens the head of an address.
    pub(super) fn opened(&self, address: &str) -> Result<HeadAndGauge, Error> {
        let rest = address.split_once(':').map_or("", |(_, rest)| rest);
        (self.open)(rest).map_err(|why| invalid!("`{address}` cannot be opened: {why}"))
    }
}
