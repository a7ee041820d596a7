//! The files around the open documents, as the caller sees them.

use crate::ide::head::{HeadAsked, KnownHead};
use crate::session::{FileError, Files};

/// The files around the open documents.
pub trait Workspace: Files {
    /// The name of the file that `path` means inside the file `from`, as [`Files::read`] gives it.
    fn resolve(&self, from: &str, path: &str) -> String;

    /// The names in a folder, those of folders with a `/` at the end. Empty where it cannot be read.
    fn folder(&mut self, folder: &str) -> Vec<String>;

    /// The scripts below a folder, at most `most`.
    fn scripts(&mut self, folder: &str, most: usize) -> Vec<String>;

    /// The head that scripts are held against, from files alone: no head is connected to.
    ///
    /// # Errors
    /// Where a file cannot be read or makes no sense, or where the head is a real one.
    fn head(&mut self, asked: &HeadAsked) -> Result<Box<dyn KnownHead>, FileError>;
}
