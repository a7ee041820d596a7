//! Words that reports offer: near names, names from elsewhere, lists.

use crate::check::Checker;

/// How many known names a check compares with misspelt ones, so that a file of nothing but unknown
/// names takes no time that grows with its square.
const MAX_COMPARED: usize = 300_000;

impl Checker<'_> {
    /// The known name nearest to a misspelt one, as long as the check may go on comparing.
    pub(super) fn near_name<'n>(
        &self,
        wrong: &str,
        known: impl Iterator<Item = &'n str>,
    ) -> Option<&'n str> {
        let compared = &self.compared;
        if compared.get() >= MAX_COMPARED {
            return None;
        }
        near(wrong, known.inspect(|_| compared.set(compared.get() + 1)))
    }
}

/// The candidate nearest to a misspelt name, if one is near enough to be meant.
pub(crate) fn near<'a>(wrong: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let lower = wrong.to_lowercase();
    let wrong_length = wrong.chars().count();
    let enough = |candidate: &&str| {
        let own_length = candidate.chars().count();
        let length = wrong_length.min(own_length);
        let most = (length / 3).max(usize::from(length > 2));
        *candidate != wrong
            && wrong_length.abs_diff(own_length) <= most
            && strsim::damerau_levenshtein(&lower, &candidate.to_lowercase()) <= most
    };
    // Among those, people get the beginning of a word right.
    known
        .filter(enough)
        .map(|candidate| (strsim::jaro_winkler(&lower, &candidate.to_lowercase()), candidate))
        .max_by(|a, b| a.0.total_cmp(&b.0).then_with(|| b.1.cmp(a.1)))
        .map(|(_, candidate)| candidate)
}

/// What is meant by the name of a routine in other languages.
pub(super) fn elsewhere(name: &str) -> Option<&'static str> {
    Some(match name {
        "max" | "maximum" => "the larger of two is `larger(a, b)`, of a list `largest(xs)`",
        "min" | "minimum" => "the smaller of two is `smaller(a, b)`, of a list `smallest(xs)`",
        "std" | "stdev" | "stddev" | "sd" => "the standard deviation is `deviation(xs)`",
        "quantile" | "quantiles" => "the value below 90 % of a list is `percentile(xs, 90 %)`",
        "polyfit" | "linregress" => "a straight line is fitted by `linear_fit(xs, ys)`",
        "average" | "avg" => "the average is `mean(xs)`",
        "len" | "length" | "size" => "the number of elements is `count(xs)`",
        "append" | "push" | "add" => "a list grows with `xs = xs + [x]`",
        "range" => "a range is written `0..n`: from 0 up to but without n",
        "print" | "println" | "printf" | "echo" => "a line is printed with `note \"...\"`",
        "sleep" | "delay" => "time passes with `wait 200 ms`",
        "assert" => "a check is `expect \"label\": value <= limit`",
        "round" => "`rounded(x, step: 0.1 mm)` rounds to whole steps",
        "ceil" => "it is called `ceiling`",
        "log" => "the natural logarithm is `ln(x)`, the decimal one `log10(x)`",
        "pow" => "a whole power is written `x^2`; others are `power(x, 0.5)`",
        "atan2" | "atan" => "it is called `arctan(y, x)`",
        "asin" | "acos" => "they are called `arcsin` and `arccos`",
        "pi" => "half a turn is `180 deg`; as a plain number `180 deg / 1 rad`",
        "stop" | "halt" => "the polygon is stopped by `brake()`, or runs out after `coast()`",
        _ => return None,
    })
}

/// What is meant by the name of a value in other languages.
pub(super) fn value_elsewhere(name: &str) -> Option<&'static str> {
    Some(match name {
        "True" | "TRUE" => "it is written `true`",
        "False" | "FALSE" => "it is written `false`",
        "null" | "nil" | "None" | "NULL" => {
            "every value is there; keep a flag beside it, or use an empty list"
        }
        "end" | "endif" | "done" => "a block ends with `}`",
        _ => return None,
    })
}

/// "a length", "an angle", "text", "D^2".
pub(super) fn with_article(name: &str) -> String {
    match name.chars().next() {
        _ if name == "nothing" || name == "text" || name == "something unknown" => name.to_string(),
        Some(first) if first.is_uppercase() => name.to_string(),
        Some('a' | 'e' | 'i' | 'o' | 'u') => format!("an {name}"),
        _ => format!("a {name}"),
    }
}

/// `1 argument`, `2 arguments`.
pub(super) fn count(number: usize, noun: &str) -> String {
    format!("{number} {noun}{}", if number == 1 { "" } else { "s" })
}

/// A list in words: "`a`, `b` and `c`".
pub(super) fn listed(items: &[String]) -> String {
    match items {
        [] => "none".to_string(),
        [one] => format!("`{one}`"),
        [first @ .., last] => {
            let first: Vec<String> = first.iter().map(|i| format!("`{i}`")).collect();
            format!("{} and `{last}`", first.join(", "))
        }
    }
}
