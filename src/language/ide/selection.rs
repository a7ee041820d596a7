//! What a selection grows to, step by step: a word, the expressions and statements around it, the file.

use crate::ide::place::Place;
use crate::source::Span;
use crate::syntax::lexemes;
use crate::syntax::tree::{Expression, Statement};
use crate::syntax::walk::{blocks, expressions, parts};

/// The spans around a place, the smallest first; each lies in the next one and is smaller.
pub fn selections(place: Place<'_>) -> Vec<Span> {
    let mut spans = vec![Span::new(place.source, 0, place.text().len())];
    if let Some(file) = place.analysis.file(place.source) {
        statements(place, &file.statements, &mut spans);
    }
    // What stands under the cursor wins over what ends before it.
    let all = lexemes(place.text());
    let mut here = all.iter().rev().filter(|lexeme| {
        lexeme.start < lexeme.end && (lexeme.start..=lexeme.end).contains(&(place.offset as u32))
    });
    let word = here.next().map(|lexeme| lexeme.range());
    spans.extend(word.map(|word| Span::new(place.source, word.start, word.end)));
    let mut nested: Vec<Span> = Vec::new();
    for span in spans {
        let inside = nested.last().is_none_or(|around: &Span| around.to(span) == *around);
        if inside && nested.last() != Some(&span) {
            nested.push(span);
        }
    }
    nested.reverse();
    nested
}

fn statements(place: Place<'_>, all: &[Statement], spans: &mut Vec<Span>) {
    let Some(statement) = all.iter().rfind(|statement| place.is_in(statement.span)) else { return };
    spans.push(statement.span);
    if let Some(e) = expressions(statement).into_iter().rfind(|e| place.is_in(e.span)) {
        expression(place, e, spans);
    }
    if let Some(block) = blocks(statement).into_iter().find(|block| place.is_in(block.span)) {
        spans.push(block.span);
        let inner = block.statements.first().zip(block.statements.last());
        spans.extend(
            inner.map(|(first, last)| first.span.to(last.span)).filter(|all| place.is_in(*all)),
        );
        statements(place, &block.statements, spans);
    }
}

fn expression(place: Place<'_>, e: &Expression, spans: &mut Vec<Span>) {
    spans.push(e.span);
    if let Some(part) = parts(e).into_iter().rfind(|part| place.is_in(part.span)) {
        expression(place, part, spans);
    }
}
