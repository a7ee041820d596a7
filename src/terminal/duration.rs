//! How long a script takes at most: the time, what adds most to it, and how it depends on params.

use crate::terminal::{DIM, styled};
use spintrue_head::{Dimension, show_number};
use spintrue_language::{
    BoundFor, BoundFormula, BoundTerm, Program, SourceMap, Span, TimeBound, UnknownTime,
};

/// Places that are listed.
const MAX_PLACES: usize = 3;
/// Characters of the script's text.
const MAX_EXCERPT: usize = 60;

/// A longest time, rounded up: `16.3 s`, `1 min 52 s`, `2 h 5 min`.
pub(crate) fn text(seconds: f64) -> String {
    // The margin for rounding of clocks must not show.
    let up = |count: f64| (count * (1.0 - 1e-6)).ceil();
    if seconds < 0.1 {
        return format!("{} ms", show_number(up(seconds * 1e5) / 100.0, None));
    }
    let tenths = up(seconds * 10.0);
    if tenths < 600.0 {
        return format!("{} s", show_number(tenths / 10.0, None));
    }
    let whole = up(seconds);
    let (minutes, rest) = ((whole / 60.0).floor(), whole % 60.0);
    if minutes < 60.0 {
        return parts(minutes, "min", rest, "s");
    }
    if seconds >= 360_000.0 {
        return format!("{} h", show_number(up(seconds / 3600.0), None));
    }
    let minutes = up(seconds / 60.0);
    parts((minutes / 60.0).floor(), "h", minutes % 60.0, "min")
}

fn parts(large: f64, large_unit: &str, small: f64, small_unit: &str) -> String {
    let large = show_number(large, None);
    if small == 0.0 {
        return format!("{large} {large_unit}");
    }
    format!("{large} {large_unit} {} {small_unit}", show_number(small, None))
}

/// The script's text at a place, on one line and shortened.
fn excerpt(sources: &SourceMap, span: Span) -> String {
    let text = sources.slice(span).split_whitespace().collect::<Vec<_>>().join(" ");
    if text.chars().count() <= MAX_EXCERPT {
        return text;
    }
    text.chars().take(MAX_EXCERPT - 3).chain("...".chars()).collect()
}

/// Why no bound is known at a place.
pub(crate) fn unknown_bound(unknown: &UnknownTime, sources: &SourceMap) -> String {
    let what = match unknown.what {
        BoundFor::Wait => "how long this waits",
        BoundFor::Loop => "how often this loop runs",
        BoundFor::Depth => return "calls and blocks nest too deep here to be followed".to_string(),
    };
    match unknown.from {
        Some(from) => format!("{what} is known only once `{}` has run", excerpt(sources, from)),
        None => format!("{what} changes while the script runs"),
    }
}

/// The longest time and what adds most to it, or why no bound is known.
pub(crate) fn explained(
    bound: &TimeBound,
    program: Option<&Program>,
    sources: &SourceMap,
    colour: bool,
) -> String {
    let (headline, lines): (String, Vec<String>) = match bound.most {
        Some(most) => {
            let places = bound.contributions.iter().take(MAX_PLACES).map(|part| {
                let by = part.span.map_or("to make the head safe at the end".to_string(), |span| {
                    format!("by `{}` at {}", excerpt(sources, span), sources.place(span))
                });
                let from = part.call.map(|call| format!(", called at {}", sources.place(call)));
                format!("    {:<11} {by}{}", text(part.seconds), from.unwrap_or_default())
            });
            let formula = bound
                .formula
                .iter()
                .map(|formula| format!("    that is {}", formula_text(formula, program)));
            (
                format!("  takes at most {} on this head, computing not counted\n", text(most)),
                places.chain(formula).collect(),
            )
        }
        None => {
            let unknown = bound.unknown.iter().take(MAX_PLACES).map(|unknown| {
                let (at, here) = (sources.place(unknown.span), excerpt(sources, unknown.span));
                format!("    `{here}` at {at}: {}", unknown_bound(unknown, sources))
            });
            ("  no bound on its duration is known\n".to_string(), unknown.collect())
        }
    };
    let lines = lines.iter().map(|line| format!("{}\n", styled(line, DIM, colour)));
    headline + &lines.collect::<String>()
}

/// `rounds × 3.1 s + watch + 45 s, with speed as it is`.
fn formula_text(formula: &BoundFormula, program: Option<&Program>) -> String {
    let params = program.map(|program| program.params.as_slice()).unwrap_or_default();
    let name = |index: &usize| params.get(*index).map_or("?", |param| &*param.name).to_string();
    let term = |term: &BoundTerm| {
        let mut factors: Vec<String> = term.params.iter().map(name).collect();
        let size = term.factor.abs();
        let is_time = |p: &usize| {
            params.get(*p).is_some_and(|param| param.dimension == Some(Dimension::TIME))
        };
        if !term.params.iter().any(is_time) {
            factors.push(text(size));
        } else if size != 1.0 {
            factors.push(show_number(size, None));
        }
        factors.join(" × ")
    };
    let mut all = String::new();
    for one in &formula.terms {
        let sign = match (all.is_empty(), one.factor < 0.0) {
            (true, false) => "",
            (true, true) => "-",
            (false, false) => " + ",
            (false, true) => " - ",
        };
        if one.factor != 0.0 {
            all.push_str(&format!("{sign}{}", term(one)));
        }
    }
    if !formula.held.is_empty() {
        let held: Vec<String> = formula.held.iter().map(name).collect();
        all.push_str(&format!(", with {} as set", held.join(", ")));
    }
    all
}

#[cfg(test)]
mod tests {
    use super::text;

    #[test]
    fn times_are_rounded_up() {
        assert_eq!(text(0.02), "20 ms");
        assert_eq!(text(20.0 * (1.0 + 1e-9)), "20 s");
        assert_eq!(text(16.21), "16.3 s");
        assert_eq!(text(59.99), "1 min");
        assert_eq!(text(111.2), "1 min 52 s");
        assert_eq!(text(7_441.0), "2 h 5 min");
        assert_eq!(text(4.0e5), "112 h");
    }
}
