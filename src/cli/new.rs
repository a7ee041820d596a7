//! `new`: a folder to start from, with a project file, a script, a library, tests, and what a build server runs.

use crate::cli::docs::write_all;
use crate::error::Error;
use crate::shipped::{scripts, standalone};
use crate::terminal::say;
use clap::Args;
use std::path::PathBuf;

#[derive(Args)]
#[command(after_help = include_str!("help/new.txt"))]
pub(super) struct Options {
    /// The folder, which is made
    folder: PathBuf,
}

/// Files and their texts, but for the script itself.
const FILES: [(&str, &str); 6] = [
    ("spintrue.toml", include_str!("project/spintrue.toml")),
    ("README.md", include_str!("project/README.md")),
    ("lib/product.spt", include_str!("project/product.spt")),
    ("tests/product.spt", include_str!("project/product_test.spt")),
    ("tests/bench.test.toml", include_str!("project/bench.test.toml")),
    ("ci.sh", include_str!("project/ci.sh")),
];

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let folder = &options.folder;
    let script = scripts().find(|(name, _)| *name == "bring_up");
    let script = script.map(|(_, text)| standalone(text)).unwrap_or_default();
    let files = FILES.into_iter().chain([("bring_up.spt", script.as_str())]);
    write_all(folder, files.map(|(name, text)| (name, text.as_bytes())))?;
    say(&format!(
        "made {0}: cd {0}, then `spintrue run bring_up.spt` and `spintrue test`\n",
        folder.display()
    ));
    Ok(0)
}
