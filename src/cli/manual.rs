//! `manual`: a command and its options as a manual page.

use super::Arguments;
use crate::error::{Error, invalid};
use crate::terminal::emit;
use clap::{Args, CommandFactory};
use clap_mangen::Man;

#[derive(Args)]
#[command(after_help = include_str!("help/manual.txt"))]
pub(super) struct Options {
    /// The words of the command, such as `head test`; without them the program itself
    #[arg(value_name = "COMMAND")]
    words: Vec<String>,
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let mut program = Arguments::command();
    program.build();
    let mut asked = &program;
    for word in &options.words {
        asked = asked.find_subcommand(word).ok_or_else(|| {
            let name = asked.get_bin_name().unwrap_or("spintrue");
            invalid!("there is no command `{name} {word}`; `{name} --help` lists them")
        })?;
    }
    let mut page = Vec::new();
    Man::new(asked.clone())
        .source(format!("spintrue {}", env!("CARGO_PKG_VERSION")))
        .render(&mut page)
        .map_err(|error| invalid!("the page cannot be made: {error}"))?;
    emit(&String::from_utf8_lossy(&page));
    Ok(0)
}
