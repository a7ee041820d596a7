//! spintrue: a small language and interpreter for bringing up polygon scan heads.
//!
//! Source text flows one way: `source → syntax → check → program → interpret → head`.
//! Each room knows only those before it; DEVELOPERS.md has the picture, and
//! `tests/program/tidy.rs` keeps the rule.
//!
//! spintrue is not a safety function. The hardware interlock chain stands on its own;
//! IEC 60825-1, local codes and the laser safety officer decide.

pub mod acceptance;
mod archive;
mod batch;
pub mod bounds;
pub mod builtins;
mod campaign;
pub mod check;
pub mod cli;
pub mod diagnostics;
mod disk;
mod error;
pub mod head;
pub mod ide;
pub mod image;
pub mod interpret;
pub mod lsp;
pub mod operator;
pub mod optics;
pub mod paper;
pub mod program;
pub mod record;
pub mod session;
mod setup;
pub mod shell;
pub mod source;
pub mod statistics;
pub mod syntax;
pub mod terminal;
pub mod units;
pub mod visible;

/// The Rust of the guide is tried as well.
#[cfg(doctest)]
#[doc = include_str!("../docs/heads.md")]
struct Guide;
