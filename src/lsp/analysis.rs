//! Checks of the open documents. A document that another open one uses is checked with that one;
//! every other is checked as a script, or as a used file where it holds nothing but what used
//! files hold.

use crate::builtins;
use crate::lsp::Workspace;
use crate::lsp::documents::{CHECKED_MOST, Documents};
use crate::lsp::outline::each_expression;
use crate::lsp::position::Lines;
use crate::session::{Examined, FileError, Files, Text, examine};
use crate::source::{SourceId, Span};
use crate::syntax::names::Names;
use crate::syntax::tree::{ExpressionKind, File, StatementKind};
use lsp_types::{Position, Range};
use std::cell::OnceCell;
use std::collections::{BTreeMap, BTreeSet};

/// The name of the script that is made up to check a used file by itself.
const MADE_UP: &str = "(made up)";

/// A checked document with all it uses.
pub struct Analysis {
    /// What the check found out.
    pub examined: Examined,
    /// Checked as a used file, by a script made up for it.
    pub alone: bool,
    /// The names of all files that it reads, those that are missing too.
    pub reads: Vec<String>,
    lines: Vec<OnceCell<Lines>>,
}

impl Analysis {
    /// Checks a document. `alone` is the first guess at what it is.
    fn new(
        name: &str,
        alone: bool,
        documents: &Documents,
        workspace: &mut dyn Workspace,
    ) -> Option<Analysis> {
        let found = Self::with(name, alone, documents, None, workspace)?;
        let is = found.source(name).and_then(|source| found.file(source));
        let is = is.is_some_and(|file| only_for_use(file, &found.examined.names));
        if is == alone {
            return Some(found);
        }
        Self::with(name, is, documents, None, workspace)
    }

    /// Checks a file as it would be with some texts changed.
    pub fn with(
        name: &str,
        alone: bool,
        documents: &Documents,
        changed: Option<&BTreeMap<String, String>>,
        workspace: &mut dyn Workspace,
    ) -> Option<Analysis> {
        let mut overlay = Overlay { root: name, documents, changed, workspace, reads: Vec::new() };
        let examined = examine(&mut overlay, if alone { MADE_UP } else { name }).ok()?;
        let reads = overlay.reads;
        let lines = examined.prepared.sources.iter().map(|_| OnceCell::new()).collect();
        Some(Analysis { examined, alone, reads, lines })
    }

    /// The id of a file in this check.
    pub fn source(&self, name: &str) -> Option<SourceId> {
        self.examined.prepared.sources.iter().find(|(_, s)| s.name == name).map(|(id, _)| id)
    }

    /// The name of a file; none for what was made up.
    pub fn name(&self, source: SourceId) -> Option<&str> {
        let name = self.examined.prepared.sources.get(source)?.name.as_str();
        (name != MADE_UP).then_some(name)
    }

    /// The tree of a file.
    pub fn file(&self, source: SourceId) -> Option<&File> {
        self.examined.files.iter().find(|(id, _)| *id == source).map(|(_, file)| file)
    }

    /// The text of a file.
    pub fn text(&self, source: SourceId) -> &str {
        self.examined.prepared.sources.get(source).map_or("", |s| &s.text)
    }

    /// The words under a span.
    pub fn slice(&self, span: Span) -> &str {
        self.examined.prepared.sources.slice(span)
    }

    /// A span as the protocol counts.
    pub fn range(&self, span: Span) -> Range {
        let text = self.text(span.source);
        match self.lines.get(span.source.0 as usize) {
            Some(lines) => lines.get_or_init(|| Lines::new(text)).range(text, span.range()),
            None => Range::default(),
        }
    }

    /// The byte at a position.
    pub fn offset(&self, source: SourceId, position: Position) -> usize {
        let text = self.text(source);
        let lines = self.lines.get(source.0 as usize);
        lines.map_or(0, |lines| lines.get_or_init(|| Lines::new(text)).offset(text, position))
    }
}

/// A file that holds routines, and nothing that a used file may not hold.
fn only_for_use(file: &File, names: &Names) -> bool {
    let mut routines = 0;
    let only = file.statements.iter().all(|statement| match &statement.kind {
        StatementKind::Routine(_) => {
            routines += 1;
            true
        }
        StatementKind::Let { mutable: false, value, .. } => {
            let mut constant = true;
            each_expression(value, &mut |e| {
                if let ExpressionKind::Call { name, .. } = &e.kind {
                    let text = names.text(name.symbol);
                    let builtin = builtins::table().iter().find(|b| b.name == text);
                    constant &= builtin.is_some_and(|b| b.effects.is_empty());
                }
            });
            constant
        }
        StatementKind::Use { .. } | StatementKind::Allow { .. } | StatementKind::Broken => true,
        _ => false,
    });
    only && routines > 0
}

/// Texts of the editor before those of the disk.
struct Overlay<'a> {
    root: &'a str,
    documents: &'a Documents,
    changed: Option<&'a BTreeMap<String, String>>,
    workspace: &'a mut dyn Workspace,
    reads: Vec<String>,
}

impl Files for Overlay<'_> {
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<Text, FileError> {
        let name = match from {
            None if path == MADE_UP => {
                return Ok(Text { name: path.to_string(), text: "use \"it\"\n".to_string() });
            }
            None => path.to_string(),
            Some(MADE_UP) => self.root.to_string(),
            Some(from) => self.workspace.resolve(from, path),
        };
        self.reads.push(name.clone());
        if let Some(text) = self.changed.and_then(|changed| changed.get(&name)) {
            return Ok(Text { name, text: text.clone() });
        }
        match self.documents.get(&name) {
            Some(document) if document.text.len() > CHECKED_MOST => {
                Err(format!("{name} is too large to be checked while it is edited").into())
            }
            Some(document) => Ok(Text { name, text: document.text.clone() }),
            None => match from {
                Some(from) if from != MADE_UP => self.workspace.read(Some(from), path),
                _ => self.workspace.read(None, &name),
            },
        }
    }
}

/// The checks of all open documents.
#[derive(Default)]
pub struct Analyses {
    known: BTreeMap<String, Analysis>,
    /// Documents that were checked as used files last time.
    alone: BTreeSet<String>,
    /// Documents that checks began with last time.
    roots: BTreeSet<String>,
}

impl Analyses {
    /// A file has changed, was opened, or was closed.
    pub fn forget(&mut self, name: &str) {
        self.known.retain(|_, analysis| !analysis.reads.iter().any(|read| read == name));
    }

    /// Brings the checks up to date.
    pub fn refresh(&mut self, documents: &Documents, workspace: &mut dyn Workspace) {
        self.known.retain(|name, _| documents.contains_key(name));
        self.alone.retain(|name| documents.contains_key(name));
        // What a check began with most likely still covers what it uses.
        let before = documents.keys().filter(|name| self.roots.contains(*name));
        let others = documents.keys().filter(|name| !self.roots.contains(*name));
        let order: Vec<&String> = before.chain(others).collect();
        for name in order {
            let large = documents.get(name).is_none_or(|d| d.text.len() > CHECKED_MOST);
            if large || self.covering(name).is_some() {
                continue;
            }
            // It is most likely what it was before the last key was pressed.
            let alone = self.alone.contains(name);
            let Some(analysis) = Analysis::new(name, alone, documents, workspace) else { continue };
            if analysis.alone {
                self.alone.insert(name.clone());
            } else {
                self.alone.remove(name);
            }
            self.known.insert(name.clone(), analysis);
        }
        let names: Vec<String> = self.known.keys().cloned().collect();
        for name in names {
            let covered = self
                .known
                .iter()
                .any(|(other, analysis)| *other != name && analysis.source(&name).is_some());
            if covered {
                self.known.remove(&name);
            }
        }
        self.roots = self.known.keys().cloned().collect();
    }

    /// The check that covers a file.
    pub fn covering(&self, name: &str) -> Option<(&Analysis, SourceId)> {
        if let Some(analysis) = self.known.get(name) {
            return analysis.source(name).map(|source| (analysis, source));
        }
        self.known.values().find_map(|analysis| Some((analysis, analysis.source(name)?)))
    }

    /// The document that the check of a file begins with, and whether that is a used file.
    pub fn root(&self, name: &str) -> Option<(&str, bool)> {
        let covers = |(root, a): &(&String, &Analysis)| *root == name || a.source(name).is_some();
        let own = self.known.get_key_value(name);
        let (root, analysis) = own.or_else(|| self.known.iter().find(covers))?;
        Some((root, analysis.alone))
    }

    /// All checks, with the names of the documents that they began with.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &Analysis)> {
        self.known.iter().map(|(name, analysis)| (name.as_str(), analysis))
    }
}
