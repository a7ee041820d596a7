//! What the line editor knows of the session: names, kinds and values as they stood after the last
//! entry, and the prompt as it should be now.

use spintrue_language::NameScope;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

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
}

/// What is known, shared with the thread of the line editor.
#[derive(Clone, Default)]
pub(super) struct Shared {
    known: Arc<Mutex<PromptContext>>,
    prompt: Arc<Mutex<String>>,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Shared {
    /// Replaces what is known.
    pub(super) fn set(&self, known: PromptContext) {
        *locked(&self.known) = known;
    }

    /// Reads what is known.
    pub(super) fn with<T>(&self, read: impl FnOnce(&PromptContext) -> T) -> T {
        read(&locked(&self.known))
    }

    /// Sets the prompt of an entry.
    pub(super) fn set_prompt(&self, prompt: String) {
        *locked(&self.prompt) = prompt;
    }

    /// The prompt of an entry as it should be now.
    pub(super) fn prompt(&self) -> String {
        locked(&self.prompt).clone()
    }
}
