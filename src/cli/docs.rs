//! `docs` and `example`: the pages and scripts that come with the program.

use crate::disk::{Force, Place, check_empty, make_folder};
use crate::error::{Error, invalid};
use crate::shipped::{SCRIPTS, data, pages, scripts, standalone};
use crate::terminal::{emit, named, say};
use clap::Args;
use spintrue_head::nearest_name;
use std::path::{Path, PathBuf};

#[derive(Args)]
#[command(after_help = include_str!("help/docs.txt"))]
pub(super) struct Pages {
    /// The page, such as lines; without it the pages are listed
    page: Option<String>,
}

#[derive(Args)]
#[command(after_help = include_str!("help/example.txt"))]
pub(super) struct Examples {
    /// The script, such as bring_up; without it the scripts are listed
    #[arg(conflicts_with = "all")]
    name: Option<String>,
    /// The file to write; without it the standard output
    file: Option<PathBuf>,
    /// Write all scripts with their library, heads and data into a new folder
    #[arg(long, value_name = "DIR")]
    all: Option<PathBuf>,
    #[command(flatten)]
    force: Force,
}

/// Prints a page as it is written, in Markdown.
pub(super) fn page(options: &Pages) -> Result<u8, Error> {
    let Some(name) = &options.page else {
        let rows = pages().map(|(page, text)| (page.to_string(), first(text, "# ")));
        say(&format!("{}\n`spintrue docs PAGE` prints one.\n", named(&rows.collect::<Vec<_>>())));
        return Ok(0);
    };
    let name = name.strip_prefix("docs/").unwrap_or(name);
    emit(known(pages(), name.strip_suffix(".md").unwrap_or(name), ["page", "docs"])?);
    Ok(0)
}

/// Prints or writes a script that uses the library of the program, or writes all files.
pub(super) fn example(options: &Examples) -> Result<u8, Error> {
    if let Some(folder) = &options.all {
        return all(folder);
    }
    let Some(name) = &options.name else {
        let rows = scripts().map(|(script, text)| (script.to_string(), first(text, "//")));
        say(&format!(
            "{}\n`spintrue example NAME FILE.spt` writes one, and `spintrue example --all scripts` all of them.\n",
            named(&rows.collect::<Vec<_>>())
        ));
        return Ok(0);
    };
    let name = name.strip_suffix(".spt").unwrap_or(name);
    let script = standalone(known(scripts(), name, ["script", "example"])?);
    match &options.file {
        None => emit(&script),
        Some(path) => {
            let folder = path.parent().unwrap_or(Path::new(""));
            for (name, bytes) in data(&script) {
                write(&folder.join(name), bytes, &options.force)?;
            }
            write(path, script.as_bytes(), &options.force)?;
            say(&format!("wrote {0}: run it with `spintrue run {0}`\n", path.display()));
        }
    }
    Ok(0)
}

fn all(folder: &Path) -> Result<u8, Error> {
    write_all(folder, SCRIPTS.iter().copied())?;
    say(&format!("wrote {} files into {}\n", SCRIPTS.len(), folder.display()));
    Ok(0)
}

/// Writes files into a folder that is empty or not there yet.
pub(super) fn write_all<'a>(
    folder: &Path,
    files: impl Iterator<Item = (&'a str, &'a [u8])>,
) -> Result<(), Error> {
    check_empty(folder)?;
    for (name, bytes) in files {
        write(&folder.join(name), bytes, &Force::default())?;
    }
    Ok(())
}

/// Writes a file, and makes its folder where there is none.
fn write(path: &Path, bytes: &[u8], force: &Force) -> Result<(), Error> {
    path.parent().map_or(Ok(()), make_folder)?;
    Place::take(path, force)?.write(bytes)
}

/// The text of a name in a list, which a command lists.
fn known(
    list: impl Iterator<Item = (&'static str, &'static str)>,
    name: &str,
    [what, command]: [&str; 2],
) -> Result<&'static str, Error> {
    let list: Vec<_> = list.collect();
    let text = list.iter().find(|(known, _)| *known == name).map(|(_, text)| *text);
    text.ok_or_else(|| {
        let near = nearest_name(name, list.iter().map(|(known, _)| *known));
        let way = near.map_or_else(
            || format!(": `spintrue {command}` lists them"),
            |near| format!("; did you mean `{near}`?"),
        );
        invalid!("there is no {what} `{name}`{way}")
    })
}

/// The first sentence of the lines at the top that have this mark, without it.
fn first(text: &str, mark: &str) -> String {
    let lines = text.lines().map_while(|line| line.strip_prefix(mark));
    let words: Vec<&str> = lines.map(|line| line.trim_matches(['/', '!', ' '])).collect();
    let words = words.join(" ");
    words.split_once(". ").map_or(words.clone(), |(sentence, _)| format!("{sentence}."))
}
