//! How long a script takes at most, for people: the time, what adds most to it, how it depends on
//! params, and the limit that somebody sets.

use crate::bounds::{Bound, Formula, ParamKind, Term, Unknown, What};
use crate::diagnostics::{Diagnostic, codes};
use crate::session::Prepared;
use crate::source::{SourceMap, Span};
use crate::terminal::{DIM, styled};
use crate::units::{Dimension, parse_quantity, show_number};

/// Places that are named.
const NAMED: usize = 3;
/// Characters of the script's own words.
const WORDS: usize = 60;

/// Reads `--at-most`.
pub(super) fn limit(text: &str) -> Result<f64, String> {
    let (value, unit) = parse_quantity(text).map_err(|error| error.to_string())?;
    let example = "give a time, such as `5min` or `90 s`";
    let Some(unit) = unit else { return Err(format!("a bare number is no time: {example}")) };
    if unit.dimension != Dimension::TIME {
        return Err(format!("this is {}, not time: {example}", unit.dimension.name(&[])));
    }
    if value < 0.0 {
        return Err(format!("a time is not negative: {example}"));
    }
    Ok(value)
}

/// A longest time, rounded up: `16.3 s`, `1 min 52 s`, `2 h 5 min`.
pub(super) fn text(seconds: f64) -> String {
    // What is added for rounding of clocks is not to be seen.
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

/// The script's own words at a place, on one line and not endless.
fn words(sources: &SourceMap, span: Span) -> String {
    let text = sources.slice(span).split_whitespace().collect::<Vec<_>>().join(" ");
    if text.chars().count() <= WORDS {
        return text;
    }
    text.chars().take(WORDS - 3).chain("...".chars()).collect()
}

/// Why no bound is known at a place.
fn why(unknown: &Unknown, sources: &SourceMap) -> String {
    let what = match unknown.what {
        What::Wait => "how long this waits",
        What::Loop => "how often this loop runs",
        What::Depth => return "calls and blocks nest too deep here to be followed".to_string(),
    };
    match unknown.from {
        Some(from) => format!("{what} is known only once `{}` has run", words(sources, from)),
        None => format!("{what} changes while the script runs"),
    }
}

/// What `check` prints.
pub(super) fn explained(bound: &Bound, prepared: &Prepared, colour: bool) -> String {
    let sources = &prepared.sources;
    let mut lines = Vec::new();
    let headline = match bound.most {
        Some(most) => {
            for part in bound.contributions.iter().take(NAMED) {
                let mut line = format!("    {:<11} ", text(part.seconds));
                match part.span {
                    Some(span) => {
                        let place = sources.place(span);
                        line.push_str(&format!("by `{}` at {place}", words(sources, span)));
                    }
                    None => line.push_str("to make the head safe at the end"),
                }
                if let Some(call) = part.call {
                    line.push_str(&format!(", called at {}", sources.place(call)));
                }
                lines.push(line);
            }
            if let Some(formula) = &bound.formula {
                lines.push(format!("    that is {}", formula_text(formula, prepared)));
            }
            format!("  takes at most {} on this head\n", text(most))
        }
        None => {
            for unknown in bound.unknown.iter().take(NAMED) {
                let at = sources.place(unknown.span);
                let here = words(sources, unknown.span);
                lines.push(format!("    `{here}` at {at}: {}", why(unknown, sources)));
            }
            "  no bound on its duration is known\n".to_string()
        }
    };
    let mut all = headline;
    for line in lines {
        all.push_str(&styled(&line, DIM, colour));
        all.push('\n');
    }
    all
}

/// `rounds × 3.1 s + watch + 45 s, with speed as it is`.
fn formula_text(formula: &Formula, prepared: &Prepared) -> String {
    let params = prepared.program.as_ref().map(|p| p.params.as_slice()).unwrap_or_default();
    let name = |index: &usize| params.get(*index).map_or("?", |param| &*param.name).to_string();
    let term = |term: &Term| {
        let mut factors: Vec<String> = term.params.iter().map(name).collect();
        let size = term.factor.abs();
        let time = !term
            .params
            .iter()
            .any(|p| prepared.params.get(*p).is_some_and(|p| p.kind == ParamKind::Time));
        if time {
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

/// Why a limit forbids the script, if it does.
pub(super) fn refused(
    bound: &Bound,
    limit: Option<f64>,
    sources: &SourceMap,
) -> Option<Diagnostic> {
    let limit = limit?;
    let help = "`spintrue check` lists what takes longest";
    match bound.most {
        Some(most) if most <= limit * (1.0 + 1e-6) => None,
        Some(most) => {
            let headline = format!(
                "this script may take {}, more than the {} that `--at-most` allows",
                text(most),
                text(limit)
            );
            let largest = bound.contributions.iter().find_map(|part| {
                let span = part.span?;
                Some((span, part.seconds, part.call))
            });
            let (span, seconds, call) = largest.unwrap_or_default();
            let mut report = Diagnostic::error(codes::TAKES_TOO_LONG, headline, span)
                .here(format!("up to {} of it here", text(seconds)));
            if let Some(call) = call {
                report = report.label(call, "called from here");
            }
            Some(report.help(help).help("or allow more time"))
        }
        None => {
            let unknown = bound.unknown.first()?;
            let headline =
                "how long this script takes has no known bound, so `--at-most` refuses it";
            let mut report = Diagnostic::error(codes::TAKES_TOO_LONG, headline, unknown.span)
                .here(why(unknown, sources));
            if let Some(from) = unknown.from.filter(|from| *from != unknown.span) {
                report = report.label(from, "known only once this has run");
            }
            Some(report.help(
                "limit it with what is known before: a constant, a param, or `smaller(..., limit)`",
            ))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{limit, text};

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

    #[test]
    fn a_limit_is_a_time() {
        assert_eq!(limit("5min"), Ok(300.0));
        assert_eq!(limit("90 s"), Ok(90.0));
        assert!(limit("5mm").unwrap_err().contains("length"));
        assert!(limit("5").unwrap_err().contains("bare number"));
        assert!(limit("-1 s").unwrap_err().contains("negative"));
        assert!(limit("soon").is_err());
    }
}
