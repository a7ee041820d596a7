//! What an editor understands and asks for, as it says when it begins.

use crate::lsp::position::Encoding;
use serde_json::Value;
use spintrue_language::HeadAsked;
use thiserror::Error;

/// What an editor understands.
#[derive(Clone, Debug, Default)]
pub(super) struct Editor {
    /// What positions count: the first of the editor's choices that is known here.
    pub encoding: Encoding,
    /// It puts the cursor where a snippet says.
    pub snippets: bool,
    /// It shows further places of a report.
    pub related: bool,
    /// It reports changed files on request.
    pub watches: bool,
    /// It asks for the reports on open documents, so they are not sent by themselves.
    pub pulls: bool,
    /// What it can be told to ask for again: `diagnostics`, `inlayHint`, `codeLens`.
    pub refreshed: Vec<&'static str>,
}

/// What may have to be asked for again.
const REFRESHED: [(&str, &str); 3] = [
    ("diagnostic", "/capabilities/workspace/diagnostics/refreshSupport"),
    ("inlayHint", "/capabilities/workspace/inlayHint/refreshSupport"),
    ("codeLens", "/capabilities/workspace/codeLens/refreshSupport"),
];

impl Editor {
    /// Reads the parameters of `initialize`; what makes no sense there counts as not said.
    pub(super) fn of(params: &Value) -> Editor {
        let can = |path: &str| params.pointer(path).and_then(Value::as_bool).unwrap_or(false);
        let encodings = params.pointer("/capabilities/general/positionEncodings");
        let encodings = encodings.and_then(Value::as_array).into_iter().flatten();
        let mut known = encodings.filter_map(|name| Encoding::named(name.as_str()?));
        let document = "/capabilities/textDocument";
        let refreshed = REFRESHED.iter().filter(|(_, path)| can(path)).map(|(what, _)| *what);
        Editor {
            encoding: known.next().unwrap_or_default(),
            snippets: can(&format!("{document}/completion/completionItem/snippetSupport")),
            related: can(&format!("{document}/publishDiagnostics/relatedInformation"))
                || can(&format!("{document}/diagnostic/relatedInformation")),
            watches: can("/capabilities/workspace/didChangeWatchedFiles/dynamicRegistration"),
            pulls: params.pointer(&format!("{document}/diagnostic")).is_some_and(Value::is_object),
            refreshed: refreshed.collect(),
        }
    }
}

/// Options of `initialize` that cannot be read.
#[derive(Debug, Error)]
pub(super) enum WrongOptions {
    #[error("the initialization options are no object: {{\"head\": \"sim:FILE.toml\"}}")]
    Object,
    #[error("the option `head` is no text: \"sim:FILE.toml\"")]
    Head,
    #[error("the option `fixtures` is no list of texts: [\"FILE.toml\"]")]
    Fixtures,
}

/// The head that the options of `initialize` ask for: `{"head": ADDRESS, "fixtures": [FILE, …]}`.
///
/// # Errors
/// What is wrong with them.
pub(super) fn head_asked(options: Option<&Value>) -> Result<HeadAsked, WrongOptions> {
    let Some(options) = options.filter(|options| !options.is_null()) else {
        return Ok(HeadAsked::default());
    };
    if !options.is_object() {
        return Err(WrongOptions::Object);
    }
    let address = match options.get("head") {
        None | Some(Value::Null) => None,
        Some(Value::String(address)) if address.is_empty() => None,
        Some(Value::String(address)) => Some(address.clone()),
        Some(_) => return Err(WrongOptions::Head),
    };
    let fixtures = match options.get("fixtures") {
        None | Some(Value::Null) => Vec::new(),
        Some(Value::Array(files)) => {
            let files = files.iter().map(|file| file.as_str().map(str::to_string));
            files.collect::<Option<_>>().ok_or(WrongOptions::Fixtures)?
        }
        Some(_) => return Err(WrongOptions::Fixtures),
    };
    Ok(HeadAsked { address, fixtures, folder: None })
}
