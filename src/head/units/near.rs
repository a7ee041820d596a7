//! Near names: what a misspelt word probably means. Every "did you mean" asks here.

/// The known name nearest to a misspelt one, if one is near enough to be meant.
pub fn nearest_name<'a>(wrong: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let lower = wrong.to_lowercase();
    let words = |name: &str| {
        let mut words: Vec<String> = name.split(['_', '-', ' ']).map(str::to_lowercase).collect();
        words.sort();
        words
    };
    let known: Vec<&str> = known.into_iter().collect();
    // The same words in another order or style.
    let wrong_words = words(wrong);
    if let Some(same) = known
        .iter()
        .find(|name| name.len() == wrong.len() && **name != wrong && words(name) == wrong_words)
    {
        return Some(same);
    }
    let wrong_length = wrong.chars().count();
    let enough = |candidate: &&str| {
        let own_length = candidate.chars().count();
        let length = wrong_length.min(own_length);
        // Two letters are near a third one behind them.
        let short = length == 2 && candidate.starts_with(wrong);
        let max = (length / 3).max(usize::from(length > 2 || short));
        *candidate != wrong
            && wrong_length.abs_diff(own_length) <= max
            && letter_distance(&lower, &candidate.to_lowercase()) <= max
    };
    // Among those, people get the beginning of a word right.
    known
        .into_iter()
        .filter(enough)
        .map(|candidate| (strsim::jaro_winkler(&lower, &candidate.to_lowercase()), candidate))
        .max_by(|a, b| a.0.total_cmp(&b.0).then_with(|| b.1.cmp(a.1)))
        .map(|(_, candidate)| candidate)
}

/// How many letters must be changed, added, left out or exchanged to make one word of the other.
pub fn letter_distance(a: &str, b: &str) -> usize {
    strsim::damerau_levenshtein(a, b)
}
