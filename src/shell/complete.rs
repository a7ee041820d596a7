//! Completion: what can be typed at a place, by what the session knows.

use crate::shell::known::Known;

/// Where the completed word begins, and each text with what is shown of it.
pub fn complete(known: &Known, line: &str, at: usize) -> (usize, Vec<(String, String)>) {
    let before = line.get(..at).unwrap_or(line);
    let start = before
        .rfind(|c: char| !(c.is_alphanumeric() || c == '_'))
        .map_or(0, |i| i + before[i..].chars().next().map_or(1, char::len_utf8));
    let word = &before[start..];
    let names = known.values.keys().chain(known.routines.keys());
    let found = names.filter(|name| name.starts_with(word)).map(|n| (n.clone(), n.clone()));
    (start, found.collect())
}
