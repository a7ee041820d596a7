//! Text of others as people see it: what steers a terminal, turns the direction of a line or shows
//! nothing stands as an escape, such as `\u{1b}`. What machines read is not for this. Pure; uses nothing.

use std::borrow::Cow;

/// Stands for what this program itself says to a terminal: before `[`, digits and `m`. Text of others
/// can change a colour by it, and nothing else.
pub const STEERING: char = '\u{fdd0}';

/// A control character, one that sets the direction of text, one without width, a separator of lines
/// or no character at all (Unicode 15, general categories Cc, Cf, Zl, Zp and default ignorable ones,
/// but for those that choose the look of the character before).
pub fn is_hidden(c: char) -> bool {
    if c.is_ascii() {
        return c.is_control();
    }
    c.is_control()
        || u32::from(c) & 0xfffe == 0xfffe
        || matches!(c,
            '\u{ad}' | '\u{34f}' | '\u{600}'..='\u{605}' | '\u{61c}' | '\u{6dd}' | '\u{70f}'
            | '\u{115f}' | '\u{1160}' | '\u{17b4}' | '\u{17b5}' | '\u{180b}'..='\u{180f}'
            | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}'
            | '\u{3164}' | '\u{fdd0}'..='\u{fdef}' | '\u{feff}' | '\u{ffa0}' | '\u{fff0}'..='\u{fffb}'
            | '\u{1bca0}'..='\u{1bca3}' | '\u{1d173}'..='\u{1d17a}' | '\u{e0000}'..='\u{e0fff}')
}

/// On one line.
pub fn visible_line(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    text.chars().for_each(|c| put(c, &mut out));
    out
}

/// With its line breaks and tabs.
pub fn visible_lines(text: &str) -> Cow<'_, str> {
    let hidden = |c: char| is_hidden(c) && !matches!(c, '\n' | '\t');
    if !text.contains(hidden) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 64);
    for c in text.chars() {
        if hidden(c) { put(c, &mut out) } else { out.push(c) }
    }
    Cow::Owned(out)
}

/// For a terminal: with its line breaks and tabs, and what stands behind [`STEERING`].
pub fn visible_output(text: &str) -> Cow<'_, str> {
    if !text.contains(STEERING) {
        return visible_lines(text);
    }
    let mut pieces = text.split(STEERING);
    let mut out = visible_lines(pieces.next().unwrap_or_default()).into_owned();
    for piece in pieces {
        let digits = |text: &str| text.chars().all(|c| c.is_ascii_digit() || c == ';');
        let style = piece.strip_prefix('[').and_then(|rest| rest.split_once('m'));
        match style.filter(|(style, _)| digits(style)) {
            Some((style, rest)) => {
                out.push_str(&format!("\u{1b}[{style}m"));
                out.push_str(&visible_lines(rest));
            }
            None => {
                put(STEERING, &mut out);
                out.push_str(&visible_lines(piece));
            }
        }
    }
    Cow::Owned(out)
}

fn put(c: char, out: &mut String) {
    if is_hidden(c) { out.extend(c.escape_unicode()) } else { out.push(c) }
}

#[cfg(test)]
mod tests {
    use super::{STEERING, is_hidden, visible_line, visible_lines, visible_output};
    use proptest::prelude::{any, proptest};

    #[test]
    fn what_steers_turns_or_hides_is_escaped() {
        for (c, shown) in [
            ('\u{1b}', "\\u{1b}"),
            ('\u{7}', "\\u{7}"),
            ('\r', "\\u{d}"),
            ('\u{9b}', "\\u{9b}"),
            ('\u{202e}', "\\u{202e}"),
            ('\u{2066}', "\\u{2066}"),
            ('\u{200b}', "\\u{200b}"),
            ('\u{feff}', "\\u{feff}"),
            ('\u{2028}', "\\u{2028}"),
            ('\u{fffe}', "\\u{fffe}"),
            ('\u{10ffff}', "\\u{10ffff}"),
            ('\u{e0041}', "\\u{e0041}"),
        ] {
            let text = format!("a{c}[2Jb");
            let wanted = format!("a{shown}[2Jb");
            assert_eq!(
                [&*visible_lines(&text), &visible_output(&text), &visible_line(&text)],
                [&wanted; 3]
            );
        }
        let plain = "µm ± 1 Ω – “x” é e\u{301} 日本 ❤\u{fe0f}";
        assert_eq!(
            [&*visible_lines(plain), &visible_output(plain), &visible_line(plain)],
            [plain; 3]
        );
        assert_eq!(
            (visible_line("a\n\tb"), &*visible_lines("a\n\tb")),
            ("a\\u{a}\\u{9}b".to_string(), "a\n\tb")
        );
    }

    #[test]
    fn only_what_is_said_on_purpose_steers() {
        let own = format!("{STEERING}[1mbold{STEERING}[0m\u{1b}[2J");
        assert_eq!(visible_output(&own), "\u{1b}[1mbold\u{1b}[0m\\u{1b}[2J");
        for other in ["[2J", "[1A", "[K", "]0;title", "[?25l", "", "[", "[1", "\n", "[1Am"] {
            assert_eq!(
                visible_output(&format!("{STEERING}{other}")),
                format!("\\u{{fdd0}}{other}")
            );
        }
        assert_eq!(visible_lines(&own).matches("\\u{fdd0}").count(), 2);
    }

    proptest! {
        #[test]
        fn nothing_hidden_is_left(text in any::<String>()) {
            assert!(!visible_line(&text).contains(is_hidden));
            assert!(!visible_lines(&text).contains(|c| is_hidden(c) && c != '\n' && c != '\t'));
        }
    }
}
