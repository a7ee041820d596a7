//! The simulated head: pages, recordings, and what the wire does with a head behind it.

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

#[path = "../support/line.rs"]
mod line;
#[path = "../support/mod.rs"]
mod support;

mod contracts;
mod control;
mod documents;
mod heard;
mod made_safe;
mod paced;
mod recordings;
mod served;
mod stubborn;
