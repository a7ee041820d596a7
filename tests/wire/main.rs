//! The wire from outside: the program as server and as client, plain sockets between them, and
//! everything that can break there.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    clippy::disallowed_types,
    missing_docs,
    reason = "a test fails by panicking, and tries the product from outside"
)]

mod bench;
mod bounded;
#[cfg(unix)]
mod cable;
mod fake;
mod foreign;
#[cfg(unix)]
mod guess;
mod links;
mod load;
mod others;
mod page;
mod rehearse;
mod safety;
#[cfg(unix)]
mod serial;
mod session;
mod speed;
mod station;
mod stop;
mod told;
