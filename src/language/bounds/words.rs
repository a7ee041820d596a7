//! Longest times in words: how long, and why no bound is known.

use crate::bounds::nodes::{Unknown, What};
use crate::source::SourceMap;
use spintrue_head::show_number;

/// A longest time, rounded up: `16.3 s`, `1 min 52 s`, `2 h 5 min`.
pub fn longest_text(seconds: f64) -> String {
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

/// Why no bound is known at a place.
pub fn unknown_bound(unknown: &Unknown, sources: &SourceMap) -> String {
    let what = match unknown.what {
        What::Wait => "how long this waits",
        What::Loop => "how often this loop runs",
        What::Depth => return "calls and blocks nest too deep here to be followed".to_string(),
    };
    match unknown.from {
        Some(from) => format!("{what} is known only once `{}` has run", sources.excerpt(from)),
        None => format!("{what} changes while the script runs"),
    }
}

#[cfg(test)]
mod tests {
    use super::longest_text;

    #[test]
    fn times_are_rounded_up() {
        assert_eq!(longest_text(0.02), "20 ms");
        assert_eq!(longest_text(20.0 * (1.0 + 1e-9)), "20 s");
        assert_eq!(longest_text(16.21), "16.3 s");
        assert_eq!(longest_text(59.99), "1 min");
        assert_eq!(longest_text(111.2), "1 min 52 s");
        assert_eq!(longest_text(7_441.0), "2 h 5 min");
        assert_eq!(longest_text(4.0e5), "112 h");
    }
}
