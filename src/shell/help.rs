//! `help`: what a name means.

use crate::shell::bench::{Bench, Came};
use crate::shell::reader::Reader;
use crate::shell::words::WORDS;
use crate::terminal::say;

/// `help`
pub fn help(_: &mut Bench, _: &mut Reader, _: &str) -> Came {
    for word in WORDS {
        say(&format!("  {:<16} {}\n", format!("{} {}", word.name, word.takes), word.meaning));
    }
    Came::Well
}
