//! The language server: the Language Server Protocol 3.17 over any pair of streams. What it answers
//! comes from `ide`; here are protocol, documents and conversion. Touches no file: those come
//! through [`spintrue_language::Workspace`].
//!
//! `transport` frames messages, `server` runs the loop, `features` is the table of requests. `reading`,
//! `writing` and `showing` answer them; `convert`, `actions` and `publish` turn results into the types of the
//! protocol.

mod actions;
mod closed;
mod convert;
mod documents;
mod editor;
mod features;
mod position;
mod publish;
mod reading;
mod server;
mod showing;
pub(crate) mod transport;
mod uri;
mod writing;

pub(crate) use server::serve;
