//! Hover: what the name under the pointer is.

use crate::builtins;
use crate::check::index::Target;
use crate::ide::analysis::Analysis;
use crate::ide::describe;
use crate::ide::describe::Callable;
use crate::ide::place::Place;
use crate::ide::words::{meaning, words};
use crate::source::{Span, one_line};
use crate::syntax::tree::StatementKind;
use crate::syntax::{Keyword, Mark, marks, walk};

/// What stands at a place, in markdown, with its span.
pub fn hover(place: Place<'_>) -> Option<(Span, String)> {
    match place.occurrence() {
        Some(found) => Some((found.span, target(place.analysis, &found.target)?)),
        None => word(place).or_else(|| keyword(place)),
    }
}

fn code(text: &str) -> String {
    format!("```spintrue\n{text}\n```")
}

fn paragraphs(parts: impl IntoIterator<Item = String>) -> String {
    parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("\n\n")
}

/// What a target is, in markdown.
pub(super) fn target(analysis: &Analysis, target: &Target) -> Option<String> {
    Some(match target {
        Target::Value(name) => value(analysis, *name)?,
        Target::Routine(name) => {
            let file = analysis.file(name.source)?;
            let (statement, routine) = walk::routine(file, *name)?;
            paragraphs([
                code(&one_line(analysis.slice(routine.head))),
                statement.doc.as_deref().unwrap_or_default().to_string(),
                describe::routine_effects(analysis, *name).unwrap_or_default(),
            ])
        }
        Target::Builtin(index) => {
            let builtin = builtins::table().get(*index)?;
            let callable = Callable::builtin(builtin);
            let parameters = callable.parameters.iter();
            let parameters: Vec<String> =
                parameters.map(|p| format!("- `{}` {}", p.label, p.meaning)).collect();
            paragraphs([
                code(&callable.signature()),
                callable.meaning.clone(),
                parameters.join("\n"),
                describe::effects(builtin.page().effects.iter().copied()),
                code(builtin.page().example),
            ])
        }
        Target::BuiltinParameter(builtin, parameter) => {
            let callable = Callable::builtin(builtins::table().get(*builtin)?);
            let parameter = callable.parameters.get(*parameter)?;
            let text = format!("Parameter of `{}`: {}", callable.name, parameter.meaning);
            paragraphs([code(&parameter.label), text])
        }
        Target::Field(field) => {
            let (kind, meaning) = describe::field(field)?;
            let of = describe::record_of(&field.of).map_or("", |record| record.name);
            let of = if of.is_empty() { String::new() } else { format!("{of}.") };
            paragraphs([code(&format!("{of}{}: {kind}", field.name)), meaning])
        }
        Target::Kind(name) => paragraphs([code(&format!("type {name}")), describe::kind(name)?]),
        Target::Open(name) => {
            let text = analysis.slice(*name);
            paragraphs([
                code(&format!("for any {text}")),
                "An open dimension: each call settles which kind it is.".to_string(),
            ])
        }
        Target::Unit(text) => paragraphs([code(&format!("unit {text}")), describe::unit(text)?]),
    })
}

fn value(analysis: &Analysis, name: Span) -> Option<String> {
    let info = analysis.examined.index.value(name)?;
    let text = analysis.slice(name);
    let statement = analysis.file(name.source).and_then(|file| walk::declaring(file, name));
    let written = match info.unit.as_deref() {
        Some(unit) => format!("Written in `{unit}`."),
        None => String::new(),
    };
    let default = match statement.map(|s| &s.kind) {
        Some(StatementKind::Param { default: Some(default), .. }) => {
            format!("Default: `{}`", one_line(analysis.slice(default.span)))
        }
        _ => String::new(),
    };
    Some(paragraphs([
        code(&format!("{} {text}: {}", info.noun, info.kind_name)),
        statement.and_then(|s| s.doc.as_deref()).unwrap_or_default().to_string(),
        default,
        written,
    ]))
}

/// A keyword.
fn keyword(place: Place<'_>) -> Option<(Span, String)> {
    let text = place.analysis.text(place.source);
    let under = |range: &std::ops::Range<usize>| (range.start..=range.end).contains(&place.offset);
    let words = marks(text).into_iter().filter(|(mark, _)| *mark == Mark::Keyword);
    let range = words.map(|(_, range)| range).find(under)?;
    let keyword = Keyword::of(text.get(range.clone())?)?;
    let span = Span::new(place.source, range.start, range.end);
    Some((span, paragraphs([keyword.meaning().to_string(), code(keyword.example())])))
}

/// A word or text that no name stands for.
fn word(place: Place<'_>) -> Option<(Span, String)> {
    let file = place.analysis.file(place.source)?;
    let all = words(file, &place.analysis.examined.names);
    let word = all.iter().find(|word| place.is_in(word.span))?;
    Some((word.span, meaning(word)?))
}
