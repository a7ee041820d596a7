//! Names that routines have in other languages, and the built-in that is meant.

/// What is meant by the name of a routine in other languages, as `pages/foreign.md` tells it.
pub(crate) fn foreign_name(name: &str) -> Option<&'static str> {
    include_str!("pages/foreign.md").lines().find_map(|line| {
        let (names, meant) = line.strip_prefix("- ")?.split_once(": ")?;
        let is_one = names.split(", ").any(|known| known.trim_matches('`') == name);
        is_one.then_some(meant)
    })
}

#[cfg(test)]
mod tests {
    use super::foreign_name;

    #[test]
    fn names_of_other_languages_are_told_apart() {
        assert_eq!(foreign_name("ceil"), Some("it is called `ceiling`"));
        assert_eq!(foreign_name("println"), Some("a line is printed with `note \"...\"`"));
        assert!(foreign_name("maximum").is_some_and(|meant| meant.contains("largest(xs)")));
        assert!(
            ["", "`", "max,", "maxi", "-"].into_iter().all(|name| foreign_name(name).is_none())
        );
    }
}
