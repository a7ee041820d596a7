//! Reports of the checker as the protocol carries them.

use crate::lsp::convert::address;
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

/// Codes of what has no effect: editors show it faded.
const UNNECESSARY: &[&str] = &[UNUSED_NAME, UNREACHABLE, UNCALLED_ROUTINE];

/// The reports on every checked file, by its name; a file without any has an empty list.
pub(super) fn reports(
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
        for diagnostic in &analysis.examined.prepared.diagnostics {
            let Some(name) = analysis.name(diagnostic.span().source) else { continue };
            let report = converted.report(diagnostic);
            let known = all.entry(name.to_string()).or_default();
            if !known.contains(&report) {
                known.push(report);
            }
        }
    }
    all
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
        let lines = self.lines.entry(span.source).or_insert_with(|| Lines::new(text));
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
                if let Some(uri) = name.and_then(|name| address(self.documents, name)) {
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
