//! Renaming. Nothing is changed until a check of the changed texts has shown that every name in
//! every file still means what it meant.

use crate::check::index::Target;
use crate::diagnostics::{Diagnostic, codes};
use crate::ide::analysis::{Analysis, Texts};
use crate::ide::navigate::{Uses, across, add_uses, same, users};
use crate::ide::place::{Place, moved};
use crate::ide::workspace::Workspace;
use crate::source::{SourceId, Span};
use crate::syntax::names::Names;
use crate::syntax::tree::ExpressionKind;
use crate::syntax::{KEYWORDS, parse_expression};
use thiserror::Error;

/// Why a name cannot be changed.
#[derive(Debug, Error)]
#[error("{0}")]
pub struct RenameError(String);

fn no_name() -> RenameError {
    RenameError("there is no name here that can be renamed".to_string())
}

/// The span of the name at a place, if it may be renamed.
pub fn prepare_rename(place: Place<'_>) -> Result<Span, RenameError> {
    let found = place.occurrence().ok_or_else(no_name)?;
    let name = place.analysis.slice(found.span).to_string();
    let what = match &found.target {
        Target::Value(_) | Target::Routine(_) | Target::Open(_) => return Ok(found.span),
        Target::Field(_) => {
            let why = "is a field, and its name is part of the type of its record";
            return Err(RenameError(format!("`{name}` {why}")));
        }
        Target::Builtin(_) => "a built-in",
        Target::BuiltinParameter(..) => "a parameter of a built-in",
        Target::Kind(_) => "a type of the language",
        Target::Unit(_) => "a unit",
    };
    Err(RenameError(format!("`{name}` is {what} and keeps its name")))
}

fn check_name(name: &str) -> Result<(), RenameError> {
    if KEYWORDS.contains(&name) {
        return Err(RenameError(format!("`{name}` is a keyword and cannot be a name")));
    }
    let mut names = Names::default();
    match parse_expression(SourceId(0), name, &mut names) {
        Ok(e) if matches!(e.kind, ExpressionKind::Name(s) if names.text(s) == name) => Ok(()),
        _ => Err(RenameError(format!(
            "`{name}` cannot be a name: names are made of letters, digits and underscores, and do \
             not begin with a digit"
        ))),
    }
}

/// The places in all files that must hold `new` to rename the name at a place.
pub fn rename(
    place: Place<'_>,
    new: &str,
    workspace: &mut dyn Workspace,
) -> Result<Uses, RenameError> {
    let old = prepare_rename(place)?;
    let target = &place.occurrence().ok_or_else(no_name)?.target;
    if new == place.analysis.slice(old) {
        return Ok(Uses::new());
    }
    check_name(new)?;
    let others = users(place, target, workspace);
    let mut touched: Vec<(&str, &Analysis)> = Vec::new();
    let mut uses = Uses::new();
    for (root, analysis) in
        place.project.checks().chain(others.iter().map(|(n, a)| (n.as_str(), a)))
    {
        let Some(target) = across(target, place.analysis, analysis) else { continue };
        touched.push((root, analysis));
        add_uses(&mut uses, analysis, |_, other| *other == target);
    }
    let changed = changed_texts(&uses, new);
    let documents = place.project.documents();
    for (root, analysis) in &touched {
        let after = Analysis::with(root, analysis.is_library, documents, Some(&changed), workspace);
        let after =
            after.ok_or_else(|| RenameError(format!("{root} could not be checked again")))?;
        check_same_meaning(analysis, &after, &uses, new)?;
    }
    Ok(uses)
}

fn changed_texts(uses: &Uses, new: &str) -> Texts {
    let changed = uses.iter().map(|(name, file)| {
        let mut text = file.text.clone();
        for (start, end) in file.spans.iter().rev() {
            if text.get(*start..*end).is_some() {
                text.replace_range(*start..*end, new);
            }
        }
        (name.clone(), text)
    });
    changed.collect()
}

/// Where a span lies once the changes are made.
fn shifted(uses: &Uses, analysis: &Analysis, span: Span, new: &str) -> Span {
    let file = analysis.name(span.source).and_then(|name| uses.get(name));
    let Some(file) = file else { return span };
    let shift = |at: u32| {
        let before = file.spans.iter().take_while(|(_, end)| *end <= at as usize);
        let grown: i64 = before.map(|(start, end)| new.len() as i64 - (end - start) as i64).sum();
        u32::try_from(i64::from(at) + grown).unwrap_or(0)
    };
    Span { source: span.source, start: shift(span.start), end: shift(span.end) }
}

/// Compares two checks, before and after.
fn check_same_meaning(
    before: &Analysis,
    after: &Analysis,
    uses: &Uses,
    new: &str,
) -> Result<(), RenameError> {
    let reports = |analysis: &Analysis, is: &dyn Fn(&Diagnostic) -> bool| {
        analysis.examined.prepared.diagnostics.iter().filter(|d| is(d)).count()
    };
    let report_about_new = |is: &dyn Fn(&Diagnostic) -> bool| {
        let mut all = after.examined.prepared.diagnostics.iter();
        all.find(|d| is(d) && d.headline.contains(new))
    };
    let place = |span: Span| after.examined.prepared.sources.place(span);
    let refused = |why: String| Err(RenameError(format!("`{new}` {why}")));
    for (code, how) in
        [(codes::DUPLICATE_NAME, "is taken"), (codes::SHADOWED_NAME, "would hide another name")]
    {
        let is = |d: &Diagnostic| d.code == code;
        if reports(after, &is) > reports(before, &is)
            && let Some(report) = report_about_new(&is)
        {
            let other = report.labels.get(1).or(report.labels.first()).map(|label| label.span);
            let other = other.map(place).unwrap_or_default();
            return refused(format!("{how}: {} ({other})", report.headline));
        }
    }
    let now = &after.examined.index.occurrences;
    for occurrence in &before.examined.index.occurrences {
        let span = shifted(uses, before, occurrence.span, new);
        let wanted = moved(&occurrence.target, |span| Some(shifted(uses, before, span, new)));
        let at = now.partition_point(|o| (o.span.source, o.span.start) < (span.source, span.start));
        let mut there = now.iter().skip(at).take_while(|o| o.span == span);
        if !there.any(|o| wanted.as_ref().is_some_and(|wanted| same(&o.target, wanted))) {
            return refused(format!("already means something else at {}", place(span)));
        }
    }
    let is = Diagnostic::is_error;
    if now.len() != before.examined.index.occurrences.len()
        || reports(after, &is) > reports(before, &is)
    {
        return refused(match report_about_new(&is) {
            Some(d) => format!("cannot be the new name: {} ({})", d.headline, place(d.span())),
            None => "cannot be the new name: it would change what other names mean".to_string(),
        });
    }
    Ok(())
}
