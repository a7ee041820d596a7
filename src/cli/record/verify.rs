//! `record verify`: compares every file of a record with its digest.

use crate::error::{Error, FAILED};
use crate::record::{State, examine};
use crate::terminal::say;
use clap::Args;
use std::path::PathBuf;

pub(super) const AFTER_HELP: &str = "\
Reports what was changed, is missing or was added since the record was written. It cannot tell \
whether the whole record was written anew: the digests have no key.

Exit codes:
  0    the record is complete and unchanged
  1    it is not, or it was never finished
  2    there is no record

Examples:
  spintrue record verify records/SIM-0001";

#[derive(Args)]
pub(super) struct Options {
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
