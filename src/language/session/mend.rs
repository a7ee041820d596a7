//! What `check --fix` does to a script: the safe ways out of its reports, as long as they make it better.

use crate::diagnostics::fix::{edited, safe_fixes};
use crate::diagnostics::{Diagnostic, Help, Severity};
use crate::session::SCRIPT;
use crate::session::load::{FileError, Files, Prepared, Text, prove};

/// Most rounds of edits; each is checked before the next.
const MAX_ROUNDS: usize = 64;

/// A script after its safe edits.
#[derive(Debug)]
pub struct Mended {
    /// The new text.
    pub text: String,
    /// Each way out that was gone: its place as it was then, the code, and what was done.
    pub steps: Vec<String>,
}

/// Files, with another text for the script itself.
struct Changed<'f> {
    files: &'f mut dyn Files,
    script: Text,
}

impl Files for Changed<'_> {
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<Text, FileError> {
        let Text { name, text } = &self.script;
        if from.is_none() {
            return Ok(Text { name: name.clone(), text: text.clone() });
        }
        self.files.read(from, path)
    }

    fn bytes(&mut self, from: &str, path: &str) -> Result<Vec<u8>, FileError> {
        self.files.bytes(from, path)
    }
}

/// Makes all safe edits of a script, and those that they make possible; used files stay. None where
/// there is none, or where none makes the script better.
///
/// # Errors
/// Where the script cannot be read.
pub fn mend(
    files: &mut dyn Files,
    path: &str,
    settings: &[String],
) -> Result<Option<Mended>, FileError> {
    let mut prepared = prove(files, path, settings)?;
    let Some(source) = prepared.sources.get(SCRIPT) else { return Ok(None) };
    let script = Text { name: source.name.clone(), text: source.text.to_string() };
    let mut changed = Changed { files, script };
    let mut steps = Vec::new();
    for _ in 0..MAX_ROUNDS {
        let fixes = safe_fixes(SCRIPT, &prepared.diagnostics);
        let all = (0..fixes.len()).collect();
        let alone = (0..fixes.len()).map(|at| vec![at]);
        // One that does harm must not keep the others from being made.
        let sets = std::iter::once(all).chain(alone.filter(|_| fixes.len() > 1));
        let mut better = None;
        for set in sets.filter(|set: &Vec<usize>| !set.is_empty()) {
            let chosen = || set.iter().filter_map(|at| fixes.get(*at));
            let old = changed.script.text.clone();
            changed.script.text = edited(&old, chosen().flat_map(|(_, help)| &help.edits));
            let next = prove(&mut changed, path, settings)?;
            if badness(&next) < badness(&prepared) {
                let told = |(report, help): &(&Diagnostic, &Help)| told(report, help, &prepared);
                better = Some((next, chosen().map(told).collect::<Vec<_>>()));
                break;
            }
            changed.script.text = old;
        }
        let Some((next, told)) = better else { break };
        steps.extend(told);
        prepared = next;
    }
    Ok((!steps.is_empty()).then_some(Mended { text: changed.script.text, steps }))
}

fn told(report: &Diagnostic, help: &Help, prepared: &Prepared) -> String {
    let place = prepared.sources.place(report.span());
    format!("{place}: {}: {}", report.code, help.text)
}

/// What is wrong: first what cannot be read, which hides other mistakes, then errors, then warnings.
fn badness(prepared: &Prepared) -> (usize, usize, usize) {
    let unread =
        |d: &&Diagnostic| ["E01", "E02", "E03"].iter().any(|area| d.code.starts_with(area));
    let is_error = |d: &&Diagnostic| d.severity == Severity::Error;
    let all = &prepared.diagnostics;
    (all.iter().filter(unread).count(), all.iter().filter(is_error).count(), all.len())
}
