//! What is known of a run before it starts, for everything that prints or keeps it, and its identity for
//! its record.

use crate::disk::{Disk, resolve};
use crate::record::data::{Identity, SourceDigest};
use crate::record::manifest::canonical_digest;
use crate::terminal::facts::facts;
use spintrue_head::Description;
use spintrue_language::{Files, Prepared, SCRIPT_SOURCE, SourceMap, longest_text};
use std::collections::HashSet;
use std::path::PathBuf;

/// A run that is about to start.
pub(crate) struct About {
    pub script: String,
    pub head: Description,
    /// Address of the head.
    pub address: String,
    /// The head is neither simulated nor replayed here.
    pub elsewhere: bool,
    pub seed: u64,
    /// Faults of a simulated head, and when they strike.
    pub faults: Vec<String>,
    /// Name of the operator.
    pub operator: Option<String>,
    /// What else takes part, by its name, such as the station.
    pub named: Vec<(String, String)>,
    /// Name and value of each param.
    pub params: Vec<(String, String)>,
    /// Longest head time in s that the run can take, where a bound is known.
    pub at_most: Option<f64>,
    /// The head is a recording that is replayed.
    pub replay: bool,
    /// Arguments that repeat the run, without its params.
    pub again: Vec<String>,
    /// Descriptions of heads and fixtures, and memories: name and content.
    pub files: Vec<(String, Vec<u8>)>,
}

impl About {
    /// Adds files that the run depends on: name and content.
    pub(crate) fn with_files(mut self, files: impl Iterator<Item = (String, Vec<u8>)>) -> About {
        self.files.extend(files);
        self
    }
}

/// The options that repeat a run, without its params.
pub(crate) struct Again<'a> {
    pub script: &'a str,
    pub address: &'a str,
    /// Of a head that is simulated here.
    pub seed: Option<u64>,
    /// As `--fault` gave them.
    pub faults: &'a [String],
    /// What stands around it: options with their files.
    pub fixtures: Vec<(&'a str, &'a PathBuf)>,
    pub answers: Option<&'a str>,
    /// Options of a print as the gauge.
    pub print: Vec<(&'static str, String)>,
}

impl Again<'_> {
    /// As arguments of the program.
    pub(crate) fn arguments(&self) -> Vec<String> {
        let mut arguments = vec!["run".to_string(), self.script.to_string()];
        let mut option = |name: &str, value: String| arguments.extend([name.to_string(), value]);
        option("--head", self.address.to_string());
        self.seed.into_iter().for_each(|seed| option("--seed", seed.to_string()));
        self.faults.iter().for_each(|fault| option("--fault", fault.clone()));
        self.fixtures.iter().for_each(|(name, path)| option(name, path.display().to_string()));
        self.answers.into_iter().for_each(|path| option("--answers", path.to_string()));
        self.print.iter().for_each(|(name, value)| option(name, value.clone()));
        arguments
    }
}

/// The commit that the program was built from, where it was built in a repository.
const COMMIT: Option<&str> = option_env!("SPINTRUE_COMMIT");

/// Names that the program finds out, of every run.
pub(crate) const FOUND_NAMES: [&str; 5] = ["address", "description", "clock", "host", "commit"];

/// What takes part in a run: what options name, then what the program knows.
fn named(about: &About) -> Vec<(String, String)> {
    let description = serde_json::to_value(&about.head).unwrap_or_default();
    let clock = match (about.replay, about.head.simulated) {
        (true, _) => "of the recording",
        (_, true) if !about.elsewhere => "virtual, of the simulated head",
        _ => "of the head",
    };
    let host = gethostname::gethostname().to_string_lossy().into_owned();
    let system = std::env::consts::OS;
    let own = [
        about.address.clone(),
        canonical_digest(&description),
        format!("head time: {clock}; time of day: system clock of the host, UTC"),
        format!("{host} ({system})"),
        COMMIT.unwrap_or("unknown").to_string(),
    ];
    let own = FOUND_NAMES.into_iter().map(str::to_string).zip(own);
    about.named.iter().cloned().chain(own).collect()
}

/// The texts of a run by their names, without settings.
pub(crate) fn texts(sources: &SourceMap) -> Vec<SourceDigest> {
    let mut known = HashSet::new();
    // The row of a list follows the whole list, under the same name.
    let texts = sources.iter().filter(|(_, source)| {
        !source.name.starts_with("--set") && known.insert(source.name.as_str())
    });
    texts
        .map(|(_, source)| SourceDigest::new(source.name.clone(), source.text.as_bytes().to_vec()))
        .collect()
}

/// Identity of a run that starts now.
pub(crate) fn identity(about: &About, prepared: Option<&Prepared>) -> Identity {
    let head = &about.head;
    let mut sources = prepared.map(|prepared| texts(&prepared.sources)).unwrap_or_default();
    let images = prepared.into_iter().flat_map(|prepared| {
        let script = prepared.sources.get(SCRIPT_SOURCE).map_or("", |source| source.name.as_ref());
        prepared.images().filter_map(move |name| {
            let bytes = Disk.bytes(script, name).ok()?;
            let path = resolve(Some(script), name);
            Some((path.to_string_lossy().replace('\\', "/"), bytes))
        })
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
        named: named(about),
        started: format!("{:.3}", jiff::Timestamp::now()),
        at_most: about.at_most.map(longest_text),
        head: facts(head),
    }
}
