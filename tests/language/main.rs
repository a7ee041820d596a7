//! Checks scripts and runs them on simulated heads through the library.

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
#[path = "../support/inside.rs"]
mod inside;
#[path = "../support/mod.rs"]
mod support;

mod bounds;
mod builtins;
mod check;
mod codes;
mod exposure;
mod faults;
mod generate;
mod grammar;
mod interpret;
mod never_unsafe;
mod own_head;
mod proved;
mod reports;
mod sheets;
mod step;
mod trims;
mod trims_honest;
mod verdicts;
