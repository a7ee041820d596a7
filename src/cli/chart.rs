//! `chart`: a chart that a head exposes, and what a scan of the print tells of each facet.

mod draw;
mod read;
mod report;

use crate::error::Error;
use clap::Subcommand;

#[derive(Subcommand)]
pub(super) enum Command {
    /// Draw a chart that a head exposes, as a one-bit image
    #[command(after_help = include_str!("help/chart_draw.txt"))]
    Draw(draw::Options),
    /// Read a scan of an exposed chart: where each facet draws its lines
    #[command(after_help = include_str!("help/chart_read.txt"))]
    Read(read::Options),
}

pub(super) fn run(command: &Command) -> Result<u8, Error> {
    match command {
        Command::Draw(options) => draw::run(options),
        Command::Read(options) => read::run(options),
    }
}
