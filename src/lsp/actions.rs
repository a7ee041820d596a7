//! Ways out of reports as code actions.

use crate::lsp::documents::Documents;
use crate::lsp::publish::Reports;
use lsp_types::{CodeAction, CodeActionContext, CodeActionKind, Range, TextEdit, WorkspaceEdit};
use spintrue_language::{Analysis, CursorPlace, Diagnostic, Edit, Span, Workspace};
use std::collections::HashMap;

/// The actions on a range of a document: each way out of the reports there that is an edit, and all safe
/// ones of the document at once.
pub(super) fn actions(
    place: CursorPlace<'_>,
    range: Range,
    context: &CodeActionContext,
    documents: &Documents,
    related: bool,
    workspace: &mut dyn Workspace,
) -> Vec<CodeAction> {
    let wants = |kind: &CodeActionKind| {
        let under = |only: &CodeActionKind| {
            let rest = kind.as_str().strip_prefix(only.as_str());
            rest.is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
        };
        context.only.as_ref().is_none_or(|only| only.iter().any(under))
    };
    let mut reports = Reports::of(place.analysis, documents, related);
    let mut actions = Vec::new();
    let here = place.project.reports(place.analysis).filter(|d| d.span().source == place.source);
    for diagnostic in here.filter(|_| wants(&CodeActionKind::QUICKFIX)) {
        let report = reports.report(diagnostic);
        if report.range.start > range.end || report.range.end < range.start {
            continue;
        }
        for help in diagnostic.fixes() {
            actions.push(CodeAction {
                title: help.text.clone(),
                kind: Some(CodeActionKind::QUICKFIX),
                diagnostics: Some(vec![report.clone()]),
                edit: workspace_edit(&mut reports, place, documents, &help.edits),
                is_preferred: help.is_safe.then_some(true),
                ..CodeAction::default()
            });
        }
    }
    let reported = &place.analysis.examined.prepared.diagnostics;
    let is_safe = |d: &Diagnostic| d.fixes().any(|help| help.is_safe);
    let any = reported.iter().any(|d| d.span().source == place.source && is_safe(d));
    if wants(&CodeActionKind::SOURCE_FIX_ALL)
        && any
        && let Some(edit) = all_safe(place, workspace)
    {
        actions.push(CodeAction {
            title: "make all safe edits".to_string(),
            kind: Some(CodeActionKind::SOURCE_FIX_ALL),
            edit: workspace_edit(&mut reports, place, documents, &[edit]),
            ..CodeAction::default()
        });
    }
    actions
}

/// What `check --fix` makes of the document, as one edit of the lines that it changes.
fn all_safe(place: CursorPlace<'_>, workspace: &mut dyn Workspace) -> Option<Edit> {
    let (old, documents) = (place.text(), place.project.documents());
    let new = Analysis::mended(place.file_name()?, documents, workspace)?;
    let same = |(one, other): &(&str, &str)| one == other;
    let lines = old.split_inclusive('\n').zip(new.split_inclusive('\n'));
    let before: usize = lines.take_while(same).map(|(line, _)| line.len()).sum();
    let (rest, new_rest) = (old.get(before..)?, new.get(before..)?);
    let lines = rest.split_inclusive('\n').rev().zip(new_rest.split_inclusive('\n').rev());
    let behind: usize = lines.take_while(same).map(|(line, _)| line.len()).sum();
    let span = Span::new(place.source, before, old.len() - behind);
    Some(Edit { span, text: new_rest.get(..new_rest.len() - behind)?.to_string() })
}

#[allow(clippy::mutable_key_type, reason = "the protocol's own type; the key is only a text")]
fn workspace_edit(
    reports: &mut Reports<'_>,
    place: CursorPlace<'_>,
    documents: &Documents,
    edits: &[Edit],
) -> Option<WorkspaceEdit> {
    let uri = documents.address(place.analysis.name(place.source)?)?;
    let edits = edits
        .iter()
        .map(|edit| TextEdit { range: reports.range(edit.span), new_text: edit.text.clone() });
    let changes = HashMap::from([(uri, edits.collect())]);
    Some(WorkspaceEdit { changes: Some(changes), ..WorkspaceEdit::default() })
}
