//! Arguments in, exit code out.

mod archive;
mod batch;
mod campaign;
mod cli;
mod disk;
mod error;
mod lsp;
mod modbus;
mod paper;
mod record;
mod setup;
mod shell;
mod terminal;

use std::process::ExitCode;

fn main() -> ExitCode {
    cli::main()
}
