//! What is known of a run before it starts, for everything that prints or keeps it.

use spintrue_head::Description;

/// A run that is about to start.
pub(crate) struct About {
    pub script: String,
    pub head: Description,
    /// Address of the head, unless it is simulated or replayed here.
    pub address: Option<String>,
    pub seed: u64,
    /// Faults of a simulated head, and when they strike.
    pub faults: Vec<String>,
    /// Name of the operator.
    pub operator: Option<String>,
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
    pub fixtures: &'a [std::path::PathBuf],
    pub answers: Option<&'a str>,
}

impl Again<'_> {
    /// As arguments of the program.
    pub(crate) fn arguments(&self) -> Vec<String> {
        let mut arguments = vec!["run".to_string(), self.script.to_string()];
        let mut option = |name: &str, value: String| arguments.extend([name.to_string(), value]);
        option("--head", self.address.to_string());
        self.seed.into_iter().for_each(|seed| option("--seed", seed.to_string()));
        self.faults.iter().for_each(|fault| option("--fault", fault.clone()));
        self.fixtures.iter().for_each(|path| option("--fixture", path.display().to_string()));
        self.answers.into_iter().for_each(|path| option("--answers", path.to_string()));
        arguments
    }
}
