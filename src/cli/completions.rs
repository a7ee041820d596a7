//! `completions`: what a shell completes behind the name of the program.

use super::Arguments;
use crate::error::Error;
use crate::terminal::emit;
use clap::{Args, CommandFactory};
use clap_complete::{Shell, generate};

#[derive(Args)]
#[command(after_help = include_str!("help/completions.txt"))]
pub(super) struct Options {
    shell: Shell,
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let mut text = Vec::new();
    generate(options.shell, &mut Arguments::command(), "spintrue", &mut text);
    emit(&String::from_utf8_lossy(&text));
    Ok(0)
}
