//! Runs a checked program: the tree is linked once into typed closures, and these are called.
//! Uses the checked program, the built-ins' functions, the station and the decision of checks.
//!
//! Numbers are untagged doubles and every variable has a slot for good, because routines never
//! call themselves. What a closure would fetch from a variable or a constant is folded into
//! it, so that a line of arithmetic is a handful of calls.

mod events;
mod link;
mod machine;
mod memory;
mod run;
mod step;
#[cfg(test)]
mod tests;

pub use events::{Bound, Check, Event, Measured, Observer, answer_line, answer_text};
pub use run::{run, run_keeping, run_with};
pub use step::{Moment, Stepper};
