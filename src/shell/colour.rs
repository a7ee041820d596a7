//! Colours of an entry while it is typed. They carry no meaning of their own.

use crate::shell::commands;
use spintrue_language::{HighlightMark, highlight_marks};

/// An entry with colours.
pub(super) fn coloured(line: &str) -> String {
    let mut text = String::with_capacity(line.len() * 2);
    let mut at = 0;
    let skipped = commands::of(line).map_or(0, |(_, rest)| {
        let word = line.split_whitespace().next().unwrap_or("");
        let start = line.len() - line.trim_start().len();
        text.push_str(line.get(..start).unwrap_or(""));
        text.push_str(&format!("\u{1b}[1m{word}\u{1b}[0m"));
        at = start + word.len();
        line.len() - rest.len()
    });
    for (mark, range) in highlight_marks(line) {
        if range.start < at.max(skipped) {
            continue;
        }
        let style = match mark {
            HighlightMark::Keyword => "1",
            HighlightMark::Called => "36",
            HighlightMark::Quantity => "35",
            HighlightMark::Text => "32",
            HighlightMark::Comment => "2",
        };
        text.push_str(line.get(at..range.start).unwrap_or(""));
        let piece = line.get(range.clone()).unwrap_or("");
        text.push_str(&format!("\u{1b}[{style}m{piece}\u{1b}[0m"));
        at = range.end;
    }
    text.push_str(line.get(at..).unwrap_or(""));
    text
}

#[cfg(test)]
mod tests {
    use super::coloured;

    #[test]
    fn nothing_is_lost() {
        for line in ["spin(4800 rpm) // x", "help spin", "note \"a {b} c", "  quit  ", "µ ° \u{1}"]
        {
            let mut plain = String::new();
            let mut rest = coloured(line);
            while let Some(start) = rest.find('\u{1b}') {
                plain.push_str(&rest[..start]);
                rest = rest[start..].split_once('m').unwrap().1.to_string();
            }
            plain.push_str(&rest);
            assert_eq!(plain, line);
        }
    }
}
