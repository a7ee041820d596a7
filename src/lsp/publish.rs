//! Reports of the checker as the protocol carries them.

use crate::diagnostics::{Diagnostic, Severity, codes};
use crate::lsp::analysis::{Analyses, Analysis};
use crate::lsp::documents::{CHECKED_MOST, Documents};
use crate::lsp::navigate::location;
use lsp_types::{
    DiagnosticRelatedInformation, DiagnosticSeverity, DiagnosticTag, NumberOrString, Range,
};
use std::collections::BTreeMap;

/// Codes of what has no effect: editors show it faded.
const UNNECESSARY: &[&str] = &[codes::UNUSED_NAME, codes::UNREACHABLE, codes::UNCALLED_ROUTINE];

/// The reports on every checked file, by its name; a file without any has an empty list.
pub fn reports(
    analyses: &Analyses,
    documents: &Documents,
    related: bool,
) -> BTreeMap<String, Vec<lsp_types::Diagnostic>> {
    let mut all: BTreeMap<String, Vec<lsp_types::Diagnostic>> = BTreeMap::new();
    for (name, document) in documents {
        let reports = all.entry(name.clone()).or_default();
        if document.text.len() > CHECKED_MOST {
            reports.push(too_large());
        }
    }
    for (_, analysis) in analyses.iter() {
        for diagnostic in &analysis.examined.prepared.diagnostics {
            let Some(name) = analysis.name(diagnostic.span().source) else { continue };
            let report = report(diagnostic, analysis, documents, related);
            let reports = all.entry(name.to_string()).or_default();
            if !reports.contains(&report) {
                reports.push(report);
            }
        }
    }
    all
}

fn too_large() -> lsp_types::Diagnostic {
    let mib = CHECKED_MOST / 1024 / 1024;
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

fn report(
    diagnostic: &Diagnostic,
    analysis: &Analysis,
    documents: &Documents,
    related: bool,
) -> lsp_types::Diagnostic {
    let mut message = diagnostic.headline.clone();
    if let Some(first) = diagnostic.labels.first().filter(|label| !label.text.is_empty()) {
        message.push_str(&format!("\n{}", first.text));
    }
    let mut information = Vec::new();
    for label in diagnostic.labels.iter().skip(1) {
        if related {
            if let Some(location) = location(analysis, documents, label.span) {
                let message = label.text.clone();
                information.push(DiagnosticRelatedInformation { location, message });
            }
        } else {
            let place = analysis.examined.prepared.sources.place(label.span);
            message.push_str(&format!("\n{place}: {}", label.text));
        }
    }
    for help in &diagnostic.help {
        message.push_str(&format!("\nhelp: {help}"));
    }
    let tags = UNNECESSARY.contains(&diagnostic.code).then(|| vec![DiagnosticTag::UNNECESSARY]);
    lsp_types::Diagnostic {
        range: analysis.range(diagnostic.span()),
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
