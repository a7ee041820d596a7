//! Files that a script names: scripts, tables and images, and files of any kind in comments, such as the data sheet
//! or the head that it is run with.

use crate::ide::place::Place;
use crate::ide::words::{WordKind, words};
use crate::ide::workspace::Workspace;
use crate::source::Span;
use crate::syntax::{Raw, lexemes};
use std::ops::Range;

/// How files are called that a comment may name.
const ENDINGS: [&str; 4] = [".toml", ".csv", ".spt", ".pbm"];
/// Folders around a script in which files of comments are looked for.
const MAX_FOLDERS: usize = 4;

/// A file that is named in a document.
pub struct Link {
    /// The path between its quotes.
    pub span: Span,
    /// The name of the file.
    pub name: String,
}

/// The files that a document names, in its order.
pub fn links(place: Place<'_>, workspace: &mut dyn Workspace) -> Vec<Link> {
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
    let mut links: Vec<Link> = named.collect();
    for range in in_comments(place.text()) {
        let path = place.text().get(range.clone()).unwrap_or_default();
        let span = Span::new(place.source, range.start, range.end);
        links.extend(found(own, path, workspace).map(|name| Link { span, name }));
    }
    links.sort_by_key(|link| link.span);
    links
}

/// Words of comments that are called as files are.
fn in_comments(text: &str) -> Vec<Range<usize>> {
    let is_path = |c: char| c.is_alphanumeric() || matches!(c, '/' | '.' | '_' | '-');
    let mut paths = Vec::new();
    for comment in lexemes(text).iter().filter(|lexeme| lexeme.raw == Raw::Comment) {
        let mut start = comment.start as usize;
        for word in text.get(comment.range()).unwrap_or("").split_inclusive(|c| !is_path(c)) {
            let path = word.trim_end_matches(|c| !is_path(c) || c == '.');
            if ENDINGS.iter().any(|ending| path.len() > ending.len() && path.ends_with(ending)) {
                paths.push(start..start + path.len());
            }
            start += word.len();
        }
    }
    paths
}

/// The file that a comment names, from the folder of its script or from one around it.
fn found(own: &str, path: &str, workspace: &mut dyn Workspace) -> Option<String> {
    let mut from = own.to_string();
    for _ in 0..MAX_FOLDERS {
        let name = workspace.resolve(&from, path);
        let (folder, file) = name.rsplit_once('/')?;
        if workspace.folder(folder).iter().any(|known| known == file) {
            return Some(name);
        }
        // The folder itself, as if it were a file of the one around it.
        from.truncate(from.rfind('/')?);
    }
    None
}
