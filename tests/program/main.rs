//! Drives the program as users do: commands, the shell, the language server, servers and clients.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    clippy::disallowed_types,
    missing_docs,
    reason = "a test fails by panicking, and uses files, clocks and sockets"
)]
#![allow(unreachable_pub, reason = "what the tests share says pub")]

#[path = "../support/example.rs"]
mod example;
#[path = "../support/line.rs"]
mod line;
#[path = "../support/program.rs"]
mod program;
#[path = "../support/mod.rs"]
mod support;

mod batch;
mod batch_heads;
mod batch_queue;
mod batch_stations;
mod bounds;
mod changes;
mod charts;
mod cli;
mod computing;
mod documents;
mod dose;
mod explain;
mod explained;
mod fixtures;
mod fmt;
mod formats;
mod gate;
mod gauges;
mod head_expose;
mod helps;
mod history;
mod looks;
mod lsp;
mod memory;
mod mended;
mod nist;
#[cfg(target_os = "linux")]
mod operator;
mod postgres;
mod prints;
mod project;
mod record;
mod recordings;
mod retest;
mod run;
mod shell;
mod simulate;
mod suite;
mod tables;
mod tidy;
mod trends;
mod verify;
mod wire;
