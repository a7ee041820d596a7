//! Words of other languages, and what is meant here, as `foreign.md` tells it.

/// Where a word stands; the heading of its section.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Foreign {
    /// Where a statement begins.
    Statement,
    /// As the name of a routine.
    Routine,
    /// As the name of a value.
    Value,
}

/// What is meant by a word that other languages have.
pub(crate) fn foreign(place: Foreign, word: &str) -> Option<&'static str> {
    let heading = format!("## {place:?}s");
    let lines = include_str!("foreign.md").lines().skip_while(|line| *line != heading).skip(1);
    let section = lines.take_while(|line| !line.starts_with('#'));
    section.filter_map(|line| line.strip_prefix("- ")?.split_once(": ")).find_map(
        |(words, meant)| {
            words.split(", ").any(|known| known.trim_matches('`') == word).then_some(meant)
        },
    )
}

#[cfg(test)]
mod tests {
    use super::{Foreign, foreign};

    #[test]
    fn words_of_other_languages_are_told_apart() {
        let routine = |name| foreign(Foreign::Routine, name);
        assert_eq!(routine("ceil"), Some("it is called `ceiling`"));
        assert_eq!(routine("println"), Some("a line is printed with `note \"...\"`"));
        assert!(routine("maximum").is_some_and(|meant| meant.contains("largest(xs)")));
        assert!(
            ["", "`", "max,", "maxi", "-", "elif"].into_iter().all(|name| routine(name).is_none())
        );
        assert_eq!(foreign(Foreign::Statement, "elif"), Some("write `else if`"));
        assert_eq!(foreign(Foreign::Value, "True"), Some("it is written `true`"));
    }
}
