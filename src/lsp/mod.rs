//! The language server: the Language Server Protocol 3.17 over any pair of streams. What it answers
//! comes from `ide`; here are protocol, documents and conversion. Touches no file: those come
//! through [`spintrue_language::Workspace`].
//!
//! `transport` frames messages, `server` runs the loop, `features` dispatches requests, `convert`,
//! `actions` and `publish` turn results into the types of the protocol.

mod actions;
mod convert;
mod documents;
mod features;
mod position;
mod publish;
mod server;
pub(crate) mod transport;
mod uri;

pub(crate) use server::serve;
