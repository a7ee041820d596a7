//! What callables, types, records, units and effects are, in words. Hover, completion and signature
//! help use this file.

use crate::builtins;
use crate::builtins::{Builtin, Effect, Field, OPEN_NAMES, RecordSpec};
use crate::check::index::FieldOf;
use crate::ide::analysis::Analysis;
use crate::program::types::Type;
use crate::source::Span;
use crate::syntax::walk;
use spintrue_head::{KINDS, find_unit, parse_unit, show_number};

/// A routine or built-in as callers see it.
#[derive(Clone, Debug)]
pub struct Callable {
    /// Its name.
    pub name: String,
    /// Its parameters, in order.
    pub parameters: Vec<Parameter>,
    /// Its result, as ` -> line`; empty where it returns nothing.
    pub returns: String,
    /// What it does.
    pub meaning: String,
    /// Where it is declared, if that is in the checked files.
    pub declared: Option<Span>,
}

/// A parameter of a callable.
#[derive(Clone, Debug)]
pub struct Parameter {
    /// Its name.
    pub name: String,
    /// `plan: plan`, or `[readings: number]` where it may be left out.
    pub label: String,
    /// What it is.
    pub meaning: String,
}

impl Parameter {
    /// Its type, in words.
    pub(super) fn kind(&self) -> Option<&str> {
        let kind = self.label.split_once(':')?.1;
        let kind = kind.split('=').next().unwrap_or(kind);
        Some(kind.trim().trim_end_matches(']'))
    }
}

impl Callable {
    /// A built-in.
    pub fn builtin(builtin: &Builtin) -> Callable {
        let page = builtin.page();
        let parameters = page.parameters.iter().map(|parameter| {
            let name = parameter.name.to_string();
            let label = format!("{name}: {}", kind_name(parameter.kind));
            let label = if parameter.is_optional { format!("[{label}]") } else { label };
            Parameter { name, label, meaning: parameter.meaning() }
        });
        Callable {
            name: builtin.name.to_string(),
            parameters: parameters.collect(),
            returns: match page.returns {
                "nothing" => String::new(),
                kind => format!(" -> {}", kind_name(kind)),
            },
            meaning: page.meaning(),
            declared: None,
        }
    }

    /// The built-in of a name.
    pub fn builtin_named(name: &str) -> Option<Callable> {
        builtins::named(name).map(Callable::builtin)
    }

    /// A routine by its name where it is declared.
    pub fn routine(analysis: &Analysis, name: Span) -> Option<Callable> {
        let (statement, routine) = walk::routine(analysis.file(name.source)?, name)?;
        let one_line = |span: Span| crate::source::one_line(analysis.slice(span));
        let parameters = routine.parameters.iter().map(|parameter| {
            let end = parameter.default.as_ref().map_or(parameter.annotation.span, |d| d.span);
            Parameter {
                name: analysis.slice(parameter.name.span).to_string(),
                label: one_line(parameter.name.span.to(end)),
                meaning: String::new(),
            }
        });
        let returns = routine.returns.as_ref().map(|kind| format!(" -> {}", one_line(kind.span)));
        Some(Callable {
            name: analysis.slice(name).to_string(),
            parameters: parameters.collect(),
            returns: returns.unwrap_or_default(),
            meaning: statement.doc.as_deref().unwrap_or_default().to_string(),
            declared: Some(name),
        })
    }

    /// `test_line(facet: number, plan: plan, [readings: number]) -> line`
    pub fn signature(&self) -> String {
        let labels: Vec<&str> = self.parameters.iter().map(|p| p.label.as_str()).collect();
        format!("{}({}){}", self.name, labels.join(", "), self.returns)
    }
}

/// The type that a page of the built-ins means by a word, in the words of scripts.
fn kind_name(word: &str) -> String {
    builtins::kind(word).name(&OPEN_NAMES)
}

/// `Effects on the head: reads, spins`
pub fn effects(effects: impl Iterator<Item = Effect>) -> String {
    let all: Vec<&str> = effects.map(Effect::text).collect();
    let all = if all.is_empty() { "none".to_string() } else { all.join(", ") };
    format!("Effects on the head: {all}")
}

/// The effects of a routine by its name where it is declared.
pub(super) fn routine_effects(analysis: &Analysis, name: Span) -> Option<String> {
    let place = analysis.examined.index.routines.iter().position(|r| *r == name)?;
    let of = analysis.examined.prepared.effects.get(place)?;
    Some(effects(of.effects.keys().copied()))
}

/// Names and types of the fields of a record, or of the records of a list.
pub fn record_fields(kind: &Type) -> Vec<(String, String)> {
    match kind {
        Type::Record(record) => {
            let fields = record.fields.iter();
            fields.map(|(name, kind)| (name.to_string(), kind.name(&[]))).collect()
        }
        Type::List(item) => record_fields(item),
        _ => Vec::new(),
    }
}

/// The record of built-ins behind a type.
pub(super) fn record_of(kind: &Type) -> Option<&'static RecordSpec> {
    builtins::record(kind.record()?.name?)
}

/// The type of a field in words, and what it means.
pub(super) fn field(field: &FieldOf) -> Option<(String, String)> {
    let (_, kind) = field.of.record()?.field(&field.name)?;
    let open: Vec<&str> = field.open.iter().map(|o| &**o).collect();
    let meaning = record_of(&field.of)
        .and_then(|r| r.page().fields.iter().find(|f| f.name == &*field.name))
        .map_or_else(String::new, Field::meaning);
    Some((kind.name(&open), meaning))
}

/// What a type that has a name is, in markdown.
pub fn kind(name: &str) -> Option<String> {
    let simple = match name {
        "text" => "A text.",
        "flag" => "`true` or `false`.",
        "temperature" => {
            "A temperature as a thermometer shows it, in `degC`; differences are in `K`."
        }
        _ => "",
    };
    if !simple.is_empty() {
        return Some(simple.to_string());
    }
    if let Some(record) = builtins::record(name) {
        let mut text = format!("{}\n", record.page().meaning());
        for field in &record.page().fields {
            let (name, kind, meaning) = (field.name, field.kind, field.meaning());
            text.push_str(&format!("\n- `{name}: {kind}` {meaning}"));
        }
        return Some(text);
    }
    let kind = KINDS.iter().find(|kind| kind.name == name)?;
    let si = kind.dimension.si();
    let units: Vec<String> = kind.shown_in.iter().map(|(unit, _)| format!("`{unit}`")).collect();
    Some(match (si.is_empty(), units.is_empty()) {
        (true, _) => "A plain number: a count, a ratio, a share.".to_string(),
        (false, true) => format!("A physical kind, counted in `{si}`."),
        (false, false) => {
            format!("A physical kind, counted in `{si}`. Shown in {}.", units.join(", "))
        }
    })
}

/// What a unit is, in markdown.
pub fn unit(text: &str) -> Option<String> {
    let unit = parse_unit(text).ok()?;
    let mut lines = Vec::new();
    if let Some((entry, factor)) = find_unit(text) {
        let prefixed = if factor == 1.0 { "" } else { ", with a prefix" };
        lines.push(format!("{}{prefixed}", entry.meaning));
    }
    lines.push(format!("Kind: {}", Type::in_unit(&unit).name(&[])));
    let si = unit.dimension.si();
    let si = if si == text { unit.dimension.base_units() } else { si };
    if unit.is_absolute() {
        lines.push(format!("0 {text} = {} {si}", show_number(unit.zero, None)));
    } else if si != text && !si.is_empty() {
        lines.push(format!("1 {text} = {} {si}", show_number(unit.factor, None)));
    } else if si.is_empty() {
        lines.push(format!("1 {text} = {}", show_number(unit.factor, None)));
    }
    Some(lines.join("\n\n"))
}
