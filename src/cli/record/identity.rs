//! What a run is, for its record: put together before anything moves.

use crate::cli::duration;
use crate::cli::head::facts;
use crate::cli::run::About;
use crate::record::{Identity, SourceDigest, hexadecimal};
use crate::session::Prepared;
use sha2::{Digest, Sha256};
use std::collections::HashSet;

/// Identity of a run that starts now.
pub(crate) fn identity(about: &About<'_>, prepared: &Prepared) -> Identity {
    let head = about.head;
    let mut known = HashSet::new();
    // The row of a list stands behind the whole list, under the same name.
    let sources = prepared.sources.iter().filter(|(_, source)| {
        !source.name.starts_with("--set") && known.insert(source.name.as_str())
    });
    let sources = sources.map(|(_, source)| SourceDigest {
        name: source.name.to_string(),
        sha256: hexadecimal(&Sha256::digest(source.text.as_bytes())),
    });
    Identity {
        spintrue: env!("CARGO_PKG_VERSION").to_string(),
        script: about.script.to_string(),
        sources: sources.collect(),
        model: head.model.clone(),
        serial: head.serial.clone(),
        simulated: head.simulated,
        seed: head.simulated.then_some(about.seed),
        faults: about.faults.clone(),
        params: about.params.clone(),
        operator: about.operator.map(str::to_string),
        // To the millisecond, which is as much as a person's clock is worth.
        started: format!("{:.3}", jiff::Timestamp::now()),
        at_most: about.at_most.map(duration::text),
        head: facts(head),
    }
}
