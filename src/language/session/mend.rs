//! What `check --fix` does to a script: the safe ways out of its reports, as long as they make it better.

use crate::diagnostics::Diagnostic;
use crate::diagnostics::fix::{edited, safe_fixes};
use crate::images::ChartFacts;
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

    fn chart(&mut self, from: &str, path: &str) -> Result<ChartFacts, FileError> {
        self.files.chart(from, path)
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
    let (mut steps, mut least, mut best) = (Vec::new(), badness(&prepared), None);
    for _ in 0..MAX_ROUNDS {
        let fixes = safe_fixes(SCRIPT, &prepared.diagnostics);
        if fixes.is_empty() {
            break;
        }
        let edits = fixes.iter().flat_map(|(_, help)| &help.edits);
        changed.script.text = edited(&changed.script.text, edits);
        steps.extend(fixes.iter().map(|(report, help)| {
            format!("{}: {}: {}", prepared.sources.place(report.span()), report.code, help.text)
        }));
        prepared = prove(&mut changed, path, settings)?;
        // What is read at last may have mistakes of its own, which the next round mends.
        if badness(&prepared) < least {
            least = badness(&prepared);
            best = Some(Mended { text: changed.script.text.clone(), steps: steps.clone() });
        }
    }
    Ok(best)
}

/// What is wrong: first what cannot be read, which hides other mistakes, then errors, then warnings, then
/// how much text follows the first place that cannot be read.
fn badness(prepared: &Prepared) -> (usize, usize, usize, usize) {
    let unread =
        |d: &&Diagnostic| ["E01", "E02", "E03"].iter().any(|area| d.code.starts_with(area));
    let all = &prepared.diagnostics;
    let length = prepared.sources.get(SCRIPT).map_or(0, |source| source.text.len());
    let first = all.iter().find(unread).map_or(length, |d| d.span().start as usize);
    let (unread, errors) = (all.iter().filter(unread), all.iter().filter(|d| d.is_error()));
    (unread.count(), errors.count(), all.len(), length - first.min(length))
}
