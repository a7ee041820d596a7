//! Widths of texts in columns, as a terminal shows them (Unicode Standard Annex 11), and lines that are
//! broken between words where a terminal would break them anywhere.

use spintrue_head::STEERING;
use unicode_width::UnicodeWidthChar;

/// Columns of a character; one that shows nothing stands for a blank until it is printed.
fn columns_of(c: char) -> usize {
    c.width().unwrap_or(1)
}

/// Columns that a text takes; styles take none.
pub(crate) fn width(text: &str) -> usize {
    plain(text).map(|(_, c)| columns_of(c)).sum()
}

/// As much of a text from its beginning as fits into so many columns.
pub(crate) fn fitting(text: &str, columns: usize) -> &str {
    text.get(..end_of(text, columns)).unwrap_or(text)
}

/// A text with blanks behind it, up to so many columns.
pub(crate) fn padded(text: &str, columns: usize) -> String {
    format!("{text}{}", " ".repeat(columns.saturating_sub(width(text))))
}

/// Where the characters end that fit into so many columns.
fn end_of(text: &str, columns: usize) -> usize {
    let mut taken = 0;
    for (at, c) in plain(text) {
        taken += columns_of(c);
        if taken > columns {
            return at;
        }
    }
    text.len()
}

/// The characters that take columns, with their places: without styles.
fn plain(text: &str) -> impl Iterator<Item = (usize, char)> + '_ {
    let mut in_style = false;
    text.char_indices().filter(move |(_, c)| {
        let was = in_style;
        in_style = *c == STEERING || (in_style && *c != 'm');
        !was && *c != STEERING
    })
}

/// Breaks lines between words that a terminal of so many columns would break anywhere. What goes on below hangs
/// at a column, or a little further in than its beginning.
pub(crate) fn folded(text: &str, columns: usize, hang: Option<usize>) -> String {
    let mut out = String::with_capacity(text.len());
    for line in text.split_inclusive('\n') {
        let (mut rest, end) = line.strip_suffix('\n').map_or((line, ""), |line| (line, "\n"));
        let lead = rest.len() - rest.trim_start_matches(' ').len();
        let indent = " ".repeat(hang.unwrap_or(lead + 2).min(columns / 2));
        let mut room = columns;
        loop {
            let most = end_of(rest, room);
            if most == rest.len() {
                break;
            }
            // A blank right behind what fits is left out as well. A word that is too long stays whole.
            let lead = rest.len() - rest.trim_start_matches(' ').len();
            let fits = rest.get(lead..=most).or(rest.get(lead..most)).unwrap_or_default();
            let behind = || Some(most + rest.get(most..)?.find(' ')?);
            let Some(at) = fits.rfind(' ').map(|at| lead + at).or_else(behind) else { break };
            let (line, more) = rest.split_at(at);
            out.push_str(line.trim_end());
            out.push('\n');
            out.push_str(&indent);
            rest = more.trim_start();
            room = columns - indent.len();
        }
        out.push_str(rest);
        out.push_str(end);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::{fitting, folded, width};
    use crate::terminal::styled;

    /// Widths of U+6F22 and U+5B57 by UAX 11: W, two columns each.
    #[test]
    fn wide_characters_take_two_columns_and_styles_none() {
        assert_eq!(width("漢字 mm"), 7);
        assert_eq!(width(&styled("µm", "1;31", true)), 2);
        assert_eq!(fitting("漢字漢字", 5), "漢字");
    }

    #[test]
    fn lines_break_between_words_only() {
        for columns in [20, 60, 80, 120] {
            let words =
                ["spindle", "漢字漢字", "12.5 µm", "a", "worst"].map(|word| word.to_string());
            let text = format!("   {}\n", words.join(" ").repeat(9));
            let broken = folded(&text, columns, None);
            assert!(broken.lines().all(|line| width(line) <= columns), "{broken}");
            let bare = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
            assert_eq!(bare(&broken), bare(&text));
        }
        assert_eq!(folded("a bc\n  de fg hi\n", 7, None), "a bc\n  de fg\n   hi\n");
        assert_eq!(folded("abcdefghij", 5, None), "abcdefghij");
        assert_eq!(folded("abcdefghij kl mn op", 6, None), "abcdefghij\n  kl\n  mn\n  op");
        // A long line costs no more than its length.
        let long = "word ".repeat(200_000);
        assert!(folded(&long, 80, Some(3)).lines().count() > 10_000);
    }
}
