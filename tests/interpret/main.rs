//! Runs checked trees put together by hand on a head that keeps a log.

// Tests may panic: that is how they fail.
#![allow(clippy::unwrap_used, clippy::panic)]

mod ask;
mod bounds;
mod flow;
mod guards;
mod head;
mod ran;
mod tree;
mod values;
