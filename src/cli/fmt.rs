//! `fmt`: formats scripts.

use crate::disk::{Place, read_stdin, read_text, unwritten};
use crate::error::{Error, FAILED, invalid};
use crate::terminal::{emit, say};
use clap::Args;
use spintrue_language::{NotFormatted, SourceMap, format_source};
use std::fs;
use std::io::ErrorKind;
use std::path::Path;

/// The name of the standard input.
pub(super) const STANDARD_INPUT: &str = "-";

#[derive(Args)]
#[command(after_help = include_str!("help/fmt.txt"))]
pub(super) struct Options {
    /// Scripts to format
    #[arg(required = true, value_name = "FILE")]
    files: Vec<String>,
    /// Change nothing, list the files that would change
    #[arg(long)]
    check: bool,
}

pub(super) fn run(options: &Options) -> u8 {
    let one = |file: &String| match format_file(file, options.check) {
        Ok(true) => 0,
        Ok(false) => FAILED,
        Err(error) => {
            error.print();
            error.exit_code()
        }
    };
    options.files.iter().map(one).max().unwrap_or(0)
}

/// Formats one file; false where it would change and only a check is wanted.
fn format_file(file: &str, check: bool) -> Result<bool, Error> {
    let from_input = file == STANDARD_INPUT;
    let text = if from_input { read_stdin() } else { read_text(Path::new(file)) }?;
    let mut sources = SourceMap::new();
    let name = if from_input { "standard input" } else { file };
    let source = sources.add(name, text.as_str());
    let formatted = format_source(source, &text).map_err(|why| match why {
        NotFormatted::Mistakes(mistakes) => Error::reports(mistakes, &sources),
        NotFormatted::Changed => invalid!("{name} is left alone: {why}"),
    })?;
    if check && formatted != text {
        say(&format!("{name}\n"));
        return Ok(false);
    }
    if from_input && !check {
        emit(&formatted);
    } else if formatted != text {
        replace(Path::new(file), &formatted)?;
        say(&format!("formatted {name}\n"));
    }
    Ok(true)
}

/// Replaces a file. A link stays a link.
pub(super) fn replace(path: &Path, text: &str) -> Result<(), Error> {
    let failed = |error| unwritten(path, &error);
    let target = fs::canonicalize(path).map_err(failed)?;
    if fs::metadata(&target).map_err(failed)?.permissions().readonly() {
        return Err(failed(ErrorKind::PermissionDenied.into()));
    }
    Place::replace(&target, text)
}
