//! The text that other languages put together from a text and values: by conversions, as in
//! `printf("n = %d", n)` and `"{:.2f}".format(x)`, or one piece after the other.

use crate::syntax::foreign::line::{Captures, Line, closes, opens};
use crate::syntax::raw::Raw;
use std::ops::Range;

/// What parts the pieces of a text.
const PARTS: [&str; 2] = [",", ".."];
/// Calls that make a text of a value.
const TO_TEXT: [&str; 6] = ["str(", "string(", "num2str(", "tostring(", "to_string(", "text("];
/// A piece that ends a line, which `note` does by itself.
const LINE_ENDS: [&str; 4] = ["endl", "std::endl", "\"\\n\"", "'\\n'"];

impl Line<'_> {
    /// The text that `TEXT` and `REST`, or `X`, make, its pieces with blanks between them where a comma parts
    /// them and `blanks` are asked for; none where its conversions and its values do not go together.
    pub(super) fn said(&self, captures: &Captures, blanks: bool) -> Option<String> {
        let range = |hole| captures.iter().find(|(known, _)| *known == hole);
        let rest = range("REST").or_else(|| range("X"));
        let rest = rest.map_or(0..0, |(_, range)| range.clone());
        // `%` takes what stands right behind it, and no sum.
        let before = rest.start.checked_sub(1).map_or(0..0, |before| before..rest.start);
        if self.written(before.clone()) == "%" && self.is_loose(rest.clone()) {
            return None;
        }
        let in_list = self.written(before.clone()) == "[";
        let mut values = self.pieces(rest, in_list)?;
        if let Some((_, text)) = range("TEXT") {
            let text = self.written(text.clone());
            let plain: Vec<&str> = values.iter().map(|(_, value)| *value).collect();
            if let Some(filled) = filled(inside(text)?, &plain)? {
                return Some(filled);
            }
            if let Some((part, _)) = values.first_mut() {
                *part = self.written(before).to_string();
            }
            values.insert(0, (String::new(), text));
        }
        together(&values, blanks)
    }

    /// The pieces of a text, or values, that are parted in no bracket, each with what parts it from the one before;
    /// none where one has a name, or a text stands beside another piece with nothing between, but in a list.
    fn pieces(&self, range: Range<usize>, in_list: bool) -> Option<Vec<(String, &str)>> {
        let (mut all, mut start, mut depth) = (Vec::new(), range.start, 0_usize);
        let mut part = String::new();
        for at in range.clone() {
            let lexeme = self.lexemes.get(at)?;
            if depth == 0 && lexeme.raw == Raw::Assign {
                return None;
            }
            let shifts = |at: usize| self.written(at..at + 2) == "<<";
            let here = self.written(at..at + 1);
            let parts = PARTS.contains(&here) || shifts(at) || at > range.start && shifts(at - 1);
            if depth == 0 && parts {
                all.push((std::mem::replace(&mut part, here.to_string()), self.written(start..at)));
                start = at + 1;
            }
            let text_at = |at: usize, end: Raw| {
                let raw = self.lexemes.get(at).map(|lexeme| lexeme.raw);
                raw == Some(end) || self.written(at..at + 1).starts_with('\'')
            };
            let beside = depth == 0 && at > start && !parts;
            if beside && (text_at(at, Raw::Quote) || text_at(at - 1, Raw::Unquote)) {
                if !in_list {
                    return None;
                }
                all.push((std::mem::take(&mut part), self.written(start..at)));
                start = at;
            }
            depth += usize::from(opens(lexeme.raw));
            depth = depth.saturating_sub(usize::from(closes(lexeme.raw)));
        }
        all.push((part, self.written(start..range.end)));
        all.retain(|(_, piece)| !piece.is_empty());
        Some(all)
    }
}

/// What stands in the quotes of a text.
fn inside(text: &str) -> Option<&str> {
    let within = |mark| {
        let inside = text.strip_prefix(mark)?.strip_suffix(mark)?;
        (!inside.contains([mark, '"'])).then_some(inside)
    };
    within('"').or_else(|| within('\''))
}

/// Pieces one after the other.
fn together(pieces: &[(String, &str)], blanks: bool) -> Option<String> {
    let mut text = String::new();
    for (part, piece) in pieces.iter().filter(|(_, piece)| !LINE_ENDS.contains(piece)) {
        if blanks && part == "," && !text.is_empty() {
            text.push(' ');
        }
        text.push_str(&shown(piece, None)?);
    }
    (!text.is_empty()).then(|| format!("\"{}\"", text.strip_suffix("\\n").unwrap_or(&text)))
}

/// A value in braces, or the inside of a text.
fn shown(value: &str, decimals: Option<&str>) -> Option<String> {
    if value.starts_with(['"', '\'']) {
        return inside(value).map(str::to_string);
    }
    let lower = value.to_ascii_lowercase();
    let call = TO_TEXT.iter().find(|call| lower.starts_with(**call));
    let bare = call.and_then(|call| value.get(call.len()..)?.strip_suffix(')'));
    let value = bare.filter(|bare| !bare.contains(['(', ')', ','])).unwrap_or(value);
    Some(match decimals {
        Some(decimals) => format!("{{{value} : {decimals}}}"),
        None => format!("{{{value}}}"),
    })
}

/// A text with values in the places of its conversions; inside it is none where it has no conversions, and
/// outside where they do not go with the values.
fn filled(text: &str, values: &[&str]) -> Option<Option<String>> {
    let (mut out, mut rest, mut next) = (String::new(), text, values.iter());
    while let Some(at) = rest.find(['%', '{']) {
        out.push_str(rest.get(..at)?);
        rest = rest.get(at..)?;
        if let Some(behind) = rest.strip_prefix("%%") {
            (out, rest) = (out + "%", behind);
            continue;
        }
        let found = match rest.strip_prefix('{') {
            Some(behind) => braces(behind),
            None => rest.strip_prefix('%').and_then(conversion),
        };
        match found {
            Some((decimals, behind)) => {
                out.push_str(&shown(next.next()?, decimals)?);
                rest = behind;
            }
            None if rest.starts_with("{:") => return None,
            None => {
                let (sign, behind) = rest.split_at(1);
                (out, rest) = (out + sign, behind);
            }
        }
    }
    if next.len() == values.len() && !values.is_empty() {
        return Some(None);
    }
    out.push_str(rest);
    let out = out.strip_suffix("\\n").unwrap_or(&out);
    (next.len() == 0).then(|| Some(format!("\"{out}\"")))
}

/// `-8.3f`, behind its `%`: the decimals, and what follows.
fn conversion(text: &str) -> Option<(Option<&str>, &str)> {
    let is_sign = |c: char| c.is_ascii_digit() || "-+ #.hl".contains(c);
    let end = text.find(|c| !is_sign(c))?;
    let (flags, behind) = text.split_at(end);
    let letter = behind.chars().next().filter(|c| "diufFeEgGsv".contains(*c))?;
    // `35 % of` has a share in it.
    if flags.starts_with(' ') {
        return None;
    }
    let decimals = flags.split_once('.').map(|(_, digits)| digits.trim_end_matches(['h', 'l']));
    let decimals = decimals.filter(|digits| "fFeE".contains(letter) && !digits.is_empty());
    Some((decimals, behind.get(1..)?))
}

/// `}`, `0}` or `:.2f}`, behind its brace: the decimals, and what follows.
fn braces(text: &str) -> Option<(Option<&str>, &str)> {
    let (said, behind) = text.split_once('}')?;
    let (place, spec) = said.split_once(':').unwrap_or((said, ""));
    let is_spec = spec.bytes().all(|b| b.is_ascii_digit() || b".<>^+-,fdgse?".contains(&b));
    let is_place = place.bytes().all(|b| b.is_ascii_digit());
    let decimals =
        spec.split_once('.').map(|(_, rest)| rest.trim_end_matches(['f', 'e', 'g', 's']));
    (is_spec && is_place).then_some((decimals.filter(|d| !d.is_empty()), behind))
}
