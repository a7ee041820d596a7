//! `record verify`: compares every file of a record with its digest.

use crate::error::{Error, FAILED};
use crate::record::{State, examine};
use crate::terminal::say;
use clap::Args;
use std::path::PathBuf;

#[derive(Args)]
pub(crate) struct Options {
    /// The folder of the record
    folder: PathBuf,
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let name = options.folder.display();
    let (what, code) = match examine(&options.folder) {
        State::None(error) => return Err(error),
        State::Unfinished(why) => (format!("UNFINISHED: {why}"), FAILED),
        State::Changed(lines) => {
            let lines: String = lines.iter().map(|line| format!("\n  {line}")).collect();
            (format!("NOT AS IT WAS WRITTEN{lines}"), FAILED)
        }
        State::Whole(manifest) => {
            let (count, verdict) = (manifest.files.len() + 1, &manifest.verdict);
            let what = format!("whole and as it was written, {count} files; verdict: {verdict}");
            (what, 0)
        }
    };
    say(&format!("{name}: {what}\n"));
    Ok(code)
}
