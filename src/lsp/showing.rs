//! Answers that are shown beside and between the words of a document: colours, folds, hints, lenses and
//! reports.

use crate::lsp::features::{State, read, written};
use crate::lsp::position::Lines;
use crate::lsp::publish::id_of;
use lsp_server::ResponseError;
use lsp_types::{
    CodeLens, CodeLensParams, Command, Diagnostic, DocumentDiagnosticParams, FoldingRange,
    FoldingRangeKind, FoldingRangeParams, InlayHint, InlayHintKind, InlayHintLabel,
    InlayHintParams, InlayHintTooltip, MarkupContent, MarkupKind, SemanticToken, SemanticTokens,
    SemanticTokensParams, SemanticTokensRangeParams, TextEdit, Uri, WorkspaceDiagnosticParams,
};
use serde_json::{Value, json};
use spintrue_language::{
    CursorPlace, Fold, FoldKind, HintOf, InlayKind, folds_of, hints_of, lenses_of, tokens_of,
};
use std::ops::Range;

pub(super) fn folds(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let place = state.document(&read::<FoldingRangeParams>(params)?.text_document.uri)?;
    let lines = state.documents.lines(place.text());
    let fold = |fold: Fold| FoldingRange {
        start_line: lines.position(fold.range.start).line,
        end_line: lines.position(fold.range.end).line,
        kind: match fold.kind {
            FoldKind::Block => None,
            FoldKind::Comment => Some(FoldingRangeKind::Comment),
            FoldKind::Uses => Some(FoldingRangeKind::Imports),
        },
        ..FoldingRange::default()
    };
    written(folds_of(place.text()).into_iter().map(fold).collect::<Vec<_>>())
}

pub(super) fn tokens(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let place = state.document(&read::<SemanticTokensParams>(params)?.text_document.uri)?;
    written(encoded(place, &state.documents.lines(place.text()), &(0..place.text().len())))
}

pub(super) fn tokens_of_range(
    state: &mut State<'_>,
    params: Value,
) -> Result<Value, ResponseError> {
    let params: SemanticTokensRangeParams = read(params)?;
    let place = state.document(&params.text_document.uri)?;
    let lines = state.documents.lines(place.text());
    written(encoded(place, &lines, &lines.bytes(params.range)))
}

/// Tokens as the protocol counts them: each from the one before.
fn encoded(place: CursorPlace<'_>, lines: &Lines<'_>, within: &Range<usize>) -> SemanticTokens {
    let (mut line, mut start) = (0, 0);
    let data = tokens_of(place, within).into_iter().filter_map(|token| {
        let range = lines.range(token.range);
        let is_one_line = range.start.line == range.end.line;
        let delta_line = range.start.line.checked_sub(line).filter(|_| is_one_line)?;
        let from = if delta_line == 0 { start } else { 0 };
        (line, start) = (range.start.line, range.start.character);
        Some(SemanticToken {
            delta_line,
            delta_start: start.saturating_sub(from),
            length: range.end.character - start,
            token_type: token.kind as u32,
            token_modifiers_bitset: token.modifiers,
        })
    });
    SemanticTokens { result_id: None, data: data.collect() }
}

pub(super) fn hints(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let params: InlayHintParams = read(params)?;
    let place = state.document(&params.text_document.uri)?;
    let lines = state.documents.lines(place.text());
    let hint = |hint: HintOf| {
        let position = lines.position(hint.at);
        let edit = |new_text| TextEdit { range: lines.range(hint.at..hint.at), new_text };
        let content = MarkupContent { kind: MarkupKind::Markdown, value: hint.documentation };
        InlayHint {
            position,
            label: InlayHintLabel::String(hint.label),
            kind: (hint.kind == InlayKind::Kind).then_some(InlayHintKind::TYPE),
            text_edits: hint.insert.map(|insert| vec![edit(insert)]),
            tooltip: Some(InlayHintTooltip::MarkupContent(content)),
            padding_left: Some(hint.kind == InlayKind::Time),
            padding_right: None,
            data: None,
        }
    };
    let found = hints_of(place, &lines.bytes(params.range));
    written(found.into_iter().map(hint).collect::<Vec<_>>())
}

pub(super) fn lenses(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let place = state.document(&read::<CodeLensParams>(params)?.text_document.uri)?;
    let lines = state.documents.lines(place.text());
    // A command without a name is shown and does nothing.
    let lenses = lenses_of(place).into_iter().map(|lens| CodeLens {
        range: lines.range(lens.span.range()),
        command: Some(Command { title: lens.title, ..Command::default() }),
        data: None,
    });
    written(lenses.collect::<Vec<_>>())
}

/// The reports on a document, unless the editor has them.
pub(super) fn diagnostics(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let params: DocumentDiagnosticParams = read(params)?;
    let name = state.name(&params.text_document.uri)?;
    let version = state.documents.open.get(&name).map(|document| document.version);
    // What takes a while comes later where the editor can be told so.
    if !state.editor.refreshed.contains(&"diagnostic") {
        state.project.complete(&mut || true);
    }
    let mut all = state.told.reports(state.project, state.documents, state.editor.related);
    let items = all.remove(&name).unwrap_or_default();
    state.told.tell(name, version, items.clone());
    Ok(report(items, params.previous_result_id.as_deref()))
}

/// Reports, unless the editor has them by this id.
fn report(items: Vec<Diagnostic>, known: Option<&str>) -> Value {
    let id = id_of(&items);
    if known == Some(id.as_str()) {
        return json!({"kind": "unchanged", "resultId": id});
    }
    json!({"kind": "full", "resultId": id, "items": items})
}

/// Reports with the file that they are about.
fn of_file(mut report: Value, uri: &Uri, version: Option<i32>) -> Value {
    if let Some(fields) = report.as_object_mut() {
        fields.insert("uri".to_string(), json!(uri));
        fields.insert("version".to_string(), json!(version));
    }
    report
}

/// The reports on every script of the workspace, unless the editor has them.
pub(super) fn all_diagnostics(
    state: &mut State<'_>,
    params: Value,
) -> Result<Value, ResponseError> {
    let params: WorkspaceDiagnosticParams = read(params)?;
    let (project, documents, related) = (state.project, state.documents, state.editor.related);
    let mut all = state.closed.reports(project, documents, related, state.workspace);
    all.extend(state.told.reports(project, documents, related));
    let mut known = params.previous_result_ids;
    let mut items = Vec::new();
    for (name, reports) in all {
        let Some(uri) = documents.address(&name) else { continue };
        let version = documents.open.get(&name).map(|document| document.version);
        if version.is_some() {
            state.told.tell(name, version, reports.clone());
        }
        let had = known.iter().position(|had| had.uri == uri).map(|at| known.swap_remove(at));
        let known = had.as_ref().map(|had| had.value.as_str());
        items.push(of_file(report(reports, known), &uri, version));
    }
    // What is gone has no reports any more.
    let empty = id_of(&[]);
    for gone in known.into_iter().filter(|gone| gone.value != empty) {
        items.push(of_file(report(Vec::new(), None), &gone.uri, None));
    }
    Ok(json!({"items": items}))
}
