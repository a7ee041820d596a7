//! `batch`: runs a script on every head of a list.

use crate::batch;
use crate::error::Error;

pub(super) use crate::batch::options::Options;

pub(super) const AFTER_HELP: &str = "\
The list is a CSV file whose first row names the columns: `serial`, where
wanted `head` with an address for each head and `fault` with what is to go wrong
with a simulated one, and params of the script with values as the script writes
them, such as 4800 rpm. All of it is checked before the first head moves.
docs/batch.md tells more.

The same command again goes on where a batch was cut off, however that happened.

Exit codes, the worst of all heads, from good to bad:
  0    every head passed
  4    undecided
  1    failed
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
