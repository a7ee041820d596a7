//! What the line editor knows of the session: names, kinds and values as they stood after the last
//! entry, and the prompt as it should be now.

use spintrue_language::NameScope;
use std::sync::{Arc, Mutex, PoisonError};

/// What the line editor knows.
#[derive(Clone, Debug, Default)]
pub(super) struct PromptContext {
    /// Values and routines by name.
    pub scope: NameScope,
    /// The folder from which `use` takes its paths; empty for the present one.
    pub folder: String,
    /// Signals of the station.
    pub signals: Vec<String>,
    /// Its channels.
    pub channels: Vec<String>,
    /// The prompt of an entry.
    pub prompt: String,
}

/// What is known, shared with the thread of the line editor.
#[derive(Clone, Default)]
pub(super) struct Shared(Arc<Mutex<PromptContext>>);

impl Shared {
    /// Reads or changes what is known.
    pub(super) fn with<T>(&self, work: impl FnOnce(&mut PromptContext) -> T) -> T {
        work(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// The prompt of an entry as it should be now.
    pub(super) fn prompt(&self) -> String {
        self.with(|known| known.prompt.clone())
    }
}
