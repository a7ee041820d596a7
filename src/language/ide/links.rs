//! Files that a script names: scripts, tables and images.

use crate::ide::place::Place;
use crate::ide::words::{WordKind, words};
use crate::ide::workspace::Workspace;
use crate::source::Span;

/// A file that is named in a document.
pub struct Link {
    /// The path between its quotes.
    pub span: Span,
    /// The name of the file.
    pub name: String,
}

/// The files that a document names, in its order.
pub fn links(place: Place<'_>, workspace: &dyn Workspace) -> Vec<Link> {
    let (Some(file), Some(own)) = (place.analysis.file(place.source), place.file_name()) else {
        return Vec::new();
    };
    let named = words(file, &place.analysis.examined.names).into_iter().filter_map(|word| {
        let from = match word.kind {
            WordKind::Path => own,
            WordKind::Image => place.root,
            _ => return None,
        };
        let Span { source, start, end } = word.span;
        let span = Span::new(source, start as usize + 1, (end as usize).saturating_sub(1));
        (span.start < span.end).then(|| Link { span, name: workspace.resolve(from, &word.text) })
    });
    named.collect()
}
