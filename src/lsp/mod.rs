//! The language server: the Language Server Protocol 3.17 over any pair of streams. Uses session
//! and what it hands out: source, diagnostics, syntax, program, check, and the tables of units and
//! builtins. Files come through [`Workspace`], so that this room touches none.
//!
//! `transport` frames messages, `server` runs the loop and dispatches, `documents` keeps the texts
//! as they stand in the editor, `analysis` checks them; each feature has a file of its own.

mod analysis;
mod complete;
pub mod cursor;
pub mod describe;
mod documents;
mod features;
mod hover;
mod navigate;
pub mod outline;
mod place;
mod position;
mod publish;
mod rename;
mod scope;
mod server;
mod signature;
mod style;
mod symbols;
pub mod transport;
mod uri;

pub use server::serve;

use crate::session::Files;

/// The files around the open documents.
pub trait Workspace: Files {
    /// The name of the file that `path` means inside the file `from`, as [`Files::read`] gives it.
    fn resolve(&self, from: &str, path: &str) -> String;

    /// What lies in a folder: names, those of folders with a `/` at the end. Empty where it
    /// cannot be read.
    fn folder(&mut self, folder: &str) -> Vec<String>;

    /// The scripts below a folder, not more than `most`.
    fn scripts(&mut self, folder: &str, most: usize) -> Vec<String>;
}
