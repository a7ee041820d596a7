//! What the line editor knows of the session while somebody types: names, kinds and values as they
//! stood after the last entry.

use crate::check::live::{BRIEF, Kept};
use crate::lsp::describe::Callable;
use crate::program::types::Type;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

/// A value that can be named.
#[derive(Clone, Debug)]
pub struct Name {
    /// Its kind.
    pub kind: String,
    /// Its value.
    pub text: String,
    /// Its fields with their kinds, where it is a record or a list of them.
    pub fields: Vec<(String, String)>,
}

/// Everything that the line editor is told.
#[derive(Clone, Debug, Default)]
pub struct Known {
    /// Values by name.
    pub values: BTreeMap<String, Name>,
    /// Routines by name.
    pub routines: BTreeMap<String, Callable>,
    /// The folder from which `use` takes its paths; empty for the present one.
    pub folder: String,
    /// Signals of the station.
    pub signals: Vec<String>,
    /// Its channels.
    pub channels: Vec<String>,
}

/// What is known, shared with the line editor.
#[derive(Clone, Default)]
pub struct Shared {
    known: Arc<Mutex<Known>>,
    prompt: Arc<Mutex<String>>,
}

impl Shared {
    /// Tells the line editor.
    pub fn set(&self, known: Known) {
        *self.known.lock().unwrap_or_else(PoisonError::into_inner) = known;
    }

    /// Looks at what is known.
    pub fn with<T>(&self, look: impl FnOnce(&Known) -> T) -> T {
        look(&self.known.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// How the head stands now, as it stands before an entry.
    pub fn set_prompt(&self, prompt: String) {
        *self.prompt.lock().unwrap_or_else(PoisonError::into_inner) = prompt;
    }

    /// The words before the entry as they should be now.
    pub fn prompt(&self) -> String {
        self.prompt.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

impl Name {
    /// Of a value.
    pub fn value(kept: &Kept) -> Name {
        let text = kept.text().chars().take(BRIEF).collect();
        Name { kind: kept.kind(), text, fields: fields(kept.kind_of()) }
    }
}

/// The fields of a record, or of the records of a list, with their kinds.
pub fn fields(kind: &Type) -> Vec<(String, String)> {
    match kind {
        Type::Record(record) => {
            let fields = record.fields.iter();
            fields.map(|(name, kind)| (name.to_string(), kind.name(&[]))).collect()
        }
        Type::List(item) => fields(item),
        _ => Vec::new(),
    }
}
