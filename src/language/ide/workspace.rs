//! The files around the open documents, as the caller sees them.

use crate::session::Files;

/// The files around the open documents.
pub trait Workspace: Files {
    /// The name of the file that `path` means inside the file `from`, as [`Files::read`] gives it.
    fn resolve(&self, from: &str, path: &str) -> String;

    /// The names in a folder, those of folders with a `/` at the end. Empty where it cannot be read.
    fn folder(&mut self, folder: &str) -> Vec<String>;

    /// The scripts below a folder, at most `most`.
    fn scripts(&mut self, folder: &str, most: usize) -> Vec<String>;
}
