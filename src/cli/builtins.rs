//! `builtins`: lists the built-ins, or explains one.

use spintrue_language::builtins::{records, table};
use crate::error::{Error, invalid};
use spintrue_language::syntax::Keyword;
use crate::terminal::reference::{explained, fields, keyword, overview};
use crate::terminal::{colour_output, say};
use spintrue_head::units::near;
use clap::Args;

pub(super) const AFTER_HELP: &str = "\
Examples:
  spintrue builtins
  spintrue builtins test_line
  spintrue builtins plan            the fields of a record";

#[derive(Args)]
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
    let builtin = table().iter().find(|b| b.name == name);
    let record = records().iter().find(|r| r.name == name);
    if builtin.is_none() && record.is_none() {
        let known = table().iter().map(|b| b.name).chain(records().iter().map(|r| r.name));
        let way = match near(name, known) {
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
