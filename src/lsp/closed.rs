//! Reports on the scripts of the workspace that are not open, for an editor that asks for them. Each check is kept
//! until a file changes that it reads.

use crate::lsp::documents::Documents;
use crate::lsp::publish::Reports;
use lsp_types::Diagnostic;
use spintrue_language::{Analysis, Project, Workspace};
use std::collections::{BTreeMap, BTreeSet};

/// Most scripts that are checked without being open.
const MAX_FILES: usize = 500;

/// The reports by the names of their files.
type ByFile = BTreeMap<String, Vec<Diagnostic>>;

struct Check {
    reads: Vec<String>,
    reports: ByFile,
}

/// The checks of scripts that are not open.
#[derive(Default)]
pub(super) struct Closed {
    checks: BTreeMap<String, Check>,
    /// The editor asks for them, so they are not sent by themselves.
    pub is_asked: bool,
}

impl Closed {
    /// Drops every check that read a file which has changed; tells whether there was one.
    pub(super) fn invalidate(&mut self, name: &str) -> bool {
        let before = self.checks.len();
        self.checks.retain(|_, check| !check.reads.iter().any(|read| read == name));
        self.checks.len() < before
    }

    /// The head is another one.
    pub(super) fn clear(&mut self) {
        self.checks.clear();
    }

    /// The reports on every script of the workspace that no check of an open document covers.
    pub(super) fn reports(
        &mut self,
        project: &Project,
        documents: &Documents,
        related: bool,
        workspace: &mut dyn Workspace,
    ) -> ByFile {
        let is_covered =
            |name: &str| project.documents().contains_key(name) || project.check_of(name).is_some();
        let folders = project.folders.iter();
        let scripts: BTreeSet<String> = folders
            .flat_map(|folder| workspace.scripts(folder, MAX_FILES))
            .filter(|name| !is_covered(name))
            .take(MAX_FILES)
            .collect();
        self.checks.retain(|name, _| scripts.contains(name));
        for name in &scripts {
            if self.checks.contains_key(name) {
                continue;
            }
            let Some(analysis) = Analysis::new(name, false, project.documents(), workspace) else {
                continue;
            };
            project.complete_one(&analysis, &mut || true);
            let mut reports: ByFile = BTreeMap::new();
            let mut converted = Reports::of(&analysis, documents, related);
            for diagnostic in project.reports(&analysis) {
                let Some(file) = analysis.name(diagnostic.span().source) else { continue };
                let report = converted.report(diagnostic);
                reports.entry(file.to_string()).or_default().push(report);
            }
            self.checks.insert(name.clone(), Check { reads: analysis.reads.clone(), reports });
        }
        let mut all: ByFile = scripts.iter().map(|name| (name.clone(), Vec::new())).collect();
        for (name, check) in &self.checks {
            // A script that another one uses is reported with that one.
            let others = self.checks.iter().filter(|(other, _)| *other != name);
            if others.into_iter().any(|(_, other)| other.reads.contains(name)) {
                continue;
            }
            for (file, reports) in check.reports.iter().filter(|(file, _)| !is_covered(file)) {
                let known = all.entry(file.clone()).or_default();
                known.extend(
                    reports.iter().filter(|r| !known.contains(r)).cloned().collect::<Vec<_>>(),
                );
            }
        }
        all
    }
}
