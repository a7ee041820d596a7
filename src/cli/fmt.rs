//! `fmt`: writes scripts in the house style.

use crate::cli::files::read_text;
use crate::cli::{FAILED, WRONG};
use crate::head::system::why;
use crate::source::SourceMap;
use crate::syntax::format::{NotFormatted, format};
use crate::terminal::told::rendered;
use crate::terminal::{complain, emit, say};
use clap::Args;
use std::fs::{self, OpenOptions};
use std::io::{ErrorKind, Read, Write, stdin};
use std::path::{Path, PathBuf};

pub(super) const AFTER_HELP: &str = "\
Each file is rewritten in place, and only where something changes; comments stay where they stand.
A file with mistakes is left alone. A file that is `-` is read from standard input and written to
standard output.

Examples:
  spintrue fmt scripts/bring_up.spt
  spintrue fmt --check scripts/*.spt
  spintrue fmt - < scripts/bring_up.spt

Exit codes:
  0    everything is formatted
  1    --check found files that are not
  2    a file has mistakes, or cannot be read or written";

/// What standard input is called.
const STANDARD_INPUT: &str = "-";
/// Largest script that is read, in bytes.
const LARGEST: u64 = 16 * 1024 * 1024;

#[derive(Args)]
pub(super) struct Options {
    /// Scripts to format
    #[arg(required = true, value_name = "FILE")]
    files: Vec<String>,
    /// Changes nothing, lists the files that would change
    #[arg(long)]
    check: bool,
}

pub(super) fn fmt(options: &Options) -> u8 {
    let mut code = 0;
    for file in &options.files {
        let found = match one(file, options.check) {
            Ok(Found::Formatted) => 0,
            Ok(Found::WouldChange) => FAILED,
            Err(why) => {
                complain(&why);
                WRONG
            }
        };
        code = code.max(found);
    }
    code
}

enum Found {
    Formatted,
    WouldChange,
}

/// Formats one file, or says all that is wrong with it.
fn one(file: &str, check: bool) -> Result<Found, String> {
    let wrong = |why: String| format!("error: {why}\n");
    let from_input = file == STANDARD_INPUT;
    let text = if from_input { read_input() } else { read_text(Path::new(file)) }.map_err(wrong)?;
    let mut sources = SourceMap::new();
    let name = if from_input { "standard input" } else { file };
    let source = sources.add(name, text.as_str());
    let formatted = format(source, &text).map_err(|why| match why {
        NotFormatted::Mistakes(mistakes) => rendered(&mistakes, &sources),
        NotFormatted::Changed => wrong(format!("{name} is left alone: {why}")),
    })?;
    if check && formatted != text {
        say(&format!("{name}\n"));
        return Ok(Found::WouldChange);
    }
    if from_input && !check {
        emit(&formatted);
    } else if formatted != text {
        replace(Path::new(file), &formatted)
            .map_err(|why| wrong(format!("{name} cannot be written: {why}")))?;
        say(&format!("formatted {name}\n"));
    }
    Ok(Found::Formatted)
}

fn read_input() -> Result<String, String> {
    let mut bytes = Vec::new();
    stdin()
        .lock()
        .take(LARGEST + 1)
        .read_to_end(&mut bytes)
        .map_err(|error| format!("standard input cannot be read: {}", why(&error)))?;
    if bytes.len() as u64 > LARGEST {
        return Err("standard input is larger than 16 MiB, which no script is".to_string());
    }
    String::from_utf8(bytes).map_err(|error| {
        let good = error.utf8_error().valid_up_to();
        format!("standard input is not UTF-8 text: byte {good} is none of it")
    })
}

/// Replaces a file as a whole, so that no reader ever finds half of it. A link stays a link, and
/// the permissions stay.
fn replace(path: &Path, text: &str) -> std::io::Result<()> {
    let path = fs::canonicalize(path)?;
    let permissions = fs::metadata(&path)?.permissions();
    if permissions.readonly() {
        return Err(std::io::Error::from(ErrorKind::PermissionDenied));
    }
    let beside = beside(&path);
    let written =
        OpenOptions::new().write(true).create_new(true).open(&beside).and_then(|mut file| {
            file.write_all(text.as_bytes())?;
            file.set_permissions(permissions)?;
            file.sync_all()
        });
    let replaced = written.and_then(|()| fs::rename(&beside, &path));
    if replaced.as_ref().is_err_and(|why| why.kind() != ErrorKind::AlreadyExists) {
        let _ = fs::remove_file(&beside);
    }
    replaced
}

/// A new name in the folder of a file.
fn beside(path: &Path) -> PathBuf {
    let mut name = std::ffi::OsString::from(".");
    name.push(path.file_name().unwrap_or_default());
    name.push(format!(".{}.new", std::process::id()));
    path.with_file_name(name)
}
