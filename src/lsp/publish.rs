//! Reports of the checker as the protocol carries them.

use crate::lsp::documents::Documents;
use crate::lsp::position::Lines;
use lsp_types::{
    DiagnosticRelatedInformation, DiagnosticSeverity, DiagnosticTag, Location, NumberOrString,
    Range,
};
use spintrue_language::{
    Analysis, Diagnostic, MAX_CHECKED, Project, Severity, SourceId, Span, UNCALLED_ROUTINE,
    UNREACHABLE, UNUSED_NAME,
};
use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};

/// Codes of what has no effect: editors show it faded.
const UNNECESSARY: &[&str] = &[UNUSED_NAME, UNREACHABLE, UNCALLED_ROUTINE];

/// The reports that an editor has, so that nothing is told twice.
#[derive(Default)]
pub(super) struct Told {
    files: BTreeMap<String, Report>,
}

/// What was told last of a file.
struct Report {
    version: Option<i32>,
    diagnostics: Vec<lsp_types::Diagnostic>,
}

/// The id of some reports: the same where they are the same.
pub(super) fn id_of(diagnostics: &[lsp_types::Diagnostic]) -> String {
    let mut hasher = DefaultHasher::new();
    serde_json::to_string(diagnostics).unwrap_or_default().hash(&mut hasher);
    format!("{:016x}", hasher.finish())
}

impl Told {
    /// The reports on every checked file and on every file that was told of, by its name; a file without
    /// any has an empty list.
    pub(super) fn reports(
        &self,
        project: &Project,
        documents: &Documents,
        related: bool,
    ) -> BTreeMap<String, Vec<lsp_types::Diagnostic>> {
        let mut all: BTreeMap<String, Vec<lsp_types::Diagnostic>> = BTreeMap::new();
        for (name, text) in project.documents() {
            let reports = all.entry(name.clone()).or_default();
            if text.len() > MAX_CHECKED {
                reports.push(too_large());
            }
        }
        for (_, analysis) in project.checks() {
            let mut converted = Reports::of(analysis, documents, related);
            for diagnostic in project.reports(analysis) {
                let Some(name) = analysis.name(diagnostic.span().source) else { continue };
                let report = converted.report(diagnostic);
                let known = all.entry(name.to_string()).or_default();
                if !known.contains(&report) {
                    known.push(report);
                }
            }
        }
        for name in self.files.keys() {
            all.entry(name.clone()).or_default();
        }
        all
    }

    /// The editor has other reports on a file, or has them for another version of it.
    pub(super) fn is_news(
        &self,
        name: &str,
        version: Option<i32>,
        diagnostics: &[lsp_types::Diagnostic],
    ) -> bool {
        let told = self.files.get(name);
        told.is_none_or(|told| told.version != version || told.diagnostics != diagnostics)
    }

    /// The editor has asked for the reports on a version of a file, and would get others now.
    pub(super) fn is_stale(
        &self,
        name: &str,
        version: Option<i32>,
        diagnostics: &[lsp_types::Diagnostic],
    ) -> bool {
        let told = self.files.get(name);
        told.is_some_and(|told| told.version == version && told.diagnostics != diagnostics)
    }

    /// Files that are not open and have reports.
    pub(super) fn not_open(&self) -> Vec<String> {
        let told = self.files.iter().filter(|(_, told)| told.version.is_none());
        told.map(|(name, _)| name.clone()).collect()
    }

    /// Tells the reports on a file.
    pub(super) fn tell(
        &mut self,
        name: String,
        version: Option<i32>,
        diagnostics: Vec<lsp_types::Diagnostic>,
    ) {
        if diagnostics.is_empty() && version.is_none() {
            self.files.remove(&name);
        } else {
            self.files.insert(name, Report { version, diagnostics });
        }
    }
}

/// The reports of a check as the protocol carries them.
pub(super) struct Reports<'a> {
    analysis: &'a Analysis,
    documents: &'a Documents,
    /// The editor shows further places of a report.
    related: bool,
    lines: BTreeMap<SourceId, Lines<'a>>,
}

fn too_large() -> lsp_types::Diagnostic {
    let mib = MAX_CHECKED / 1024 / 1024;
    lsp_types::Diagnostic {
        range: Range::default(),
        severity: Some(DiagnosticSeverity::INFORMATION),
        source: Some("spintrue".to_string()),
        message: format!(
            "larger than {mib} MiB: not checked while you type; `spintrue check` reads it"
        ),
        ..lsp_types::Diagnostic::default()
    }
}

impl<'a> Reports<'a> {
    pub(super) fn of(analysis: &'a Analysis, documents: &'a Documents, related: bool) -> Self {
        Reports { analysis, documents, related, lines: BTreeMap::new() }
    }

    pub(super) fn range(&mut self, span: Span) -> Range {
        let text = self.analysis.text(span.source);
        let lines = self.lines.entry(span.source).or_insert_with(|| self.documents.lines(text));
        lines.range(span.range())
    }

    pub(super) fn report(&mut self, diagnostic: &Diagnostic) -> lsp_types::Diagnostic {
        let mut message = diagnostic.headline.clone();
        if let Some(first) = diagnostic.labels.first().filter(|label| !label.text.is_empty()) {
            message.push_str(&format!("\n{}", first.text));
        }
        let mut information = Vec::new();
        for label in diagnostic.labels.iter().skip(1) {
            if self.related {
                let name = self.analysis.name(label.span.source);
                if let Some(uri) = name.and_then(|name| self.documents.address(name)) {
                    let location = Location { uri, range: self.range(label.span) };
                    let message = label.text.clone();
                    information.push(DiagnosticRelatedInformation { location, message });
                }
            } else {
                let place = self.analysis.examined.prepared.sources.place(label.span);
                message.push_str(&format!("\n{place}: {}", label.text));
            }
        }
        for help in &diagnostic.help {
            message.push_str(&format!("\nhelp: {}", help.text));
        }
        let tags = UNNECESSARY.contains(&diagnostic.code).then(|| vec![DiagnosticTag::UNNECESSARY]);
        lsp_types::Diagnostic {
            range: self.range(diagnostic.span()),
            severity: Some(match diagnostic.severity {
                Severity::Error => DiagnosticSeverity::ERROR,
                Severity::Warning => DiagnosticSeverity::WARNING,
            }),
            code: Some(NumberOrString::String(diagnostic.code.to_string())),
            source: Some("spintrue".to_string()),
            message,
            related_information: (!information.is_empty()).then_some(information),
            tags,
            ..lsp_types::Diagnostic::default()
        }
    }
}
