//! The open documents and their checks. A document that another open one uses is checked with
//! that one.

use crate::bounds::Bound;
use crate::diagnostics::Diagnostic;
use crate::ide::analysis::{Analysis, Texts};
use crate::ide::head::KnownHead;
use crate::ide::workspace::Workspace;
use crate::source::SourceId;
use std::collections::{BTreeMap, BTreeSet};

pub use crate::ide::analysis::MAX_CHECKED;

/// The open documents and their checks.
#[derive(Default)]
pub struct Project {
    /// The folders that are searched for users of a name.
    pub folders: Vec<String>,
    documents: Texts,
    checks: BTreeMap<String, Analysis>,
    /// Documents that were checked as libraries last time.
    libraries: BTreeSet<String>,
    /// Documents that checks began with last time.
    roots: BTreeSet<String>,
    /// What scripts are held against.
    head: Option<Box<dyn KnownHead>>,
}

impl Project {
    /// The open documents.
    pub fn documents(&self) -> &Texts {
        &self.documents
    }

    /// Opens a document or replaces its text.
    pub fn set_document(&mut self, name: &str, text: String) {
        self.documents.insert(name.to_string(), text);
        self.invalidate(name);
    }

    /// Closes a document: from now on its file counts.
    pub fn close_document(&mut self, name: &str) {
        self.documents.remove(name);
        self.invalidate(name);
    }

    /// Sets the head that scripts are held against; without one nothing is said of heads.
    pub fn set_head(&mut self, head: Option<Box<dyn KnownHead>>) {
        self.head = head;
        self.checks.clear();
    }

    /// The head that scripts are held against.
    pub fn head(&self) -> Option<&dyn KnownHead> {
        self.head.as_deref()
    }

    /// The head, where a check has something to do there: a library by itself calls nothing.
    fn head_of(&self, analysis: &Analysis) -> Option<&dyn KnownHead> {
        self.head().filter(|_| !analysis.is_library)
    }

    /// The reports on a check, those about the head included as far as they are known.
    pub fn reports<'a>(&'a self, analysis: &'a Analysis) -> impl Iterator<Item = &'a Diagnostic> {
        let (prepared, held) = (&analysis.examined.prepared, &analysis.held);
        let refused = held.refused.get_or_init(|| {
            self.head_of(analysis).map_or(Vec::new(), |head| head.refused(prepared))
        });
        let risky = held.risky.get().into_iter().flatten();
        prepared.diagnostics.iter().chain(refused).chain(risky)
    }

    /// Every report of every check is known.
    pub fn is_complete(&self) -> bool {
        self.checks.values().all(|analysis| analysis.held.risky.get().is_some())
    }

    /// Works out the reports that take a while, until `go_on` says no.
    pub fn complete(&self, go_on: &mut dyn FnMut() -> bool) {
        self.checks.values().all(|analysis| self.complete_one(analysis, go_on));
    }

    /// Works out the reports of one check that take a while; tells whether `go_on` never said no.
    pub fn complete_one(&self, analysis: &Analysis, go_on: &mut dyn FnMut() -> bool) -> bool {
        let risky = &analysis.held.risky;
        if risky.get().is_none() {
            let found = match self.head_of(analysis) {
                Some(head) => head.risky(&analysis.examined.prepared, go_on),
                None => Some(Vec::new()),
            };
            let Some(found) = found else { return false };
            risky.get_or_init(|| found);
        }
        true
    }

    /// How long the script of a check takes at most on the head, where it may run there.
    pub(super) fn bound<'a>(&'a self, analysis: &'a Analysis) -> Option<&'a Bound> {
        let bound = || {
            let head = self.head_of(analysis)?;
            analysis.examined.prepared.bound(head.description())
        };
        analysis.held.bound.get_or_init(bound).as_ref()
    }

    /// Drops every check that read a file which has changed.
    pub fn invalidate(&mut self, name: &str) {
        self.checks.retain(|_, analysis| !analysis.reads.iter().any(|read| read == name));
    }

    /// Brings the checks up to date.
    pub fn refresh(&mut self, workspace: &mut dyn Workspace) {
        let documents = &self.documents;
        self.checks.retain(|name, _| documents.contains_key(name));
        self.libraries.retain(|name| documents.contains_key(name));
        // The check of a former root most likely still covers what it uses.
        let (before, others): (Vec<&String>, Vec<&String>) =
            documents.keys().partition(|name| self.roots.contains(*name));
        for name in before.into_iter().chain(others) {
            let large = documents.get(name).is_none_or(|text| text.len() > MAX_CHECKED);
            if large || covering(&self.checks, name).is_some() {
                continue;
            }
            // It is most likely what it was before the last key was pressed.
            let guess = self.libraries.contains(name);
            let Some(analysis) = Analysis::new(name, guess, documents, workspace) else { continue };
            if analysis.is_library {
                self.libraries.insert(name.clone());
            } else {
                self.libraries.remove(name);
            }
            self.checks.insert(name.clone(), analysis);
        }
        let names: Vec<String> = self.checks.keys().cloned().collect();
        for name in names {
            let mut others = self.checks.iter().filter(|(other, _)| **other != name);
            if others.any(|(_, analysis)| analysis.source(&name).is_some()) {
                self.checks.remove(&name);
            }
        }
        self.roots = self.checks.keys().cloned().collect();
    }

    /// The check that covers a file, with the document that it begins with.
    pub fn check_of(&self, name: &str) -> Option<(&str, &Analysis, SourceId)> {
        covering(&self.checks, name)
    }

    /// All checks, with the names of the documents that they begin with.
    pub fn checks(&self) -> impl Iterator<Item = (&str, &Analysis)> {
        self.checks.iter().map(|(name, analysis)| (name.as_str(), analysis))
    }
}

fn covering<'a>(
    checks: &'a BTreeMap<String, Analysis>,
    name: &str,
) -> Option<(&'a str, &'a Analysis, SourceId)> {
    let own = checks.get_key_value(name);
    own.into_iter()
        .chain(checks)
        .find_map(|(root, analysis)| Some((root.as_str(), analysis, analysis.source(name)?)))
}
