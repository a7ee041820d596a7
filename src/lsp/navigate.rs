//! Definition, references and highlights.

use crate::check::index::Target;
use crate::lsp::Workspace;
use crate::lsp::analysis::{Analyses, Analysis};
use crate::lsp::documents::Documents;
use crate::lsp::place::{Place, declaration};
use crate::lsp::uri;
use crate::source::Span;
use lsp_types::{DocumentHighlight, Location, Position, Range};

/// Files of the workspace that are looked through for users of a name.
const SEARCHED_MOST: usize = 2000;

/// The location of a span.
pub fn location(analysis: &Analysis, documents: &Documents, span: Span) -> Option<Location> {
    let name = analysis.name(span.source)?;
    let uri = match documents.get(name) {
        Some(document) => document.uri.clone(),
        None => uri::of(name)?,
    };
    Some(Location { uri, range: analysis.range(span) })
}

/// Where the name at a place is declared, or the file that it uses.
pub fn definition(
    place: Place<'_>,
    documents: &Documents,
    workspace: &dyn Workspace,
) -> Option<Location> {
    if let Some((path, _)) = place.used() {
        let name = workspace.resolve(place.analysis.name(place.source)?, path);
        let source = place.analysis.source(&name)?;
        return location(place.analysis, documents, Span::new(source, 0, 0));
    }
    let declared = declaration(&place.occurrence()?.target)?;
    location(place.analysis, documents, declared)
}

/// Every place in the file that means the same.
pub fn highlights(place: Place<'_>) -> Option<Vec<DocumentHighlight>> {
    let target = &place.occurrence()?.target;
    let all = place.analysis.examined.index.occurrences.iter();
    let here = all.filter(|o| o.span.source == place.source && same(&o.target, target));
    Some(
        here.map(|o| DocumentHighlight { range: place.analysis.range(o.span), kind: None })
            .collect(),
    )
}

/// Every place that means the same, in all checked files and in the scripts of the workspace.
pub fn references(
    place: Place<'_>,
    with_declaration: bool,
    analyses: &Analyses,
    documents: &Documents,
    folders: &[String],
    workspace: &mut dyn Workspace,
) -> Option<Vec<Location>> {
    let target = &place.occurrence()?.target;
    let others = users(place, target, analyses, documents, folders, workspace);
    let mut found: Vec<Location> = Vec::new();
    for analysis in analyses.iter().map(|(_, a)| a).chain(others.iter().map(|(_, a)| a)) {
        let Some(target) = moved(target, place.analysis, analysis) else { continue };
        for occurrence in &analysis.examined.index.occurrences {
            if !same(&occurrence.target, &target)
                || (!with_declaration && declaration(&target) == Some(occurrence.span))
            {
                continue;
            }
            found.extend(location(analysis, documents, occurrence.span));
        }
    }
    let key = |l: &Location| {
        let Range { start: Position { line, character }, .. } = l.range;
        (l.uri.as_str().to_string(), line, character)
    };
    found.sort_by_key(key);
    found.dedup();
    Some(found)
}

/// Whether two targets are the same thing to somebody who looks for its users.
pub fn same(a: &Target, b: &Target) -> bool {
    match (a, b) {
        (Target::Field(a), Target::Field(b)) => a.name == b.name && a.of == b.of,
        _ => a == b,
    }
}

/// A target of one check as another check of the same file knows it.
pub fn moved(target: &Target, from: &Analysis, to: &Analysis) -> Option<Target> {
    let across = |span: Span| Some(Span { source: to.source(from.name(span.source)?)?, ..span });
    Some(match target {
        Target::Value(span) => Target::Value(across(*span)?),
        Target::Routine(span) => Target::Routine(across(*span)?),
        Target::Open(span) => Target::Open(across(*span)?),
        other => other.clone(),
    })
}

/// Checks of scripts in the workspace that are not open and that may use what a file declares.
pub fn users(
    place: Place<'_>,
    target: &Target,
    analyses: &Analyses,
    documents: &Documents,
    folders: &[String],
    workspace: &mut dyn Workspace,
) -> Vec<(String, Analysis)> {
    let Some(declared) = declaration(target) else { return Vec::new() };
    let word = place.analysis.slice(declared);
    let Some(file) = place.analysis.name(declared.source) else { return Vec::new() };
    let mut found = Vec::new();
    for folder in folders {
        for name in workspace.scripts(folder, SEARCHED_MOST) {
            if analyses.covering(&name).is_some() {
                continue;
            }
            let Ok(text) = workspace.read(None, &name) else { continue };
            if !text.text.contains(word) || !text.text.contains("use") {
                continue;
            }
            let analysis = Analysis::with(&name, false, documents, None, workspace);
            found.extend(
                analysis.filter(|a| a.source(file).is_some()).map(|analysis| (name, analysis)),
            );
        }
    }
    found
}
