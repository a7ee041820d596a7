//! What a run is, for its record: put together before anything moves.

use crate::cli::duration;
use crate::cli::files::Disk;
use crate::cli::head::facts;
use crate::cli::run::About;
use crate::record::{Identity, SourceDigest};
use crate::session::{Files, Prepared, SCRIPT};
use std::collections::HashSet;

/// Identity of a run that starts now.
pub(crate) fn identity(about: &About<'_>, prepared: &Prepared) -> Identity {
    let head = about.head;
    let mut known = HashSet::new();
    // The row of a list stands behind the whole list, under the same name.
    let sources = prepared.sources.iter().filter(|(_, source)| {
        !source.name.starts_with("--set") && known.insert(source.name.as_str())
    });
    let sources = sources
        .map(|(_, source)| SourceDigest::new(source.name.clone(), source.text.as_bytes().to_vec()));
    let mut sources: Vec<SourceDigest> = sources.collect();
    let script = prepared.sources.get(SCRIPT).map_or("", |source| source.name.as_ref());
    let images = prepared.images().filter_map(|name| {
        let bytes = Disk.bytes(script, name).ok()?;
        Some((Disk::name_of(script, name), bytes))
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
        script: about.script.to_string(),
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
        operator: about.operator.map(str::to_string),
        // To the millisecond, which is as much as a person's clock is worth.
        started: format!("{:.3}", jiff::Timestamp::now()),
        at_most: about.at_most.map(duration::text),
        head: facts(head),
    }
}

/// What makes a run again, but for its params.
#[derive(Default)]
pub(crate) struct Again<'a> {
    pub script: &'a str,
    pub address: &'a str,
    /// Of a head that is simulated here.
    pub seed: Option<u64>,
    /// As `--fault` gave them.
    pub faults: &'a [String],
    pub fixtures: &'a [std::path::PathBuf],
    pub answers: Option<&'a str>,
}

impl Again<'_> {
    /// As arguments of the program.
    pub(crate) fn arguments(&self) -> Vec<String> {
        let mut arguments = vec!["run".to_string(), self.script.to_string()];
        let mut option = |name: &str, value: String| arguments.extend([name.to_string(), value]);
        option("--head", self.address.to_string());
        if let Some(seed) = self.seed {
            option("--seed", seed.to_string());
        }
        for fault in self.faults {
            option("--fault", fault.clone());
        }
        for path in self.fixtures {
            option("--fixture", path.display().to_string());
        }
        if let Some(path) = self.answers {
            option("--answers", path.to_string());
        }
        arguments
    }
}
