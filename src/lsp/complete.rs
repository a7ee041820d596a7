//! Completion: what can be typed at a place.

use crate::builtins::{self, Effect};
use crate::check::deciding::WORDS;
use crate::check::index::Target;
use crate::diagnostics::codes;
use crate::lsp::Workspace;
use crate::lsp::analysis::Analysis;
use crate::lsp::cursor::{Cursor, Wanted, at};
use crate::lsp::describe::{self, Callable};
use crate::lsp::documents::Documents;
use crate::lsp::hover;
use crate::lsp::place::Place;
use crate::lsp::scope::{Visible, visible};
use crate::lsp::signature::callable;
use crate::program::types::Type;
use crate::source::{SourceId, Span};
use crate::syntax::{KEYWORDS, Keyword};
use crate::units::{KINDS, TABLE};
use lsp_types::{
    CompletionItem, CompletionItemKind, CompletionTextEdit, Documentation, InsertTextFormat,
    MarkupContent, MarkupKind, TextEdit,
};
use std::collections::BTreeMap;

/// Stands for the field that is not typed yet while the place is checked.
const STAND_IN: &str = "field";

/// What the completion works with.
pub struct Asked<'a> {
    /// Where.
    pub place: Place<'a>,
    /// The document that a new check of the place begins with, and whether it is a used file.
    pub root: (&'a str, bool),
    /// The open documents.
    pub documents: &'a Documents,
    /// The editor understands snippets.
    pub snippets: bool,
}

/// What can be typed at a place.
pub fn complete(asked: &Asked<'_>, workspace: &mut dyn Workspace) -> Vec<CompletionItem> {
    let place = asked.place;
    let text = place.analysis.text(place.source);
    let cursor = at(text, place.offset);
    let items = match cursor.wanted {
        Wanted::Nothing => Vec::new(),
        Wanted::Path(start) => return paths(place, start, workspace),
        Wanted::Field => fields(asked, &cursor, workspace),
        Wanted::Unit => units(),
        Wanted::Kind => kinds(&visible(place, workspace)),
        Wanted::Effect => effects(),
        Wanted::Choice => choices(),
        Wanted::Code => allowed_codes(),
        Wanted::Statement | Wanted::Expression => names(asked, &cursor, workspace),
    };
    let word = Span::new(place.source, cursor.word.start, cursor.word.end);
    let range = place.analysis.range(word);
    items
        .into_iter()
        .map(|mut item| {
            let new_text = item.insert_text.take().unwrap_or_else(|| item.label.clone());
            item.text_edit = Some(CompletionTextEdit::Edit(TextEdit { range, new_text }));
            item
        })
        .collect()
}

/// Adds the documentation of a built-in to an item that somebody looks at.
pub fn resolve(mut item: CompletionItem) -> CompletionItem {
    let name = item.data.as_ref().and_then(|data| data.as_str());
    let builtin = builtins::table().iter().find(|b| Some(b.name) == name);
    if let Some(builtin) = builtin {
        let effects = describe::effects(builtin.effects.iter().copied());
        item.documentation = Some(markdown(format!("{}\n\n{effects}", builtin.meaning)));
    }
    item
}

fn markdown(value: String) -> Documentation {
    Documentation::MarkupContent(MarkupContent { kind: MarkupKind::Markdown, value })
}

fn item(label: &str, kind: CompletionItemKind, detail: impl Into<String>) -> CompletionItem {
    let detail = Some(detail.into()).filter(|detail: &String| !detail.is_empty());
    CompletionItem {
        label: label.to_string(),
        kind: Some(kind),
        detail,
        ..CompletionItem::default()
    }
}

/// An item for something that is called.
fn called(callable: &Callable, snippets: bool) -> CompletionItem {
    let mut item = item(&callable.name, CompletionItemKind::FUNCTION, callable.signature());
    if callable.parameters.is_empty() {
        item.insert_text = Some(format!("{}()", callable.name));
    } else if snippets {
        item.insert_text = Some(format!("{}($0)", callable.name));
        item.insert_text_format = Some(InsertTextFormat::SNIPPET);
    }
    item
}

fn names(asked: &Asked<'_>, cursor: &Cursor, workspace: &dyn Workspace) -> Vec<CompletionItem> {
    let place = asked.place;
    let seen = visible(place, workspace);
    let mut items = arguments(place, cursor, &seen);
    for (name, span) in &seen.values {
        let info = place.analysis.examined.index.value(*span);
        let kind = match info.map(|info| info.noun) {
            Some("constant" | "param") => CompletionItemKind::CONSTANT,
            _ => CompletionItemKind::VARIABLE,
        };
        let detail = info.map_or(String::new(), |i| format!("{}: {}", i.noun, i.kind_name));
        let mut made = item(name, kind, detail);
        made.documentation = hover::target(place.analysis, &Target::Value(*span)).map(markdown);
        items.push(made);
    }
    for span in seen.routines.values() {
        let Some(callable) = Callable::routine(place.analysis, *span) else { continue };
        let mut made = called(&callable, asked.snippets);
        made.documentation = hover::target(place.analysis, &Target::Routine(*span)).map(markdown);
        items.push(made);
    }
    for builtin in builtins::table() {
        let mut made = called(&Callable::builtin(builtin), asked.snippets);
        made.data = Some(builtin.name.into());
        items.push(made);
    }
    let keywords = KEYWORDS.iter().filter_map(|word| Keyword::of(word));
    items.extend(
        keywords
            .map(|keyword| item(keyword.text(), CompletionItemKind::KEYWORD, keyword.meaning())),
    );
    items
}

/// Arguments of the call around that may still be given by name.
fn arguments(place: Place<'_>, cursor: &Cursor, seen: &Visible) -> Vec<CompletionItem> {
    let Some(call) = cursor.call.as_ref().filter(|call| call.now.is_none()) else {
        return Vec::new();
    };
    let text = place.analysis.text(place.source);
    let Some(callable) = callable(place.analysis, seen, text.get(call.name.clone())) else {
        return Vec::new();
    };
    let given: Vec<&str> = call.given.iter().filter_map(|range| text.get(range.clone())).collect();
    let positional = call.commas.saturating_sub(given.len());
    let open = callable.parameters.iter().skip(positional);
    open.filter(|parameter| !given.contains(&parameter.name.as_str()))
        .map(|parameter| {
            let label = format!("{}:", parameter.name);
            let mut made = item(&label, CompletionItemKind::FIELD, parameter.label.clone());
            made.insert_text = Some(format!("{}: ", parameter.name));
            made.filter_text = Some(parameter.name.clone());
            made.sort_text = Some(format!("!{}", parameter.name));
            made.documentation =
                (!parameter.meaning.is_empty()).then(|| markdown(parameter.meaning.clone()));
            made
        })
        .collect()
}

/// Fields of what stands before the point: the place is checked with a field put there.
fn fields(
    asked: &Asked<'_>,
    cursor: &Cursor,
    workspace: &mut dyn Workspace,
) -> Vec<CompletionItem> {
    let place = asked.place;
    let text = place.analysis.text(place.source);
    let start = cursor.word.start;
    let known = |analysis: &Analysis, source: SourceId| {
        let names = analysis.examined.index.occurrences.iter();
        let mut here = names.filter(|o| o.span.source == source && o.span.start as usize == start);
        here.find_map(|o| match &o.target {
            Target::Field(field) => Some(field.clone()),
            _ => None,
        })
    };
    let mut found = known(place.analysis, place.source);
    if found.is_none()
        && let (Some(name), Some(before), Some(after)) = (
            place.analysis.name(place.source),
            text.get(..cursor.word.start),
            text.get(place.offset..),
        )
    {
        let changed = format!("{before}{STAND_IN}{after}");
        let changed = BTreeMap::from([(name.to_string(), changed)]);
        let (root, alone) = asked.root;
        let with = Analysis::with(root, alone, asked.documents, Some(&changed), workspace);
        found = with.and_then(|analysis| {
            let source = analysis.source(name)?;
            known(&analysis, source)
        });
    }
    let Some(field) = found else { return Vec::new() };
    let Type::Record(record) = &field.of else { return Vec::new() };
    let open: Vec<&str> = field.open.iter().map(|o| &**o).collect();
    let spec = describe::record_of(&field.of);
    record
        .fields
        .iter()
        .map(|(name, kind)| {
            let mut made = item(name, CompletionItemKind::FIELD, kind.name(&open));
            let meaning = spec.and_then(|s| s.fields.iter().find(|(n, ..)| *n == &**name));
            made.documentation = meaning.map(|(_, _, meaning)| markdown((*meaning).to_string()));
            made
        })
        .collect()
}

fn units() -> Vec<CompletionItem> {
    let mut items = Vec::new();
    for unit in TABLE {
        let kind = if unit.zero == 0.0 { unit.dimension.name(&[]) } else { "temperature".into() };
        let detail = format!("{}: {kind}", unit.meaning);
        items.push(item(unit.name, CompletionItemKind::UNIT, detail.clone()));
        for prefix in unit.prefixes.chars() {
            let name = format!("{prefix}{}", unit.name);
            items.push(item(&name, CompletionItemKind::UNIT, format!("{prefix} of {detail}")));
        }
    }
    items
}

fn kinds(seen: &Visible) -> Vec<CompletionItem> {
    let open = seen
        .open
        .keys()
        .map(|name| item(name, CompletionItemKind::TYPE_PARAMETER, "open dimension"));
    let simple = ["text", "flag", "temperature", "list of"];
    let simple = simple.into_iter().map(|name| item(name, CompletionItemKind::KEYWORD, ""));
    let physical =
        KINDS.iter().map(|kind| item(kind.name, CompletionItemKind::CLASS, kind.dimension.si()));
    let records = builtins::records()
        .iter()
        .map(|record| item(record.name, CompletionItemKind::STRUCT, record.meaning));
    open.chain(simple).chain(physical).chain(records).collect()
}

fn effects() -> Vec<CompletionItem> {
    let all = [
        (Effect::Reads, "reads the state of the head"),
        (Effect::Spins, "turns the polygon or stops it"),
        (Effect::Steers, "moves the galvanometer"),
        (Effect::Switches, "switches outputs of the station"),
        (Effect::Emits, "lets light out"),
        (Effect::Trims, "changes the trims in force"),
        (Effect::Stores, "writes what survives power loss"),
        (Effect::Asks, "asks the operator"),
        (Effect::Provokes, "makes a simulated head fail"),
    ];
    let all = all.into_iter();
    all.map(|(effect, what)| item(effect.text(), CompletionItemKind::ENUM_MEMBER, what)).collect()
}

fn choices() -> Vec<CompletionItem> {
    let all = WORDS.into_iter();
    all.map(|(word, what)| item(word, CompletionItemKind::ENUM_MEMBER, what)).collect()
}

fn allowed_codes() -> Vec<CompletionItem> {
    let warnings = codes::topics()
        .iter()
        .flat_map(|topic| &topic.codes)
        .filter(|code| code.code.starts_with('W'));
    warnings.map(|code| item(code.code, CompletionItemKind::ENUM_MEMBER, code.meaning)).collect()
}

/// Scripts and folders that a `use` may name.
fn paths(place: Place<'_>, start: usize, workspace: &mut dyn Workspace) -> Vec<CompletionItem> {
    let Some(name) = place.analysis.name(place.source).map(str::to_string) else {
        return Vec::new();
    };
    let typed = place.analysis.text(place.source).get(start..place.offset).unwrap_or("");
    let (folder, last) = match typed.rsplit_once('/') {
        Some((folder, last)) => (format!("{folder}/"), last),
        None => (String::new(), typed),
    };
    let begin = place.offset - last.len();
    let range = place.analysis.range(Span::new(place.source, begin, place.offset));
    let whole = workspace.resolve(&name, &format!("{folder}."));
    let here = |found: &str| workspace_name(&whole, found) == name;
    let found = workspace.folder(&whole);
    found
        .iter()
        .filter(|found| (found.ends_with('/') || found.ends_with(".spt")) && !here(found))
        .map(|found| {
            let kind = if found.ends_with('/') {
                CompletionItemKind::FOLDER
            } else {
                CompletionItemKind::FILE
            };
            let mut made = item(found, kind, "");
            let new_text = found.clone();
            made.text_edit = Some(CompletionTextEdit::Edit(TextEdit { range, new_text }));
            made
        })
        .collect()
}

fn workspace_name(folder: &str, name: &str) -> String {
    format!("{}/{name}", folder.trim_end_matches('/'))
}
