//! What comes with the program: the library that scripts use by `std/`, scripts to start from, and the pages of the
//! documentation.

include!(concat!(env!("OUT_DIR"), "/shipped.rs"));

/// The folder of the library, as scripts name it.
pub(crate) const STANDARD: &str = "std/";

/// Texts of a list whose names have this folder and ending, which are left out of the names.
fn texts(
    list: &'static [(&'static str, &'static [u8])],
    folder: &'static str,
    ending: &'static str,
) -> impl Iterator<Item = (&'static str, &'static str)> {
    list.iter().filter_map(move |(name, bytes)| {
        let stem = name.strip_prefix(folder)?.strip_suffix(ending)?;
        Some((stem, std::str::from_utf8(bytes).ok().filter(|_| !stem.contains('/'))?))
    })
}

/// Pages of the documentation: name without ending, and text.
pub(crate) fn pages() -> impl Iterator<Item = (&'static str, &'static str)> {
    texts(PAGES, "", ".md")
}

/// Scripts to start from: name without ending, and text.
pub(crate) fn scripts() -> impl Iterator<Item = (&'static str, &'static str)> {
    texts(SCRIPTS, "", ".spt")
}

/// Files of the library: name without ending, and text.
pub(crate) fn library() -> impl Iterator<Item = (&'static str, &'static str)> {
    texts(SCRIPTS, "lib/", ".spt")
}

/// A script as it runs anywhere: its library is the one of the program.
pub(crate) fn standalone(script: &str) -> String {
    script.replace("use \"lib/", &format!("use \"{STANDARD}"))
}
