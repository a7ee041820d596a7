//! One plain diagnostic that every stage fills in, its codes, and its renderers: for people
//! (`render`, the sole user of ariadne) and for machines (`json`, `sarif`). Uses source only.

pub(crate) mod codes;
pub(crate) mod fix;
pub(crate) mod json;
pub(crate) mod render;
pub(crate) mod sarif;

use crate::source::Span;

/// How bad it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// The script runs; the reader should look.
    Warning,
    /// The script does not run.
    Error,
}

/// A place in a source with what is to be said of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Label {
    /// The place.
    pub span: Span,
    /// What it says; may be empty.
    pub text: String,
}

/// What to write in place of a part of a source.
#[derive(Clone, Debug, PartialEq)]
pub struct Edit {
    /// What is replaced.
    pub span: Span,
    /// What by.
    pub text: String,
}

/// A way out of what a diagnostic tells.
#[derive(Clone, Debug, PartialEq)]
pub struct Help {
    /// One sentence.
    pub text: String,
    /// Changes that together go this way; empty where they cannot be named.
    pub edits: Vec<Edit>,
    /// The changed source certainly says what was meant, so `check --fix` may make the edits.
    pub is_safe: bool,
}

impl Help {
    /// A way out that cannot be written as edits.
    pub fn new(text: impl Into<String>) -> Help {
        Help { text: text.into(), edits: Vec::new(), is_safe: false }
    }
}

/// One thing worth telling the author of a script.
#[derive(Clone, Debug, PartialEq)]
pub struct Diagnostic {
    /// Stable code such as `E0301`; see [`crate::diagnostics`].
    pub code: &'static str,
    /// Error or warning.
    pub severity: Severity,
    /// One line, in the script's own words, without a full stop.
    pub headline: String,
    /// The first is the main place.
    pub labels: Vec<Label>,
    /// Ways out.
    pub help: Vec<Help>,
}

impl Diagnostic {
    /// An error at a place.
    pub fn error(code: &'static str, headline: impl Into<String>, span: Span) -> Self {
        Self::at(code, Severity::Error, headline.into(), span)
    }

    /// A warning at a place.
    pub fn warning(code: &'static str, headline: impl Into<String>, span: Span) -> Self {
        Self::at(code, Severity::Warning, headline.into(), span)
    }

    fn at(code: &'static str, severity: Severity, headline: String, span: Span) -> Self {
        let labels = vec![Label { span, text: String::new() }];
        Diagnostic { code, severity, headline, labels, help: Vec::new() }
    }

    /// Sets the text of the main label.
    #[must_use]
    pub fn here(mut self, text: impl Into<String>) -> Self {
        if let Some(first) = self.labels.first_mut() {
            first.text = text.into();
        }
        self
    }

    /// Adds a further place.
    #[must_use]
    pub fn label(mut self, span: Span, text: impl Into<String>) -> Self {
        self.labels.push(Label { span, text: text.into() });
        self
    }

    /// Adds a way out.
    #[must_use]
    pub fn help(self, text: impl Into<String>) -> Self {
        self.way_out(Help::new(text))
    }

    /// Adds a way out with an edit after which the source certainly says what was meant.
    #[must_use]
    pub fn fix(self, text: impl Into<String>, span: Span, new: impl Into<String>) -> Self {
        let edits = vec![Edit { span, text: new.into() }];
        self.way_out(Help { text: text.into(), edits, is_safe: true })
    }

    /// Adds a way out with an edit that the author has to choose.
    #[must_use]
    pub fn suggest(self, text: impl Into<String>, span: Span, new: impl Into<String>) -> Self {
        let edits = vec![Edit { span, text: new.into() }];
        self.way_out(Help { text: text.into(), edits, is_safe: false })
    }

    /// Adds a way out.
    #[must_use]
    pub fn way_out(mut self, help: Help) -> Self {
        self.help.push(help);
        self
    }

    /// Adds the name that was probably meant at the main place, or else another way out.
    #[must_use]
    pub fn meant(self, near: Option<&str>, otherwise: impl FnOnce() -> String) -> Self {
        let span = self.span();
        match near {
            Some(near) => self.suggest(format!("did you mean `{near}`?"), span, near),
            None => self.help(otherwise()),
        }
    }

    /// Ways out that an editor can go.
    pub fn fixes(&self) -> impl Iterator<Item = &Help> {
        self.help.iter().filter(|help| !help.edits.is_empty())
    }

    /// It keeps a script from running.
    pub fn is_error(&self) -> bool {
        self.severity == Severity::Error
    }

    /// The main place.
    pub fn span(&self) -> Span {
        self.labels.first().map(|l| l.span).unwrap_or_default()
    }
}
