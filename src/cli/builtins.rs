//! `builtins`: lists the built-ins, or explains one.

use crate::error::{Error, invalid};
use crate::terminal::reference::{explained, fields, keyword, overview};
use crate::terminal::{colour_output, say};
use clap::Args;
use spintrue_head::nearest_name;
use spintrue_language::{Keyword, builtin_named, builtin_records, builtins};

#[derive(Args)]
#[command(after_help = include_str!("help/builtins.txt"))]
pub(super) struct Options {
    /// A built-in, a record or a keyword
    name: Option<String>,
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let colour = colour_output();
    let Some(name) = &options.name else {
        say(&overview(colour));
        say("\n`[x: ...]` may be left out. `spintrue builtins NAME` explains one.\n");
        return Ok(0);
    };
    if let Some(found) = Keyword::of(name) {
        say(&keyword(found, colour));
        return Ok(0);
    }
    let builtin = builtin_named(name);
    let record = builtin_records().iter().find(|r| r.name == name);
    if builtin.is_none() && record.is_none() {
        let known =
            builtins().iter().map(|b| b.name).chain(builtin_records().iter().map(|r| r.name));
        let way = match nearest_name(name, known) {
            Some(near) => format!("did you mean `{near}`?"),
            None => "`spintrue builtins` lists them all".to_string(),
        };
        return Err(invalid!("there is no built-in and no record `{name}`; {way}"));
    }
    if let Some(builtin) = builtin {
        say(&explained(builtin, colour));
    }
    if let Some(record) = record {
        say(&fields(record, colour));
    }
    Ok(0)
}
