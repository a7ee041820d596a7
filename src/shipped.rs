//! What comes with the program: the library that scripts use by `std/`, scripts to start from, and the pages of the
//! documentation.

include!(concat!(env!("OUT_DIR"), "/shipped.rs"));

/// The folder of the library, as scripts name it.
pub(crate) const STANDARD: &str = "std/";

/// The text of a file that holds one.
fn text(bytes: &'static [u8]) -> Option<&'static str> {
    std::str::from_utf8(bytes).ok()
}

/// Texts of a list with this ending, by their names without it; none of a folder below.
fn texts(
    list: &'static [(&'static str, &'static [u8])],
    ending: &'static str,
) -> impl Iterator<Item = (&'static str, &'static str)> {
    list.iter().filter_map(move |(name, bytes)| {
        let stem = name.strip_suffix(ending).filter(|stem| !stem.contains('/'))?;
        Some((stem, text(bytes)?))
    })
}

/// Pages of the documentation: name without ending, and text.
pub(crate) fn pages() -> impl Iterator<Item = (&'static str, &'static str)> {
    texts(PAGES, ".md")
}

/// Scripts to start from: name without ending, and text.
pub(crate) fn scripts() -> impl Iterator<Item = (&'static str, &'static str)> {
    texts(SCRIPTS, ".spt")
}

/// Files of the library: name and text.
pub(crate) fn library() -> impl Iterator<Item = (&'static str, &'static str)> {
    SCRIPTS.iter().filter_map(|(name, bytes)| Some((name.strip_prefix("lib/")?, text(bytes)?)))
}

/// Files with data that a script names.
pub(crate) fn data(script: &str) -> impl Iterator<Item = (&'static str, &'static [u8])> {
    let is_named = |name: &str| script.contains(&format!("\"{name}\"")) && !name.ends_with(".spt");
    SCRIPTS.iter().copied().filter(move |(name, _)| is_named(name))
}

/// A script as it runs anywhere: its library is the one of the program.
pub(crate) fn standalone(script: &str) -> String {
    script.replace("use \"lib/", &format!("use \"{STANDARD}"))
}
