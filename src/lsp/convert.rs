//! Results of `ide` in the types of the protocol.

use crate::lsp::documents::Documents;
use crate::lsp::position::Lines;
use lsp_types::{
    CompletionItem, CompletionItemKind, CompletionTextEdit, DocumentSymbol, Documentation, Hover,
    HoverContents, InsertTextFormat, Location, MarkupContent, MarkupKind, ParameterInformation,
    ParameterLabel, Range, SignatureHelp, SignatureInformation, SymbolKind, TextEdit, Uri,
    WorkspaceEdit,
};
use spintrue_language::{
    ActiveCall, Analysis, Completion, CursorPlace, FileUses, ItemKind, NameUses, OutlineKind,
    OutlineSymbol, Span, Workspace, builtin_documentation, complete_at,
};
use std::collections::HashMap;

/// The range of a span, in the text of its file.
pub(super) fn range(analysis: &Analysis, documents: &Documents, span: Span) -> Range {
    documents.lines(analysis.text(span.source)).range(span.range())
}

/// The location of a span.
pub(super) fn location(analysis: &Analysis, documents: &Documents, span: Span) -> Option<Location> {
    let uri = documents.address(analysis.name(span.source)?)?;
    Some(Location { uri, range: range(analysis, documents, span) })
}

fn ranges<'f>(file: &'f FileUses, documents: &Documents) -> impl Iterator<Item = Range> + use<'f> {
    let lines = documents.lines(&file.text);
    file.spans.iter().map(move |(start, end)| lines.range(*start..*end))
}

/// The locations of all uses.
pub(super) fn locations(uses: &NameUses, documents: &Documents) -> Vec<Location> {
    let mut found = Vec::new();
    for (name, file) in uses {
        let Some(uri) = documents.address(name) else { continue };
        found.extend(ranges(file, documents).map(|range| Location { uri: uri.clone(), range }));
    }
    found
}

/// The edit that puts a new name at all uses.
#[allow(clippy::mutable_key_type, reason = "the protocol's own type; the key is only a text")]
pub(super) fn edit(uses: &NameUses, documents: &Documents, new: &str) -> WorkspaceEdit {
    let mut changes: HashMap<Uri, Vec<TextEdit>> = HashMap::new();
    for (name, file) in uses {
        let Some(uri) = documents.address(name) else { continue };
        let edits =
            ranges(file, documents).map(|range| TextEdit { range, new_text: new.to_string() });
        changes.insert(uri, edits.collect());
    }
    WorkspaceEdit { changes: (!changes.is_empty()).then_some(changes), ..WorkspaceEdit::default() }
}

/// A hover.
pub(super) fn hover(
    analysis: &Analysis,
    documents: &Documents,
    (span, value): (Span, String),
) -> Hover {
    let contents = MarkupContent { kind: MarkupKind::Markdown, value };
    let range = Some(range(analysis, documents, span));
    Hover { contents: HoverContents::Markup(contents), range }
}

fn markdown(text: &str) -> Option<Documentation> {
    let content = MarkupContent { kind: MarkupKind::Markdown, value: text.to_string() };
    (!text.is_empty()).then_some(Documentation::MarkupContent(content))
}

/// What can be typed at a place; `snippets` puts the cursor between brackets.
pub(super) fn completion(
    place: CursorPlace<'_>,
    (documents, snippets): (&Documents, bool),
    workspace: &mut dyn Workspace,
) -> Vec<CompletionItem> {
    let (replaced, items) = complete_at(place, workspace);
    let range = documents.lines(place.text()).range(replaced);
    items.into_iter().map(|item| completion_item(item, range, snippets)).collect()
}

fn completion_item(item: Completion, range: Range, snippets: bool) -> CompletionItem {
    let is_callable = matches!(item.kind, ItemKind::Routine | ItemKind::Builtin);
    let is_snippet = snippets && is_callable && item.insert.is_none();
    let kind = item_kind(&item);
    let new_text = match item.insert {
        Some(insert) => insert,
        None if is_snippet => format!("{}($0)", item.label),
        None => item.label.clone(),
    };
    let argument = item.label.strip_suffix(':').filter(|_| item.kind == ItemKind::Argument);
    CompletionItem {
        kind: Some(kind),
        detail: Some(item.detail).filter(|detail| !detail.is_empty()),
        documentation: markdown(&item.documentation),
        filter_text: argument.map(str::to_string),
        // Arguments come before all else.
        sort_text: argument.map(|name| format!("!{name}")),
        insert_text_format: is_snippet.then_some(InsertTextFormat::SNIPPET),
        text_edit: Some(CompletionTextEdit::Edit(TextEdit { range, new_text })),
        data: (item.kind == ItemKind::Builtin).then(|| item.label.clone().into()),
        label: item.label,
        ..CompletionItem::default()
    }
}

fn item_kind(item: &Completion) -> CompletionItemKind {
    match item.kind {
        ItemKind::Argument | ItemKind::Field => CompletionItemKind::FIELD,
        ItemKind::Constant => CompletionItemKind::CONSTANT,
        ItemKind::Variable => CompletionItemKind::VARIABLE,
        ItemKind::Routine | ItemKind::Builtin => CompletionItemKind::FUNCTION,
        ItemKind::Keyword => CompletionItemKind::KEYWORD,
        ItemKind::Unit => CompletionItemKind::UNIT,
        ItemKind::OpenDimension => CompletionItemKind::TYPE_PARAMETER,
        ItemKind::Quantity => CompletionItemKind::CLASS,
        ItemKind::Record => CompletionItemKind::STRUCT,
        ItemKind::Choice => CompletionItemKind::ENUM_MEMBER,
        ItemKind::Path if item.label.ends_with('/') => CompletionItemKind::FOLDER,
        ItemKind::Path => CompletionItemKind::FILE,
    }
}

/// Adds the documentation of a built-in to the item that is looked at.
pub(super) fn resolved(mut item: CompletionItem) -> CompletionItem {
    let name = item.data.as_ref().and_then(|data| data.as_str());
    if let Some(text) = name.and_then(builtin_documentation) {
        item.documentation = markdown(&text);
    }
    item
}

/// Signature help.
pub(super) fn signature(call: &ActiveCall) -> SignatureHelp {
    let active_parameter = call.parameter.and_then(|active| u32::try_from(active).ok());
    let parameters = call.callable.parameters.iter().map(|parameter| ParameterInformation {
        label: ParameterLabel::Simple(parameter.label.clone()),
        documentation: markdown(&parameter.meaning),
    });
    let signature = SignatureInformation {
        label: call.callable.signature(),
        documentation: markdown(&call.callable.meaning),
        parameters: Some(parameters.collect()),
        active_parameter,
    };
    SignatureHelp { signatures: vec![signature], active_signature: Some(0), active_parameter }
}

/// The symbols of a document.
#[allow(deprecated, reason = "the protocol's type has a field that is out of use")]
pub(super) fn document_symbols(
    lines: &Lines<'_>,
    symbols: Vec<OutlineSymbol>,
) -> Vec<DocumentSymbol> {
    let symbol = |symbol: OutlineSymbol| DocumentSymbol {
        name: symbol.name,
        detail: Some(symbol.detail).filter(|detail| !detail.is_empty()),
        kind: symbol_kind(symbol.kind),
        tags: None,
        deprecated: None,
        range: lines.range(symbol.span.range()),
        selection_range: lines.range(symbol.selection.range()),
        children: (symbol.kind == OutlineKind::Routine)
            .then(|| document_symbols(lines, symbol.children)),
    };
    symbols.into_iter().map(symbol).collect()
}

/// A kind of symbol.
pub(super) fn symbol_kind(kind: OutlineKind) -> SymbolKind {
    match kind {
        OutlineKind::Routine => SymbolKind::FUNCTION,
        OutlineKind::Constant => SymbolKind::CONSTANT,
        OutlineKind::Variable => SymbolKind::VARIABLE,
        OutlineKind::File => SymbolKind::MODULE,
    }
}
