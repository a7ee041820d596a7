//! Optics and units against outside references, and the tables that pages show.

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

#[path = "../support/mod.rs"]
mod support;

mod documents;
mod optics_advice;
mod units_outside;
