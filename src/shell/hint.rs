//! Hints: what comes next, dimly behind what is typed.

use crate::shell::known::Known;

/// What to show behind a line.
pub fn hint(_: &Known, _: &str) -> Option<String> {
    None
}
