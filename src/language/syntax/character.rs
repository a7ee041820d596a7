//! Characters that no script may hold, and what to say about a strange one.
//! Uses source and diagnostics.

use crate::diagnostics::{Diagnostic, codes};
use crate::source::{SourceId, Span};
use crate::syntax::raw::{Lexeme, Raw};
use crate::syntax::reports::Reports;

/// A control character that is refused everywhere: other line breaks than LF and CRLF, and
/// marks that turn the writing direction and so hide what a line says (Unicode TR 36).
pub(super) fn is_control(c: char) -> bool {
    (c.is_control() && !matches!(c, '\t' | '\n'))
        || matches!(c, '\u{2028}' | '\u{2029}' | '\u{061C}' | '\u{200E}' | '\u{200F}' | '\u{FEFF}')
        || ('\u{202A}'..='\u{202E}').contains(&c)
        || ('\u{2066}'..='\u{2069}').contains(&c)
}

/// So many bytes are passed over at once where all of them are plain.
const PIECE: usize = 64;

/// Reports refused characters, each kind once with its count.
pub(super) fn check(source: SourceId, text: &str, diagnostics: &mut Reports) {
    let mut found: Vec<(char, usize, usize)> = Vec::new();
    let body = text.strip_prefix('\u{FEFF}').unwrap_or(text);
    let skipped = text.len() - body.len();
    let plain = |all: bool, byte: &u8| all & matches!(byte, b'\n' | b'\t' | b' '..=b'~');
    let pieces = body.as_bytes().chunks(PIECE).enumerate();
    let strange = pieces.filter(|(_, piece)| !piece.iter().fold(true, plain));
    for at in strange.flat_map(|(at, piece)| (at * PIECE..).take(piece.len())) {
        let c = body.get(at..).and_then(|rest| rest.chars().next());
        let Some(c) = c.filter(|c| is_control(*c)) else { continue };
        if c == '\r' && body.as_bytes().get(at + 1) == Some(&b'\n') {
            continue;
        }
        match found.iter_mut().find(|(known, _, _)| *known == c) {
            Some((_, _, count)) => *count += 1,
            None => found.push((c, at + skipped, 1)),
        }
    }
    for (c, at, count) in found {
        let span = Span::new(source, at, at + c.len_utf8());
        let (what, help) = describe(c);
        let mut report = Diagnostic::error(
            codes::CONTROL_CHARACTER,
            format!("a script cannot hold {what}"),
            span,
        )
        .help(help);
        report = match count {
            1 => report.here("found here"),
            2 => report.here("found here, and once more in this file"),
            _ => report.here(format!("first found here, {count} times in this file")),
        };
        diagnostics.push(report);
    }
}

fn describe(c: char) -> (String, &'static str) {
    match c {
        '\r' => (
            "a carriage return without a line feed".into(),
            "save the file with LF or CRLF line ends",
        ),
        '\u{0B}' | '\u{0C}' | '\u{85}' | '\u{2028}' | '\u{2029}' => {
            (format!("the line break U+{:04X}", u32::from(c)), "end lines with LF or CRLF only")
        }
        '\0' => ("a zero byte".into(), "scripts are UTF-8; save the file as UTF-8, not UTF-16"),
        '\u{FEFF}' => ("a byte order mark after its beginning".into(), "remove it"),
        c if c.is_control() => (
            format!("the control character U+{:04X}", u32::from(c)),
            "remove it; inside a text use `\\t` or `\\n`",
        ),
        c => (
            format!("the direction mark U+{:04X}", u32::from(c)),
            "remove it; it makes the line read other than it is",
        ),
    }
}

/// A text made fit to stand in a headline.
pub(super) fn shown(text: &str) -> String {
    let shown = text.chars().take(40).map(|c| match is_control(c) || c.is_control() {
        true => format!("U+{:04X}", u32::from(c)),
        false => c.to_string(),
    });
    let mut out: String = shown.collect();
    if text.chars().nth(40).is_some() {
        out.push('…');
    }
    out
}

/// Reports a character that means nothing in code; a run of them once.
pub(super) fn unknown(
    source: SourceId,
    text: &str,
    range: std::ops::Range<usize>,
    last: Option<&Lexeme>,
    diagnostics: &mut Reports,
) {
    let start = range.start;
    let slice = text.get(range).unwrap_or("");
    let Some(c) = slice.chars().next() else {
        return;
    };
    if is_control(c) {
        return;
    }
    if last.is_some_and(|l| l.raw == Raw::Unknown && l.end as usize == start) {
        return;
    }
    let span = Span::new(source, start, start + slice.len());
    let what = if c.is_whitespace() || c.is_control() || !visible(c) {
        format!("the character U+{:04X} means nothing here", u32::from(c))
    } else {
        format!("`{c}` means nothing here")
    };
    let mut report = Diagnostic::error(codes::FOREIGN_CHARACTER, what, span);
    if let Some(help) = advice(c) {
        // The second curly quote of a line is the mistake of the first.
        let told = diagnostics.last().is_some_and(|old| {
            old.help.first().is_some_and(|old| old.text == help)
                && text
                    .get(old.span().start as usize..start)
                    .is_some_and(|between| !between.contains('\n'))
        });
        if told {
            return;
        }
        report = match c.is_whitespace() {
            true => report.fix(help, span, " "),
            false => report.help(help),
        };
    }
    let before = text.get(..start).and_then(|before| before.chars().last());
    let wants = |raw| matches!(raw, Raw::Comma | Raw::Assign | Raw::Operator(_));
    let is_value = last.is_some_and(|last| wants(last.raw));
    if c == '#' && before.is_none_or(char::is_whitespace) && !is_value {
        report = comment(report, span, text.get(start + 1..).unwrap_or(""));
    }
    diagnostics.push(report);
}

/// `# comment`, but not `#define`
fn comment(report: Diagnostic, span: Span, behind: &str) -> Diagnostic {
    let word = behind.split(|c: char| !c.is_alphanumeric()).next().unwrap_or("");
    let directives = ["include", "define", "ifdef", "ifndef", "endif", "if", "else", "pragma"];
    if directives.contains(&word) {
        return report.help("a value is named with `let`, and another file is taken in with `use`");
    }
    let more = behind.chars().take_while(|c| *c == '#').count();
    let span = Span { end: span.end + u32::try_from(more).unwrap_or(0), ..span };
    report.fix("a comment begins with `//`", span, "//")
}

fn visible(c: char) -> bool {
    !matches!(c, '\u{200B}'..='\u{200D}' | '\u{2060}' | '\u{AD}' | '\u{FE00}'..='\u{FE0F}')
}

fn advice(c: char) -> Option<&'static str> {
    Some(match c {
        '“' | '”' | '„' | '«' | '»' => "a text stands in plain double quotes: `\"…\"`",
        '‘' | '’' | '´' => "a text stands in double quotes: `\"…\"`",
        '\\' => "a line goes on after an operator or inside brackets, without a mark",
        '\u{A0}' | '\u{2000}'..='\u{200A}' | '\u{202F}' | '\u{205F}' | '\u{3000}' => {
            "it looks like a blank; replace it by a plain one"
        }
        '$' => "a value is named as it is; in a text it stands in braces: `{speed}`",
        '?' => "a choice between values is `choose(condition, a, b)`",
        c if !visible(c) => "it cannot be seen; remove it",
        _ => return None,
    })
}
