//! A place in an open document.

use crate::check::index::{Occurrence, Target};
use crate::ide::analysis::Analysis;
use crate::ide::project::Project;
use crate::source::{SourceId, Span};
use crate::syntax::tree::StatementKind;

/// A byte of an open document.
#[derive(Clone, Copy)]
pub struct Place<'a> {
    /// The open documents.
    pub project: &'a Project,
    /// The document that the check begins with.
    pub root: &'a str,
    /// The check that covers the document.
    pub analysis: &'a Analysis,
    /// The document in this check.
    pub source: SourceId,
    /// The byte.
    pub offset: usize,
}

impl<'a> Place<'a> {
    /// The start of a document; none where no check covers it.
    pub fn start_of(project: &'a Project, document: &str) -> Option<Place<'a>> {
        let (root, analysis, source) = project.check_of(document)?;
        Some(Place { project, root, analysis, source, offset: 0 })
    }

    /// The text of the document.
    pub fn text(self) -> &'a str {
        self.analysis.text(self.source)
    }

    /// The name of the document.
    pub fn file_name(self) -> Option<&'a str> {
        self.analysis.name(self.source)
    }

    /// The name that stands there.
    pub fn occurrence(self) -> Option<&'a Occurrence> {
        let span = Span::new(self.source, self.offset, self.offset);
        self.analysis.examined.index.at(span)
    }

    /// The place lies in a span or at its end.
    pub fn is_in(self, span: Span) -> bool {
        span.source == self.source
            && (span.start as usize..=span.end as usize).contains(&self.offset)
    }

    /// The path of the `use` that stands there.
    pub fn used_path(self) -> Option<&'a str> {
        let statements = &self.analysis.file(self.source)?.statements;
        statements.iter().find_map(|statement| match &statement.kind {
            StatementKind::Use { path, path_span } if self.is_in(*path_span) => Some(path.as_str()),
            _ => None,
        })
    }
}

/// Where a target is declared, if that is in a file.
pub(super) fn declaration(target: &Target) -> Option<Span> {
    match target {
        Target::Value(span) | Target::Routine(span) | Target::Open(span) => Some(*span),
        _ => None,
    }
}

/// A target whose declaration has moved; what no file declares stays as it is.
pub(super) fn moved(
    target: &Target,
    new_span: impl FnOnce(Span) -> Option<Span>,
) -> Option<Target> {
    Some(match target {
        Target::Value(span) => Target::Value(new_span(*span)?),
        Target::Routine(span) => Target::Routine(new_span(*span)?),
        Target::Open(span) => Target::Open(new_span(*span)?),
        other => other.clone(),
    })
}
