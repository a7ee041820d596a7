//! A place in a document that a request asks about.

use crate::check::index::{Occurrence, Target};
use crate::lsp::analysis::Analysis;
use crate::source::{SourceId, Span};
use crate::syntax::tree::StatementKind;

/// A place in a checked file.
#[derive(Clone, Copy)]
pub struct Place<'a> {
    /// The check.
    pub analysis: &'a Analysis,
    /// The file.
    pub source: SourceId,
    /// The byte.
    pub offset: usize,
}

impl<'a> Place<'a> {
    /// The name there.
    pub fn occurrence(self) -> Option<&'a Occurrence> {
        let span = Span::new(self.source, self.offset, self.offset);
        self.analysis.examined.index.at(span)
    }

    /// The `use` path there, with the place of its text.
    pub fn used(self) -> Option<(&'a str, Span)> {
        let inside = |span: Span| (span.start as usize..=span.end as usize).contains(&self.offset);
        self.analysis.file(self.source)?.statements.iter().find_map(|statement| {
            match &statement.kind {
                StatementKind::Use { path, path_span } if inside(*path_span) => {
                    Some((path.as_str(), *path_span))
                }
                _ => None,
            }
        })
    }
}

/// Where a target is declared, if that is in a file.
pub fn declaration(target: &Target) -> Option<Span> {
    match target {
        Target::Value(span) | Target::Routine(span) | Target::Open(span) => Some(*span),
        _ => None,
    }
}
