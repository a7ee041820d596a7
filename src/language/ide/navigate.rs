//! Definition, references and highlights.

use crate::check::index::Target;
use crate::ide::analysis::Analysis;
use crate::ide::place::{Place, declaration, moved};
use crate::ide::workspace::Workspace;
use crate::source::Span;
use std::collections::{BTreeMap, BTreeSet};

/// Files of the workspace that are searched for users of a name.
const MAX_SEARCHED: usize = 2000;

/// The uses of a name in one file.
pub struct FileUses {
    /// The text of the file.
    pub text: String,
    /// First byte and end of each use.
    pub spans: BTreeSet<(usize, usize)>,
}

/// The uses of a name by file.
pub type Uses = BTreeMap<String, FileUses>;

/// Where the name at a place is declared, or the file that its `use` names; a span of the check of
/// the place.
pub fn definition(place: Place<'_>, workspace: &dyn Workspace) -> Option<Span> {
    if let Some(path) = place.used_path() {
        let name = workspace.resolve(place.file_name()?, path);
        return Some(Span::new(place.analysis.source(&name)?, 0, 0));
    }
    declaration(&place.occurrence()?.target)
}

/// Every use of the name at a place in the same file.
pub fn highlights(place: Place<'_>) -> Option<Vec<Span>> {
    let target = &place.occurrence()?.target;
    let all = place.analysis.examined.index.occurrences.iter();
    let here = all.filter(|o| o.span.source == place.source && same(&o.target, target));
    Some(here.map(|o| o.span).collect())
}

/// Every use of the name at a place, in all checked files and in the scripts of the workspace.
pub fn references(
    place: Place<'_>,
    with_declaration: bool,
    workspace: &mut dyn Workspace,
) -> Option<Uses> {
    let target = &place.occurrence()?.target;
    let others = users(place, target, workspace);
    let mut uses = Uses::new();
    for (_, analysis) in place.project.checks().chain(others.iter().map(|(n, a)| (n.as_str(), a))) {
        let Some(target) = across(target, place.analysis, analysis) else { continue };
        let declared = declaration(&target).filter(|_| !with_declaration);
        add_uses(&mut uses, analysis, |span, other| same(other, &target) && declared != Some(span));
    }
    Some(uses)
}

/// Adds the occurrences of a check for which `is_use` holds.
pub(super) fn add_uses(
    uses: &mut Uses,
    analysis: &Analysis,
    is_use: impl Fn(Span, &Target) -> bool,
) {
    for occurrence in &analysis.examined.index.occurrences {
        let span = occurrence.span;
        if !is_use(span, &occurrence.target) {
            continue;
        }
        let Some(name) = analysis.name(span.source) else { continue };
        let file = uses.entry(name.to_string()).or_insert_with(|| FileUses {
            text: analysis.text(span.source).to_string(),
            spans: BTreeSet::new(),
        });
        file.spans.insert((span.start as usize, span.end as usize));
    }
}

/// Whether two targets are the same for a search of uses.
pub(super) fn same(a: &Target, b: &Target) -> bool {
    match (a, b) {
        (Target::Field(a), Target::Field(b)) => a.name == b.name && a.of == b.of,
        _ => a == b,
    }
}

/// A target of one check as another check of the same file has it.
pub(super) fn across(target: &Target, from: &Analysis, to: &Analysis) -> Option<Target> {
    moved(target, |span| Some(Span { source: to.source(from.name(span.source)?)?, ..span }))
}

/// Checks of scripts in the workspace that are not open and that may use what a file declares.
pub(super) fn users(
    place: Place<'_>,
    target: &Target,
    workspace: &mut dyn Workspace,
) -> Vec<(String, Analysis)> {
    let Some(declared) = declaration(target) else { return Vec::new() };
    let word = place.analysis.slice(declared);
    let Some(file) = place.analysis.name(declared.source) else { return Vec::new() };
    let documents = place.project.documents();
    let mut found = Vec::new();
    for folder in &place.project.folders {
        for name in workspace.scripts(folder, MAX_SEARCHED) {
            if place.project.check_of(&name).is_some() {
                continue;
            }
            let Ok(text) = workspace.read(None, &name) else { continue };
            if !text.text.contains(word) || !text.text.contains("use") {
                continue;
            }
            let analysis = Analysis::with(&name, false, documents, None, workspace);
            found.extend(analysis.filter(|a| a.source(file).is_some()).map(|a| (name, a)));
        }
    }
    found
}
