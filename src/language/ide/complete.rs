//! Completion: what can be typed at a place.

use crate::builtins;
use crate::builtins::Effect;
use crate::check::deciding::WORDS;
use crate::check::index::Target;
use crate::diagnostics::codes;
use crate::ide::analysis::{Analysis, Texts};
use crate::ide::cursor::{Cursor, Wanted, cursor};
use crate::ide::describe::Callable;
use crate::ide::expected::{argument_word, expected};
use crate::ide::place::Place;
use crate::ide::scope::Scope;
use crate::ide::signature::active_call;
use crate::ide::workspace::Workspace;
use crate::ide::{describe, hover};
use crate::program::failure::FailureKind;
use crate::program::plot::PLOT_WORDS;
use crate::program::types::Type;
use crate::source::SourceId;
use crate::syntax::{KEYWORDS, Keyword};
use spintrue_head::{Direction, FAULTS, InjectableFault, KINDS, UNITS, Unit};
use std::ops::Range;

/// Stands for the field that is not typed yet while the place is checked.
const STAND_IN: &str = "field";

/// What an item is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ItemKind {
    /// An argument given by name.
    Argument,
    /// A constant or param.
    Constant,
    /// Another value.
    Variable,
    /// A routine of a script.
    Routine,
    /// A built-in.
    Builtin,
    /// A field of a record.
    Field,
    /// A reserved word.
    Keyword,
    /// A unit.
    Unit,
    /// An open dimension.
    OpenDimension,
    /// A kind of quantity.
    Quantity,
    /// A record of the language.
    Record,
    /// One of a fixed list: an effect, a choice of a check, a code.
    Choice,
    /// A folder or a script.
    Path,
}

/// Something that can be typed.
#[derive(Clone, Debug)]
pub struct Item {
    /// What people choose.
    pub label: String,
    /// What it is.
    pub kind: ItemKind,
    /// Its type, signature or meaning; may be empty.
    pub detail: String,
    /// What is typed where that is not the label; callables with parameters leave their bracket to
    /// the caller.
    pub insert: Option<String>,
    /// More about it, in markdown; may be empty.
    pub documentation: String,
}

impl Item {
    fn new(label: impl Into<String>, kind: ItemKind, detail: impl Into<String>) -> Item {
        let (label, detail) = (label.into(), detail.into());
        Item { label, kind, detail, insert: None, documentation: String::new() }
    }

    fn callable(callable: &Callable, kind: ItemKind) -> Item {
        let insert = callable.parameters.is_empty().then(|| format!("{}()", callable.name));
        Item { insert, ..Item::new(&callable.name, kind, callable.signature()) }
    }
}

/// What can be typed at a place of an open document, and the bytes that it replaces.
pub fn complete(place: Place<'_>, workspace: &mut dyn Workspace) -> (Range<usize>, Vec<Item>) {
    let text = place.text();
    let cursor = cursor(text, place.offset);
    let items = match cursor.wanted {
        Wanted::Path(start) => return paths(place, start, (place.file_name(), ".spt"), workspace),
        Wanted::Field => fields(place, &cursor, workspace),
        _ => {
            let scope = Scope::at(place, workspace);
            if cursor.wanted == Wanted::Text {
                let start = cursor.word.start;
                match argument_word(&scope, text, &cursor) {
                    Some(("table", _)) => {
                        return paths(place, start, (place.file_name(), ".csv"), workspace);
                    }
                    Some(("image" | "chart", _)) => {
                        return paths(place, start, (Some(place.root), ".pbm"), workspace);
                    }
                    Some((word @ ("signal" | "channel"), commands)) => {
                        return (cursor.word, of_head(place, word, commands));
                    }
                    _ => {}
                }
            }
            let mut items = candidates(&scope, text, &cursor);
            for item in &mut items {
                let is_routine = match item.kind {
                    ItemKind::Constant | ItemKind::Variable => false,
                    ItemKind::Routine => true,
                    _ => continue,
                };
                let target = scope.target(&item.label, is_routine);
                let text = target.and_then(|target| hover::target(place.analysis, &target));
                item.documentation = text.unwrap_or_default();
            }
            items
        }
    };
    (cursor.word, items)
}

/// What can be typed at a cursor of `text`, apart from fields and paths.
pub fn candidates(scope: &Scope, text: &str, cursor: &Cursor) -> Vec<Item> {
    match cursor.wanted {
        Wanted::Nothing | Wanted::Path(_) | Wanted::Field => Vec::new(),
        Wanted::Text => match argument_word(scope, text, cursor) {
            Some(("fault", _)) => faults(),
            _ => Vec::new(),
        },
        Wanted::FailureKind => choices(
            FailureKind::ALL
                .iter()
                .filter(|kind| FailureKind::caught().any(|caught| caught == kind.text()))
                .map(|kind| (kind.text(), kind.meaning())),
        ),
        Wanted::Unit => units(expected(scope, text, cursor).as_deref()),
        Wanted::Kind => types(scope),
        Wanted::Effect => choices(Effect::ALL.map(|effect| (effect.text(), effect.meaning()))),
        Wanted::Choice => choices(WORDS),
        Wanted::Drawing => choices(PLOT_WORDS.map(|(word, _, meaning)| (word, meaning))),
        Wanted::Code => {
            let codes = codes::topics().iter().flat_map(|topic| &topic.codes);
            let warnings = codes.filter(|code| code.code.starts_with('W'));
            choices(warnings.map(|code| (code.code, code.meaning)))
        }
        Wanted::Statement | Wanted::Expression => names(scope, text, cursor),
    }
}

/// Meaning and effects of a built-in, in markdown.
pub fn builtin_documentation(name: &str) -> Option<String> {
    let builtin = builtins::named(name)?;
    let effects = describe::effects(builtin.page().effects.iter().copied());
    Some(format!("{}\n\n{effects}", builtin.page().meaning()))
}

/// Names, arguments of the call around first.
fn names(scope: &Scope, text: &str, cursor: &Cursor) -> Vec<Item> {
    let mut items = Vec::new();
    let call = active_call(scope, text, cursor);
    if let Some(call) = call.filter(|_| cursor.call.as_ref().is_some_and(|c| c.current.is_none())) {
        items.extend(call.open_parameters().map(|parameter| {
            let label = format!("{}:", parameter.name);
            Item {
                insert: Some(format!("{label} ")),
                documentation: parameter.meaning.clone(),
                ..Item::new(label, ItemKind::Argument, &parameter.label)
            }
        }));
    }
    for (name, value) in &scope.values {
        let is_constant = matches!(value.noun, "constant" | "param");
        let kind = if is_constant { ItemKind::Constant } else { ItemKind::Variable };
        let detail = match value.noun {
            "" => value.kind.clone(),
            noun => format!("{noun}: {}", value.kind),
        };
        items.push(Item::new(name, kind, detail));
    }
    let routines = scope.routines.values();
    items.extend(routines.map(|callable| Item::callable(callable, ItemKind::Routine)));
    let builtins = builtins::table().iter();
    items.extend(builtins.map(|b| Item::callable(&Callable::builtin(b), ItemKind::Builtin)));
    let keywords = KEYWORDS.iter().filter_map(|word| Keyword::of(word));
    items.extend(keywords.map(|word| Item::new(word.text(), ItemKind::Keyword, word.meaning())));
    items
}

/// Fields of what stands before the point: the place is checked with a field put there.
fn fields(place: Place<'_>, cursor: &Cursor, workspace: &mut dyn Workspace) -> Vec<Item> {
    let start = cursor.word.start;
    let field_at = |analysis: &Analysis, source: SourceId| {
        let names = analysis.examined.index.occurrences.iter();
        let mut here = names.filter(|o| o.span.source == source && o.span.start as usize == start);
        here.find_map(|o| match &o.target {
            Target::Field(field) => Some(field.clone()),
            _ => None,
        })
    };
    let with_stand_in = |workspace: &mut dyn Workspace| {
        let (text, name) = (place.text(), place.file_name()?);
        let changed = format!("{}{STAND_IN}{}", text.get(..start)?, text.get(place.offset..)?);
        let changed = Texts::from([(name.to_string(), changed)]);
        let (is_library, documents) = (place.analysis.is_library, place.project.documents());
        let analysis =
            Analysis::with(place.root, is_library, documents, Some(&changed), workspace)?;
        field_at(&analysis, analysis.source(name)?)
    };
    let field = field_at(place.analysis, place.source).or_else(|| with_stand_in(workspace));
    let Some(field) = field else { return Vec::new() };
    let Some(record) = field.of.record() else { return Vec::new() };
    let open: Vec<&str> = field.open.iter().map(|o| &**o).collect();
    let spec = describe::record_of(&field.of);
    let item = |(name, kind): &(std::sync::Arc<str>, Type)| {
        let meaning = spec.and_then(|s| s.page().fields.iter().find(|f| f.name == &**name));
        let documentation = meaning.map_or(String::new(), |field| field.meaning());
        Item { documentation, ..Item::new(&**name, ItemKind::Field, kind.name(&open)) }
    };
    record.fields.iter().map(item).collect()
}

/// Units: those of a kind of quantity, the usual ones first; else all.
fn units(kind: Option<&str>) -> Vec<Item> {
    let is_temperature = kind == Some("temperature");
    let kind = KINDS.iter().find(|known| Some(known.name) == kind);
    let fits = |unit: &&Unit| match kind {
        Some(kind) => kind.dimension == unit.dimension && unit.zero == 0.0,
        None => !is_temperature || unit.zero != 0.0,
    };
    let mut items = Vec::new();
    for unit in UNITS.iter().filter(fits) {
        let of = if unit.zero == 0.0 { unit.dimension.name(&[]) } else { "temperature".into() };
        let detail = format!("{}: {of}", unit.meaning);
        let prefixed = unit.prefixes.chars().map(|prefix| {
            let name = format!("{prefix}{}", unit.name);
            Item::new(name, ItemKind::Unit, format!("{prefix} of {detail}"))
        });
        items.push(Item::new(unit.name, ItemKind::Unit, detail.clone()));
        items.extend(prefixed);
    }
    let usual = kind.map(|kind| kind.shown_in).unwrap_or_default();
    for (index, (unit, _)) in usual.iter().enumerate() {
        let item = match items.iter().position(|item| item.label == *unit) {
            Some(at) => items.remove(at),
            None => Item::new(*unit, ItemKind::Unit, ""),
        };
        items.insert(index.min(items.len()), item);
    }
    items
}

fn types(scope: &Scope) -> Vec<Item> {
    let open = scope.open.iter();
    let mut items: Vec<Item> =
        open.map(|name| Item::new(name, ItemKind::OpenDimension, "open dimension")).collect();
    let simple = ["text", "flag", "temperature"];
    items.extend(simple.map(|name| Item::new(name, ItemKind::Keyword, "")));
    let list = Item::new("list of", ItemKind::Keyword, "");
    items.push(Item { insert: Some("list of ".to_string()), ..list });
    let kinds = KINDS.iter();
    items.extend(kinds.map(|kind| Item::new(kind.name, ItemKind::Quantity, kind.dimension.si())));
    let records = builtins::records().iter();
    items.extend(
        records.map(|record| Item::new(record.name, ItemKind::Record, record.page().meaning())),
    );
    items
}

fn choices(all: impl IntoIterator<Item = (&'static str, &'static str)>) -> Vec<Item> {
    all.into_iter().map(|(word, meaning)| Item::new(word, ItemKind::Choice, meaning)).collect()
}

fn faults() -> Vec<Item> {
    let item = |fault: &InjectableFault| Item {
        documentation: fault.symptom().to_string(),
        ..Item::new(fault.example(), ItemKind::Choice, fault.does())
    };
    FAULTS.iter().map(item).collect()
}

/// Signals or channels of the head; outputs alone where they are commanded.
fn of_head(place: Place<'_>, word: &str, commands: bool) -> Vec<Item> {
    let Some(head) = place.project.head() else { return Vec::new() };
    let (head, name) = (head.description(), head.name());
    let item =
        |of: &String, what: &str| Item::new(of, ItemKind::Choice, format!("{what} of {name}"));
    let fits = |direction: Direction| !commands || direction == Direction::Output;
    let signals = head.signals.iter().filter(|signal| fits(signal.direction));
    let channels = head.channels.iter().filter(|channel| fits(channel.direction));
    match word {
        "signal" => signals.map(|signal| item(&signal.name, "signal")).collect(),
        _ => channels.map(|c| item(&c.name, &format!("channel in {}", c.unit))).collect(),
    }
}

/// Files of a kind and folders that a text may name, from the folder of the file `from`.
fn paths(
    place: Place<'_>,
    start: usize,
    (from, ending): (Option<&str>, &str),
    workspace: &mut dyn Workspace,
) -> (Range<usize>, Vec<Item>) {
    let typed = place.text().get(start..place.offset).unwrap_or("");
    let (folder, last) = typed.split_at(typed.rfind('/').map_or(0, |at| at + 1));
    let replaced = place.offset - last.len()..place.offset;
    let (Some(from), Some(own)) = (from, place.file_name()) else { return (replaced, Vec::new()) };
    let folder = workspace.resolve(from, &format!("{folder}."));
    let mut found = workspace.folder(&folder);
    found.retain(|name| {
        let is_offered = name.ends_with('/') || name.ends_with(ending);
        is_offered && format!("{}/{name}", folder.trim_end_matches('/')) != own
    });
    (replaced, found.into_iter().map(|name| Item::new(name, ItemKind::Path, "")).collect())
}
