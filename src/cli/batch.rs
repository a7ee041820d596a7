//! `batch`: runs a script on every head of a list.

use crate::batch;
use crate::error::Error;

pub(super) use crate::batch::options::Options;

pub(super) const AFTER_HELP: &str = "\
The list is a CSV file whose first row names the columns: `serial`; optionally \
`head` with an address for each head (else that of --head) and `fault` with \
faults of a simulated one; and params of the script with values as the script \
writes them, such as 4800 rpm. A column overrides a data sheet of --set, and \
--set NAME=VALUE overrides both. Everything is checked before the first head \
moves. docs/batch.md says more.

The same command again goes on with a batch that was interrupted in any way.

Exit codes, that of the worst head, from good to bad:
  0    every head passed
  4    undecided
  1    a check does not conform
  2    the script, the list, an option or a file is wrong
  3    a head failed
  130  interrupted

Examples:
  spintrue batch scripts/bring_up.spt --list heads.csv --record records/week-12
  spintrue batch scripts/accept.spt --list heads.csv --record records/week-12 \\
      --set @scripts/datasheets/ten_facet.toml --archive station.sqlite \\
      --operator night-shift";

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    batch::run(options)
}
