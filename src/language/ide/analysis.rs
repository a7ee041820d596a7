//! The check of one document with all that it uses. A document is checked as a script, or as a
//! library where it holds only what used files may hold.

use crate::builtins;
use crate::ide::head::Held;
use crate::ide::workspace::Workspace;
use crate::session::{Examined, FileError, Files, Text, examine, mend};
use crate::source::{SourceId, Span};
use crate::syntax::names::Names;
use crate::syntax::tree::{ExpressionKind, File, StatementKind};
use crate::syntax::walk::each_expression;
use std::collections::BTreeMap;

/// Largest document that is checked while it is edited, in bytes.
pub const MAX_CHECKED: usize = 4 * 1024 * 1024;

/// The name of the script that is generated to check a library by itself.
const GENERATED: &str = "(generated)";

/// Texts by the names of their files.
pub(super) type Texts = BTreeMap<String, String>;

/// A checked document with all that it uses.
pub struct Analysis {
    /// The result of the check.
    pub examined: Examined,
    /// Checked as a library, by a script generated for it.
    pub is_library: bool,
    /// The names of all files that it reads, missing ones included.
    pub reads: Vec<String>,
    /// What holds on the head of the project.
    pub(super) held: Held,
}

impl Analysis {
    /// Checks a document. `is_library` is the first guess at what it is.
    pub fn new(
        name: &str,
        is_library: bool,
        documents: &Texts,
        workspace: &mut dyn Workspace,
    ) -> Option<Analysis> {
        let first = Self::with(name, is_library, documents, None, workspace)?;
        let file = first.source(name).and_then(|source| first.file(source));
        let is = file.is_some_and(|file| fits_library(file, &first.examined.names));
        if is == is_library {
            return Some(first);
        }
        Self::with(name, is, documents, None, workspace)
    }

    /// Checks a file as if the texts in `changed` replaced those of their files.
    pub fn with(
        name: &str,
        is_library: bool,
        documents: &Texts,
        changed: Option<&Texts>,
        workspace: &mut dyn Workspace,
    ) -> Option<Analysis> {
        let mut overlay = Overlay { root: name, documents, changed, workspace, reads: Vec::new() };
        let examined = examine(&mut overlay, if is_library { GENERATED } else { name }).ok()?;
        Some(Analysis { examined, is_library, reads: overlay.reads, held: Held::default() })
    }

    /// A document after all safe edits, as `check --fix` makes them; none where it makes none.
    pub fn mended(name: &str, documents: &Texts, workspace: &mut dyn Workspace) -> Option<String> {
        let (changed, reads) = (None, Vec::new());
        let mut overlay = Overlay { root: name, documents, changed, workspace, reads };
        mend(&mut overlay, name, &[]).ok()?.map(|mended| mended.text)
    }

    /// The id of a file in this check.
    pub fn source(&self, name: &str) -> Option<SourceId> {
        self.examined.prepared.sources.iter().find(|(_, s)| s.name == name).map(|(id, _)| id)
    }

    /// The name of a file; none for the generated script.
    pub fn name(&self, source: SourceId) -> Option<&str> {
        let name = self.examined.prepared.sources.get(source)?.name.as_str();
        (name != GENERATED).then_some(name)
    }

    /// The tree of a file.
    pub fn file(&self, source: SourceId) -> Option<&File> {
        self.examined.files.iter().find(|(id, _)| *id == source).map(|(_, file)| file)
    }

    /// The text of a file.
    pub fn text(&self, source: SourceId) -> &str {
        self.examined.prepared.sources.text(source)
    }

    /// The text of a span.
    pub fn slice(&self, span: Span) -> &str {
        self.examined.prepared.sources.slice(span)
    }
}

/// A file that holds routines, and nothing that a used file may not hold.
fn fits_library(file: &File, names: &Names) -> bool {
    let only = file.statements.iter().all(|statement| match &statement.kind {
        StatementKind::Let { mutable: false, value, .. } => {
            let mut constant = true;
            each_expression(value, &mut |e| {
                if let ExpressionKind::Call { name, .. } = &e.kind {
                    let builtin = builtins::named(names.text(name.symbol));
                    constant &= builtin.is_some_and(|b| b.page().effects.is_empty());
                }
            });
            constant
        }
        StatementKind::Routine(_)
        | StatementKind::Use { .. }
        | StatementKind::Allow { .. }
        | StatementKind::Broken => true,
        _ => false,
    });
    only && file.routines().next().is_some()
}

/// Open documents before the files of the workspace.
struct Overlay<'a> {
    root: &'a str,
    documents: &'a Texts,
    changed: Option<&'a Texts>,
    workspace: &'a mut dyn Workspace,
    reads: Vec<String>,
}

impl Files for Overlay<'_> {
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<Text, FileError> {
        let name = match from {
            None if path == GENERATED => {
                return Ok(Text { name: path.to_string(), text: "use \"it\"\n".to_string() });
            }
            None => path.to_string(),
            Some(GENERATED) => self.root.to_string(),
            Some(from) => self.workspace.resolve(from, path),
        };
        self.reads.push(name.clone());
        if let Some(text) = self.changed.and_then(|changed| changed.get(&name)) {
            return Ok(Text { name, text: text.clone() });
        }
        match self.documents.get(&name) {
            Some(text) if text.len() > MAX_CHECKED => {
                Err(format!("{name} is too large to be checked while it is edited").into())
            }
            Some(text) => Ok(Text { name, text: text.clone() }),
            None => match from {
                Some(from) if from != GENERATED => self.workspace.read(Some(from), path),
                _ => self.workspace.read(None, &name),
            },
        }
    }
}
