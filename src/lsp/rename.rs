//! Renaming. Nothing is changed until a check of the changed texts has shown that every name in
//! every file still means what it meant.

use crate::check::index::Target;
use crate::diagnostics::Severity;
use crate::diagnostics::codes;
use crate::lsp::Workspace;
use crate::lsp::analysis::{Analyses, Analysis};
use crate::lsp::documents::Documents;
use crate::lsp::navigate::{self, location, moved, users};
use crate::lsp::place::Place;
use crate::source::{SourceId, Span};
use crate::syntax::names::Names;
use crate::syntax::tree::ExpressionKind;
use crate::syntax::{KEYWORDS, parse_expression};
use lsp_types::{Range, TextEdit, Uri, WorkspaceEdit};
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// The name at a place that may be renamed, or why it may not.
pub fn prepare(place: Place<'_>) -> Result<(Range, String), String> {
    let Some(found) = place.occurrence() else {
        return Err("there is no name here that can be renamed".to_string());
    };
    let text = place.analysis.slice(found.span);
    match &found.target {
        Target::Value(_) | Target::Routine(_) | Target::Open(_) => {
            Ok((place.analysis.range(found.span), text.to_string()))
        }
        Target::Builtin(_) => Err(format!("`{text}` is a built-in and keeps its name")),
        Target::BuiltinParameter(..) => {
            Err(format!("`{text}` is a parameter of a built-in and keeps its name"))
        }
        Target::Field(_) => {
            Err(format!("`{text}` is a field, and its name is part of the type of its record"))
        }
        Target::Kind(_) => Err(format!("`{text}` is a type of the language and keeps its name")),
        Target::Unit(_) => Err(format!("`{text}` is a unit and keeps its name")),
    }
}

/// Whether a text can be a name; says why not.
fn good_name(name: &str) -> Result<(), String> {
    if KEYWORDS.contains(&name) {
        return Err(format!("`{name}` is a keyword and cannot be a name"));
    }
    let mut names = Names::default();
    match parse_expression(SourceId(0), name, &mut names) {
        Ok(e) if matches!(e.kind, ExpressionKind::Name(s) if names.text(s) == name) => Ok(()),
        _ => Err(format!(
            "`{name}` cannot be a name: names are made of letters, digits and underscores, and do \
             not begin with a digit"
        )),
    }
}

/// The changes that give the name at a place another text, in all files; or why it cannot be.
pub fn rename(
    place: Place<'_>,
    new: &str,
    analyses: &Analyses,
    documents: &Documents,
    folders: &[String],
    workspace: &mut dyn Workspace,
) -> Result<WorkspaceEdit, String> {
    let (_, old) = prepare(place)?;
    let Some(found) = place.occurrence() else { return Err("there is no name here".to_string()) };
    let target = &found.target;
    if new == old {
        return Ok(WorkspaceEdit::default());
    }
    good_name(new)?;
    let others = users(place, target, analyses, documents, folders, workspace);
    let mut touched: Vec<(&str, &Analysis)> = Vec::new();
    let mut places: BTreeMap<String, BTreeSet<(u32, u32)>> = BTreeMap::new();
    let all = analyses.iter().chain(others.iter().map(|(name, a)| (name.as_str(), a)));
    for (root, analysis) in all {
        let Some(target) = moved(target, place.analysis, analysis) else { continue };
        touched.push((root, analysis));
        for occurrence in &analysis.examined.index.occurrences {
            if occurrence.target == target
                && let Some(name) = analysis.name(occurrence.span.source)
            {
                let span = (occurrence.span.start, occurrence.span.end);
                places.entry(name.to_string()).or_default().insert(span);
            }
        }
    }
    let shift = Shift { places: &places, new: new.len() };
    let changed = changed_texts(&touched, &places, new);
    for (root, analysis) in &touched {
        let with = Analysis::with(root, analysis.alone, documents, Some(&changed), workspace);
        let Some(with) = with else { return Err(format!("{root} could not be checked again")) };
        means_the_same(analysis, &with, &shift, new)?;
    }
    Ok(edit(&touched, &places, documents, new))
}

fn changed_texts(
    touched: &[(&str, &Analysis)],
    places: &BTreeMap<String, BTreeSet<(u32, u32)>>,
    new: &str,
) -> BTreeMap<String, String> {
    let mut changed = BTreeMap::new();
    for (name, spans) in places {
        let text = touched.iter().find_map(|(_, a)| a.source(name).map(|source| a.text(source)));
        let mut text = text.unwrap_or_default().to_string();
        for (start, end) in spans.iter().rev() {
            let range = *start as usize..*end as usize;
            if text.get(range.clone()).is_some() {
                text.replace_range(range, new);
            }
        }
        changed.insert(name.clone(), text);
    }
    changed
}

#[allow(clippy::mutable_key_type, reason = "the protocol's own type; the key is only a text")]
fn edit(
    touched: &[(&str, &Analysis)],
    places: &BTreeMap<String, BTreeSet<(u32, u32)>>,
    documents: &Documents,
    new: &str,
) -> WorkspaceEdit {
    let mut changes: HashMap<Uri, Vec<TextEdit>> = HashMap::new();
    for (name, spans) in places {
        let known = touched.iter().find_map(|(_, a)| a.source(name).map(|source| (*a, source)));
        let Some((analysis, source)) = known else { continue };
        for (start, end) in spans {
            let span = Span { source, start: *start, end: *end };
            let Some(location) = location(analysis, documents, span) else { continue };
            let edit = TextEdit { range: location.range, new_text: new.to_string() };
            changes.entry(location.uri).or_default().push(edit);
        }
    }
    WorkspaceEdit { changes: Some(changes), ..WorkspaceEdit::default() }
}

/// Where bytes lie once the changes are made.
struct Shift<'a> {
    places: &'a BTreeMap<String, BTreeSet<(u32, u32)>>,
    new: usize,
}

impl Shift<'_> {
    fn span(&self, analysis: &Analysis, span: Span) -> Span {
        let places = analysis.name(span.source).and_then(|name| self.places.get(name));
        let Some(places) = places else { return span };
        let moved = |at: u32| {
            let before = places.iter().take_while(|(_, end)| *end <= at);
            let grown: i64 =
                before.map(|(start, end)| self.new as i64 - i64::from(end - start)).sum();
            u32::try_from(i64::from(at) + grown).unwrap_or(0)
        };
        Span { source: span.source, start: moved(span.start), end: moved(span.end) }
    }

    fn target(&self, analysis: &Analysis, target: &Target) -> Target {
        match target {
            Target::Value(span) => Target::Value(self.span(analysis, *span)),
            Target::Routine(span) => Target::Routine(self.span(analysis, *span)),
            Target::Open(span) => Target::Open(self.span(analysis, *span)),
            other => other.clone(),
        }
    }
}

/// Compares two checks, before and after.
fn means_the_same(
    before: &Analysis,
    after: &Analysis,
    shift: &Shift<'_>,
    new: &str,
) -> Result<(), String> {
    let spans = |analysis: &Analysis, code: &str| {
        let all = analysis.examined.prepared.diagnostics.iter();
        all.filter(|d| d.code == code).count()
    };
    let place = |span: Span| after.examined.prepared.sources.place(span);
    for (code, what) in
        [(codes::DUPLICATE_NAME, "is taken"), (codes::SHADOWED_NAME, "would hide another name")]
    {
        if spans(after, code) > spans(before, code) {
            let all = after.examined.prepared.diagnostics.iter();
            let report = all.filter(|d| d.code == code).find(|d| d.headline.contains(new));
            let Some(report) = report else { continue };
            let other = report.labels.get(1).or(report.labels.first()).map(|label| label.span);
            let other = other.map(place).unwrap_or_default();
            return Err(format!("`{new}` {what}: {} ({other})", report.headline));
        }
    }
    let now = &after.examined.index.occurrences;
    for occurrence in &before.examined.index.occurrences {
        let span = shift.span(before, occurrence.span);
        let wanted = shift.target(before, &occurrence.target);
        let at = now.partition_point(|o| (o.span.source, o.span.start) < (span.source, span.start));
        let same = now.get(at..).unwrap_or(&[]);
        let mut same = same.iter().take_while(|o| o.span == span);
        if !same.any(|o| navigate::same(&o.target, &wanted)) {
            return Err(format!("`{new}` already means something else at {}", place(span)));
        }
    }
    let errors = |analysis: &Analysis| analysis.examined.prepared.errors();
    if now.len() != before.examined.index.occurrences.len() || errors(after) > errors(before) {
        let all = after.examined.prepared.diagnostics.iter();
        let error =
            all.filter(|d| d.severity == Severity::Error).find(|d| d.headline.contains(new));
        let why = error.map_or("it would change what other names mean".to_string(), |d| {
            format!("{} ({})", d.headline, place(d.span()))
        });
        return Err(format!("cannot rename to `{new}`: {why}"));
    }
    Ok(())
}
