//! The identity of a run for its record, put together before anything moves.

use crate::disk::{Disk, resolve};
use crate::record::about::About;
use crate::record::data::{Identity, SourceDigest};
use crate::terminal::duration;
use crate::terminal::facts::facts;
use spintrue_language::{Files, Prepared, SCRIPT_SOURCE};
use std::collections::HashSet;

/// Identity of a run that starts now.
pub(crate) fn identity(about: &About, prepared: &Prepared) -> Identity {
    let head = &about.head;
    let mut known = HashSet::new();
    // The row of a list follows the whole list, under the same name.
    let sources = prepared.sources.iter().filter(|(_, source)| {
        !source.name.starts_with("--set") && known.insert(source.name.as_str())
    });
    let sources = sources
        .map(|(_, source)| SourceDigest::new(source.name.clone(), source.text.as_bytes().to_vec()));
    let mut sources: Vec<SourceDigest> = sources.collect();
    let script = prepared.sources.get(SCRIPT_SOURCE).map_or("", |source| source.name.as_ref());
    let images = prepared.images().filter_map(|name| {
        let bytes = Disk.bytes(script, name).ok()?;
        let path = resolve(Some(script), name);
        Some((path.to_string_lossy().replace('\\', "/"), bytes))
    });
    for (name, content) in about.files.iter().cloned().chain(images) {
        if !sources.iter().any(|source| source.name == name) {
            sources.push(SourceDigest::new(name, content));
        }
    }
    let mut again = about.again.clone();
    for (name, value) in &about.params {
        again.extend(["--set".to_string(), format!("{name}={value}")]);
    }
    Identity {
        spintrue: env!("CARGO_PKG_VERSION").to_string(),
        script: about.script.clone(),
        sources,
        model: match about.replay {
            true => format!("replay of {}", head.model),
            false => head.model.clone(),
        },
        serial: head.serial.clone(),
        simulated: head.simulated,
        seed: head.simulated.then_some(about.seed),
        replay: about.replay,
        faults: about.faults.clone(),
        provoked: Vec::new(),
        again,
        params: about.params.clone(),
        operator: about.operator.clone(),
        started: format!("{:.3}", jiff::Timestamp::now()),
        at_most: about.at_most.map(duration::text),
        head: facts(head),
    }
}
