//! Values of params from outside that hold texts: these need no quotes of their own.

use crate::check::{Checker, advice};
use crate::diagnostics::{Diagnostic, codes};
use crate::program::types::Type;
use crate::source::Span;
use crate::syntax::tree::{Expression, ExpressionKind, Piece};
use spintrue_head::nearest_name;

impl Checker<'_> {
    /// The same value, with what stands where a text is wanted inside a list or record taken as one.
    pub(super) fn with_texts(&self, e: &Expression, wanted: &Type) -> Expression {
        let kind = match (&e.kind, wanted) {
            (ExpressionKind::List(items), Type::List(item)) => {
                ExpressionKind::List(items.iter().map(|e| self.text_part(e, item)).collect())
            }
            (ExpressionKind::Record(fields), Type::Record(record)) => {
                let fields = fields.iter().map(|(name, value)| {
                    let wanted = record.field(self.names.text(name.symbol));
                    let value = wanted
                        .map_or_else(|| value.clone(), |(_, kind)| self.text_part(value, kind));
                    (*name, value)
                });
                ExpressionKind::Record(fields.collect())
            }
            _ => return e.clone(),
        };
        Expression { kind, span: e.span }
    }

    /// Whether every part of a list or record that stands written out is of the wanted kind; each that is
    /// not is reported in its place.
    pub(super) fn parts_fit(&mut self, e: &Expression, wanted: &Type, what: &str) -> bool {
        match (&e.kind, wanted) {
            (ExpressionKind::List(items), Type::List(item)) => {
                let fit: Vec<bool> = items.iter().map(|e| self.parts_fit(e, item, what)).collect();
                fit.into_iter().all(|fits| fits)
            }
            (ExpressionKind::Record(fields), Type::Record(record)) => {
                let has =
                    |name: &str| fields.iter().any(|(n, _)| self.names.text(n.symbol) == name);
                let names = fields.iter().map(|(name, _)| self.text(name.symbol));
                let strays: Vec<_> = names.filter(|name| record.field(name).is_none()).collect();
                let all = record.fields.iter().map(|(name, _)| &**name);
                let mut missing: Vec<&str> = all.filter(|name| !has(name)).collect();
                let mut good = missing.is_empty();
                // What is there under another name is not told twice.
                let only = match (missing.as_slice(), strays.as_slice()) {
                    ([missing], [_]) => Some(*missing),
                    _ => None,
                };
                let is_near = |name: &str| strays.iter().any(|s| nearest_name(s, [name]).is_some());
                missing.retain(|name| only.is_none() && !is_near(name));
                if !missing.is_empty() {
                    let headline = format!("{what} needs {}", advice::listed(&missing));
                    self.error(codes::BAD_SETTING, headline, e.span).here("not given here");
                }
                for (name, value) in fields {
                    let text = self.text(name.symbol);
                    let Some((_, kind)) = record.field(&text) else {
                        let headline = format!("{what} has no field `{text}`");
                        let known = record.fields.iter().map(|(name, _)| &**name);
                        let listed = || format!("it has {}", advice::listed(known.clone()));
                        let near = only.or_else(|| nearest_name(&text, known.clone()));
                        let report = Diagnostic::error(codes::BAD_SETTING, headline, name.span);
                        self.report(report.meant(near, listed));
                        good = false;
                        continue;
                    };
                    good &= self.parts_fit(value, kind, &format!("`{text}`"));
                }
                good
            }
            _ => {
                let typed = self.expect_kind(e, wanted, codes::BAD_SETTING, what);
                typed.kind != Type::Unknown
            }
        }
    }

    fn text_part(&self, e: &Expression, wanted: &Type) -> Expression {
        let is_quoted = self.sources.slice(e.span).starts_with('"');
        if *wanted != Type::Text || is_quoted {
            return self.with_texts(e, wanted);
        }
        let text = Piece::Plain(self.sources.slice(e.span).to_string());
        Expression { kind: ExpressionKind::Text(vec![text]), span: e.span }
    }
}

/// Whether a place lies in a text of a value.
pub(super) fn is_text_at(e: &Expression, place: Span) -> bool {
    match &e.kind {
        ExpressionKind::Text(_) => e.span.to(place) == e.span,
        ExpressionKind::List(items) => items.iter().any(|e| is_text_at(e, place)),
        ExpressionKind::Record(fields) => fields.iter().any(|(_, e)| is_text_at(e, place)),
        _ => false,
    }
}
