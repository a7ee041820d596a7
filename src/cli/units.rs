//! `units`: lists the unit table.

use crate::terminal::{colour_output, say, units};

pub(super) fn run() -> u8 {
    say(&units::list(colour_output()));
    0
}
