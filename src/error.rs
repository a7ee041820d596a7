//! Why a command cannot do what it was asked: one type for the whole program. [`Error::print`] is
//! the only place where it is rendered.

use crate::terminal::complain;
use crate::terminal::told::rendered;
use spintrue_head::{Fault, SignalsError};
use spintrue_language::{Diagnostic, FileError, SourceMap, Verdict};
use std::ops::Range;

/// Exit code where a check does not conform, or a script is not formatted.
pub(crate) const FAILED: u8 = 1;
/// Exit code where the script, an option or a file is wrong.
pub(crate) const WRONG: u8 = 2;

#[derive(Debug, thiserror::Error)]
pub(crate) enum Error {
    /// An option, a file or something in a file is wrong.
    #[error("{0}")]
    Invalid(String),
    /// Signals to stop cannot be heard.
    #[error(transparent)]
    Signals(#[from] SignalsError),
    /// A script or an image cannot be read.
    #[error(transparent)]
    File(#[from] FileError),
    /// A script, a list or a description has errors.
    #[error("{0}")]
    Reports(Box<Reports>),
    /// There is no head at the address.
    #[error("the head does not answer: {0}")]
    Unreachable(Fault),
    /// The head is there and fails when it is asked what it is.
    #[error("the head does not answer: {0}")]
    HeadFailed(Fault),
}

/// Reports with the texts that they point into.
#[derive(Debug)]
pub(crate) struct Reports {
    diagnostics: Vec<Diagnostic>,
    sources: SourceMap,
    /// What follows from them.
    conclusion: Option<String>,
}

/// An [`Error::Invalid`] with a formatted message.
macro_rules! invalid {
    ($($message:tt)*) => { $crate::error::Error::Invalid(format!($($message)*)) };
}
pub(crate) use invalid;

impl Error {
    /// Reports on texts.
    pub(crate) fn reports(diagnostics: Vec<Diagnostic>, sources: &SourceMap) -> Error {
        let sources = sources.clone();
        Error::Reports(Box::new(Reports { diagnostics, sources, conclusion: None }))
    }

    /// Adds to reports what follows from them.
    pub(crate) fn concluding(mut self, conclusion: impl Into<String>) -> Error {
        if let Error::Reports(reports) = &mut self {
            reports.conclusion = Some(conclusion.into());
        }
        self
    }

    /// Puts what could not be done before the message.
    pub(crate) fn context(self, what: impl std::fmt::Display) -> Error {
        match self {
            Error::Invalid(why) => invalid!("{what}: {why}"),
            other => other,
        }
    }

    pub(crate) fn exit_code(&self) -> u8 {
        match self {
            Error::HeadFailed(_) => Verdict::HeadFailed.exit_code(),
            _ => WRONG,
        }
    }

    /// As it is printed.
    pub(crate) fn rendered(&self) -> String {
        match self {
            Error::Reports(reports) => {
                let Reports { diagnostics, sources, conclusion } = &**reports;
                let conclusion = conclusion.as_ref().map(|text| format!("error: {text}\n"));
                rendered(diagnostics, sources) + &conclusion.unwrap_or_default()
            }
            other => format!("error: {other}\n"),
        }
    }

    /// Prints it to standard error.
    pub(crate) fn print(&self) {
        complain(&self.rendered());
    }
}

impl Reports {
    /// The reports.
    pub(crate) fn diagnostics(&self) -> &[Diagnostic] {
        &self.diagnostics
    }
}

/// The number of the line at which a mistake in a text begins.
pub(crate) fn line_of(text: &str, span: Option<Range<usize>>) -> usize {
    let at = span.map_or(0, |span| span.start);
    text.get(..at).unwrap_or_default().matches('\n').count() + 1
}

impl std::fmt::Display for Reports {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let headlines: Vec<&str> = self.diagnostics.iter().map(|d| d.headline.as_str()).collect();
        f.write_str(&headlines.join("; "))
    }
}
