//! The language: from source text to a checked program, and its run on a head.

pub mod acceptance;
pub mod banding;
pub mod bounds;
pub mod builtins;
pub mod check;
pub mod diagnostics;
pub mod ide;
pub mod images;
pub mod interpret;
pub mod operator;
pub mod program;
pub mod session;
pub mod source;
pub mod station;
pub mod statistics;
pub mod syntax;
