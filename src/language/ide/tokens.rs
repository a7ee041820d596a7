//! What each word of a document is, for its colours. One table names the kinds and what may be said of them
//! beside, in the terms of the protocol.

use crate::check::index::Target;
use crate::ide::place::Place;
use crate::ide::words::{WordKind, words};
use crate::source::Span;
use crate::syntax::{Mark, marks};
use std::ops::Range;

macro_rules! kinds {
    ($($(#[doc = $meaning:literal])* $variant:ident $text:literal)*) => {
        /// What a token is.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum TokenKind {
            $($(#[doc = $meaning])* $variant,)*
        }

        /// Every kind of token in the terms of the protocol, in the order of [`TokenKind`].
        pub const TOKEN_KINDS: &[&str] = &[$($text),*];
    };
}

kinds! {
    /// A reserved word.
    Keyword "keyword"
    /// A comment.
    Comment "comment"
    /// A text.
    Text "string"
    /// A number with its unit.
    Quantity "number"
    /// A routine or built-in.
    Called "function"
    /// A variable, constant or param.
    Value "variable"
    /// A parameter, or an argument given by name.
    Parameter "parameter"
    /// A field of a record.
    Field "property"
    /// A kind of quantity, a record or another type.
    Type "type"
    /// An open dimension.
    Open "typeParameter"
    /// One of a fixed list: an effect, a choice of a check, a code.
    Choice "enumMember"
}

/// What may be said of a token beside, each the bit of its place.
pub const TOKEN_MODIFIERS: &[&str] = &["declaration", "readonly", "defaultLibrary"];

const DECLARATION: u32 = 1;
const READONLY: u32 = 2;
const LIBRARY: u32 = 4;

/// A word and what it is.
#[derive(Clone, Debug, PartialEq)]
pub struct Token {
    /// Its bytes, on one line.
    pub range: Range<usize>,
    /// What it is.
    pub kind: TokenKind,
    /// What else is said of it, as bits.
    pub modifiers: u32,
}

/// The words of a document from one byte up to another, in their order; none overlaps another.
pub fn tokens(place: Place<'_>, within: &Range<usize>) -> Vec<Token> {
    let touched = |range: &Range<usize>| range.start < within.end && range.end > within.start;
    let mut tokens: Vec<Token> = Vec::new();
    let index = &place.analysis.examined.index;
    for occurrence in index.occurrences.iter().filter(|o| o.span.source == place.source) {
        let range = occurrence.span.range();
        if touched(&range) {
            let (kind, modifiers) = named(place, occurrence.span, &occurrence.target);
            tokens.push(Token { range, kind, modifiers });
        }
    }
    if let Some(file) = place.analysis.file(place.source) {
        let choices = words(file, &place.analysis.examined.names).into_iter().filter(|word| {
            use WordKind::{Code, Decision, Drawing, Effect};
            matches!(word.kind, Effect | Decision | Drawing | Code) && touched(&word.span.range())
        });
        tokens.extend(choices.map(|word| Token {
            range: word.span.range(),
            kind: TokenKind::Choice,
            modifiers: 0,
        }));
    }
    // What is known wins over what is seen at once.
    let known = tokens.len();
    tokens.extend(marks(place.text()).into_iter().filter(|(_, range)| touched(range)).map(
        |(mark, range)| {
            let kind = match mark {
                Mark::Keyword => TokenKind::Keyword,
                Mark::Called => TokenKind::Called,
                Mark::Quantity => TokenKind::Quantity,
                Mark::Text => TokenKind::Text,
                Mark::Comment => TokenKind::Comment,
            };
            Token { range, kind, modifiers: 0 }
        },
    ));
    let mut order: Vec<(usize, Token)> = tokens.into_iter().enumerate().collect();
    order.sort_by_key(|(at, token)| (token.range.start, *at >= known, *at));
    let mut end = 0;
    order.retain(|(_, token)| {
        let is_free = token.range.start >= end && token.range.start < token.range.end;
        end = if is_free { token.range.end } else { end };
        is_free
    });
    order.into_iter().map(|(_, token)| token).collect()
}

fn named(place: Place<'_>, span: Span, target: &Target) -> (TokenKind, u32) {
    let declared = |at: Span| if at == span { DECLARATION } else { 0 };
    match target {
        Target::Value(name) => {
            let noun = place.analysis.examined.index.value(*name).map_or("", |info| info.noun);
            match noun {
                "parameter" => (TokenKind::Parameter, declared(*name) | READONLY),
                "var" => (TokenKind::Value, declared(*name)),
                _ => (TokenKind::Value, declared(*name) | READONLY),
            }
        }
        Target::Routine(name) => (TokenKind::Called, declared(*name)),
        Target::Builtin(_) => (TokenKind::Called, LIBRARY),
        Target::BuiltinParameter(..) => (TokenKind::Parameter, LIBRARY),
        Target::Field(_) => (TokenKind::Field, 0),
        Target::Kind(_) => (TokenKind::Type, LIBRARY),
        Target::Open(name) => (TokenKind::Open, declared(*name)),
        Target::Unit(_) => (TokenKind::Quantity, 0),
    }
}
