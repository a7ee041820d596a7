//! The raw scan: bytes to lexemes, context free but for nested text. Two token grammars, code and
//! text, are switched at quotes and braces. Uses source, diagnostics and codes.

use crate::diagnostics::{Diagnostic, codes};
use crate::source::{SourceId, Span};
use crate::syntax::character;
use crate::syntax::keyword::Keyword;
use crate::syntax::reports::Reports;
use crate::syntax::tree::Binary;
use logos::{Lexer, Logos};

/// What a lexeme is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Logos)]
#[logos(skip r"[ \t\r\x0B\x0C]+")]
pub(crate) enum Raw {
    #[token("\n")]
    Newline,
    #[token(";")]
    Semicolon,
    #[regex(r"//[^\n]*", allow_greedy = true)]
    Comment,
    #[token("/*")]
    #[token("(*")]
    #[token("--[[")]
    BlockComment,
    #[regex(r"[A-Za-z_][A-Za-z0-9_]*")]
    Word,
    #[regex(r"[0-9]+(_[0-9]+)*(\.[0-9]+(_[0-9]+)*)?([eE][+-]?[0-9]+)?")]
    Number,
    #[token("\"")]
    Quote,
    #[token("'")]
    #[token("`")]
    Single,
    #[token("(")]
    ParenOpen,
    #[token(")")]
    ParenClose,
    #[token("[")]
    ListOpen,
    #[token("]")]
    ListClose,
    #[token("{")]
    BraceOpen,
    #[token("}")]
    BraceClose,
    #[token(",")]
    Comma,
    #[token(":")]
    Colon,
    #[token(".")]
    Dot,
    #[token("=")]
    Assign,
    #[token("->")]
    Arrow,
    #[token("..", |_| Binary::Range)]
    #[token("==", |_| Binary::Equal)]
    #[token("!=", |_| Binary::Unequal)]
    #[token("<", |_| Binary::Less)]
    #[token("<=", |_| Binary::LessEqual)]
    #[token(">", |_| Binary::Greater)]
    #[token(">=", |_| Binary::GreaterEqual)]
    #[token("+-", |_| Binary::PlusMinus)]
    #[token("+", |_| Binary::Add)]
    #[token("-", |_| Binary::Subtract)]
    #[token("*", |_| Binary::Multiply)]
    #[token("/", |_| Binary::Divide)]
    Operator(Binary),
    #[token("%")]
    Percent,
    #[token("^")]
    Caret,
    /// An operator of other languages.
    #[token("&&")]
    #[token("||")]
    #[token("&")]
    #[token("|")]
    #[token("!")]
    #[token("===")]
    #[token("!==")]
    #[token("=>")]
    #[token("<>")]
    #[token("+=")]
    #[token("-=")]
    #[token("*=")]
    #[token("/=")]
    #[token("++")]
    #[token("**")]
    #[token(":=")]
    #[token("...")]
    #[token("..=")]
    Foreign,
    /// Any character outside ASCII; the scan makes words of what can be in a name.
    #[regex(r"[^\x00-\x7F]")]
    Wide,
    /// A character that means nothing here; reported.
    Unknown,
    /// Characters and escapes inside a text.
    Plain,
    /// `{` inside a text.
    ValueOpen,
    /// `}` that ends it.
    ValueClose,
    /// The `"` a text ends with; empty where it was missing.
    Unquote,
}

/// The grammar inside a text.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Logos)]
enum Text {
    #[regex(r#"[^"\\{}\n]+"#)]
    #[regex(r#"\\[^\n]"#)]
    Plain,
    #[token("\\")]
    Dangling,
    #[token("{")]
    Open,
    #[token("}")]
    Close,
    #[token("\"")]
    Quote,
    #[token("\n")]
    Newline,
}

/// A lexeme and its bytes.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Lexeme {
    /// What it is.
    pub raw: Raw,
    /// First byte.
    pub start: u32,
    /// One past the last byte.
    pub end: u32,
}

impl Lexeme {
    /// Its bytes, for slicing.
    pub(crate) fn range(&self) -> std::ops::Range<usize> {
        self.start as usize..self.end as usize
    }
}

/// A text that is open, with what is open inside its braces.
struct Open {
    quote: usize,
    brace: usize,
    depth: u32,
}

struct Scan<'s> {
    source: SourceId,
    text: &'s str,
    lexemes: Vec<Lexeme>,
    open: Vec<Open>,
    /// No `*/` stands ahead.
    no_comment_end: bool,
    diagnostics: &'s mut Reports,
}

/// All lexemes of a text, without reports.
pub(crate) fn lexemes(text: &str) -> Vec<Lexeme> {
    scanned(SourceId(0), text, &mut Reports::default(), true)
}

/// All lexemes of a text; blanks are dropped, everything wrong is reported.
pub(super) fn scan(source: SourceId, text: &str, diagnostics: &mut Reports) -> Vec<Lexeme> {
    scanned(source, text, diagnostics, false)
}

/// The same, which takes what stands behind `#` in another language for a comment, unless it `has_orders`.
fn scanned(
    source: SourceId,
    text: &str,
    diagnostics: &mut Reports,
    has_orders: bool,
) -> Vec<Lexeme> {
    character::check(source, text, diagnostics);
    let mut scan = Scan {
        source,
        text,
        lexemes: Vec::with_capacity(text.len() / 4),
        open: Vec::new(),
        no_comment_end: false,
        diagnostics,
    };
    let mut code = Raw::lexer(text);
    if text.starts_with('\u{FEFF}') {
        code.bump('\u{FEFF}'.len_utf8());
    }
    while let Some(found) = code.next() {
        let mut raw = found.unwrap_or(Raw::Unknown);
        let span = code.span();
        match raw {
            Raw::Word if code.slice() == "_" && scan.goes_on(&mut code) => continue,
            Raw::Word | Raw::Wide => {
                scan.word(&mut code, raw);
                continue;
            }
            Raw::BlockComment => {
                if code.slice() == "(*" && !code.remainder().contains("*)") {
                    scan.push(Raw::ParenOpen, span.start..span.start + 1);
                    scan.push(Raw::Operator(Binary::Multiply), span.start + 1..span.end);
                } else {
                    scan.block_comment(&mut code);
                }
                continue;
            }
            Raw::Percent if scan.begins_block(&code) => {
                code.bump(1);
                scan.block_comment(&mut code);
                continue;
            }
            Raw::Single => {
                scan.quoted(&mut code);
                continue;
            }
            Raw::Quote => scan.open.push(Open { quote: span.start, brace: 0, depth: 0 }),
            Raw::BraceOpen => {
                if let Some(open) = scan.open.last_mut() {
                    open.depth += 1;
                }
            }
            Raw::BraceClose => match scan.open.last_mut() {
                Some(open) if open.depth == 0 => raw = Raw::ValueClose,
                Some(open) => open.depth -= 1,
                None => {}
            },
            // Inside a text's braces `//` is a mistake that would hide the rest of the text.
            Raw::Newline | Raw::Comment => scan.cut(span.start, true),
            Raw::Unknown => {
                if code.slice() == "\\" && scan.goes_on(&mut code) {
                    continue;
                }
                scan.unknown(span.clone());
                let before = text.get(..span.start).and_then(|before| before.chars().last());
                let is_comment = before.is_none_or(char::is_whitespace);
                let is_order = has_orders && is_order(code.remainder());
                let is_comment = is_comment && !assigns(code.remainder()) && !is_order;
                if code.slice() == "#" && is_comment && scan.is_behind_statement() {
                    // Meant as a comment: nothing in it is worth a report.
                    let rest = code.remainder();
                    code.bump(rest.find('\n').unwrap_or(rest.len()));
                }
            }
            _ => {}
        }
        scan.push(raw, span);
        if matches!(raw, Raw::Quote | Raw::ValueClose) {
            let mut inside = code.morph::<Text>();
            scan.inside(&mut inside);
            code = inside.morph();
        }
    }
    scan.cut(text.len(), true);
    scan.lexemes
}

/// An order to the compiler of another language, behind its `#`.
fn is_order(text: &str) -> bool {
    ["include", "import ", "define "].iter().any(|word| text.starts_with(word))
}

/// A word and `:=`: behind `#` a local variable of another language, and no comment.
fn assigns(text: &str) -> bool {
    let word = text.trim_start_matches(|c: char| c.is_alphanumeric() || c == '_');
    word.len() < text.len() && word.trim_start_matches(' ').starts_with(":=")
}

impl Scan<'_> {
    fn push(&mut self, raw: Raw, span: std::ops::Range<usize>) {
        let clamp = |at: usize| u32::try_from(at).unwrap_or(u32::MAX);
        self.lexemes.push(Lexeme { raw, start: clamp(span.start), end: clamp(span.end) });
    }

    fn unknown(&mut self, range: std::ops::Range<usize>) {
        let last = self.lexemes.last();
        character::unknown(self.source, self.text, range, last, self.diagnostics);
    }

    /// A mark at the end of a line that goes on, as it was meant to; `_` only where a value is wanted.
    fn goes_on(&mut self, code: &mut Lexer<'_, Raw>) -> bool {
        let (mark, span, rest) = (code.slice(), code.span(), code.remainder());
        let end = rest.find(|c: char| c != ' ' && c != '\t' && c != '\r');
        let ends = end.and_then(|end| rest.get(end..)).is_some_and(|rest| rest.starts_with('\n'));
        if !ends || !self.open.is_empty() || mark == "_" && self.is_behind_statement() {
            return false;
        }
        code.bump(end.unwrap_or(0) + 1);
        let place = Span::new(self.source, span.start, span.end);
        let headline = format!("`{mark}` means nothing here");
        let report = Diagnostic::error(codes::FOREIGN_CHARACTER, headline, place);
        let help = "a line goes on after an operator or inside brackets, without a mark";
        self.diagnostics.push(report.fix(help, place, ""));
        true
    }

    /// A word takes in every character a name may go on with; others outside ASCII stand alone.
    fn word(&mut self, code: &mut Lexer<'_, Raw>, raw: Raw) {
        if raw == Raw::Wide {
            let first = code.slice().chars().next().unwrap_or(' ');
            if first == '±' {
                return self.push(Raw::Operator(Binary::PlusMinus), code.span());
            }
            if !unicode_ident::is_xid_start(first) {
                if !character::is_control(first) {
                    self.unknown(code.span());
                    self.push(Raw::Unknown, code.span());
                }
                return;
            }
        }
        let more: usize = code
            .remainder()
            .chars()
            .take_while(|c| unicode_ident::is_xid_continue(*c))
            .map(char::len_utf8)
            .sum();
        code.bump(more);
        self.push(Raw::Word, code.span());
    }

    /// Scans inside a text until it ends, is cut off, or opens a brace.
    fn inside(&mut self, text: &mut Lexer<'_, Text>) {
        loop {
            let Some(found) = text.next() else {
                return self.cut(self.text.len(), false);
            };
            let span = text.span();
            match found.unwrap_or(Text::Plain) {
                Text::Plain => {
                    let slice = text.slice();
                    if let Some(escape) = slice.strip_prefix('\\') {
                        self.escape(escape, span.start);
                    }
                    match self.lexemes.last_mut() {
                        Some(last) if last.raw == Raw::Plain && last.end as usize == span.start => {
                            last.end = u32::try_from(span.end).unwrap_or(u32::MAX);
                        }
                        _ => self.push(Raw::Plain, span),
                    }
                }
                Text::Dangling => {}
                Text::Close => {
                    let place = Span::new(self.source, span.start, span.end);
                    self.diagnostics.push(
                        Diagnostic::error(codes::BAD_ESCAPE, "a `}` stands alone in a text", place)
                            .here("nothing is open here")
                            .help("write `\\}` for the character itself"),
                    );
                }
                Text::Open => {
                    self.push(Raw::ValueOpen, span.clone());
                    if let Some(open) = self.open.last_mut() {
                        open.brace = span.start;
                        open.depth = 0;
                    }
                    return;
                }
                Text::Quote => {
                    self.push(Raw::Unquote, span);
                    self.open.pop();
                    return;
                }
                Text::Newline => {
                    self.cut(span.start, false);
                    return self.push(Raw::Newline, span);
                }
            }
        }
    }

    fn escape(&mut self, escape: &str, start: usize) {
        if matches!(escape, "\"" | "\\" | "n" | "t" | "{" | "}") {
            return;
        }
        let place = Span::new(self.source, start, start + 1 + escape.len());
        let headline = format!("`\\{}` is no escape", character::shown(escape));
        let report = Diagnostic::error(codes::BAD_ESCAPE, headline, place).here("unknown escape");
        let before = self.text.get(..start).and_then(|before| before.rsplit('\n').next());
        if before.is_some_and(|before| before.contains("use \"") || before.contains("table(\"")) {
            let bar = Span::new(self.source, start, start + 1);
            self.diagnostics.push(report.fix("folders are parted by `/`", bar, "/"));
            return;
        }
        self.diagnostics.push(
            report.help("the escapes are `\\\"`, `\\\\`, `\\n`, `\\t`, `\\{` and `\\}`; a backslash itself is `\\\\`"),
        );
    }

    /// The line ends while texts are open: one report, and every one of them is closed.
    fn cut(&mut self, at: usize, in_code: bool) {
        let Some(first) = self.open.first() else {
            return;
        };
        let quote = Span::new(self.source, first.quote, first.quote + 1);
        let mut report = Diagnostic::error(
            codes::UNTERMINATED_TEXT,
            "this text does not end on its line",
            quote,
        )
        .here("the text begins here");
        if in_code || self.open.len() > 1 {
            let brace = Span::new(self.source, first.brace, first.brace + 1);
            report = report
                .label(brace, "this `{` is open until the end of the line")
                .help("close the value with `}` and the text with `\"`; for the character itself write `\\{`");
        } else {
            let before = self.text.get(..first.quote).and_then(|before| before.chars().last());
            report = report.help(match before.is_some_and(|c| c.is_ascii_digit()) {
                true => "inches are written `inch`",
                false => "end it with `\"`; a line break inside a text is written `\\n`",
            });
        }
        self.diagnostics.push(report);
        let mut inside_braces = in_code;
        while self.open.pop().is_some() {
            if inside_braces {
                self.push(Raw::ValueClose, at..at);
            }
            self.push(Raw::Unquote, at..at);
            inside_braces = true;
        }
    }

    /// `%{` on a line of its own.
    fn begins_block(&self, code: &Lexer<'_, Raw>) -> bool {
        let before =
            self.text.get(..code.span().start).and_then(|before| before.rsplit('\n').next());
        let behind = code.remainder().strip_prefix('{').and_then(|rest| rest.split('\n').next());
        [before, behind].iter().all(|part| part.is_some_and(|part| part.trim().is_empty()))
    }

    fn block_comment(&mut self, code: &mut Lexer<'_, Raw>) {
        let start = code.span().start;
        let closer = match code.slice() {
            "(*" => "*)",
            "--[[" => "]]",
            "%{" => "%}",
            _ => "*/",
        };
        let begin = code.span().end;
        let rest = code.remainder();
        // Inside a text's braces the line must not be left. Each byte is looked at once: a search
        // that failed is not tried again.
        let length = if self.open.is_empty() && !self.no_comment_end {
            let end = rest.find(closer);
            self.no_comment_end = end.is_none();
            // It stands alone on its line, so that nothing else can be meant.
            let whole = (closer == "%}").then_some(rest.len());
            end.map(|end| end + 2).or(whole)
        } else {
            let stops = |pair: &[u8]| pair == closer.as_bytes() || pair.first() == Some(&b'\n');
            let end = rest.as_bytes().windows(2).position(stops);
            end.map(|end| match rest.as_bytes().get(end) {
                Some(b'\n') => end,
                _ => end + 2,
            })
        };
        let length = length.unwrap_or_else(|| rest.find('\n').unwrap_or(rest.len()));
        code.bump(length);
        let end = code.span().end;
        let behind = self.text.get(end..).and_then(|rest| rest.lines().next()).unwrap_or("");
        let report = Diagnostic::error(
            codes::FOREIGN_CHARACTER,
            format!(
                "there are no `{} {closer}` comments",
                self.text.get(start..begin).unwrap_or("")
            ),
            Span::new(self.source, start, begin),
        );
        let help = "begin each line of the comment with `//`";
        let inside = self.text.get(begin..end).and_then(|inside| inside.strip_suffix(closer));
        self.diagnostics.push(match inside.filter(|_| behind.trim().is_empty()) {
            Some(inside) => {
                let lines = inside.trim().lines().map(|line| {
                    let line = line.trim().trim_start_matches('*').trim_start();
                    format!("// {line}").trim_end().to_string()
                });
                let text = lines.collect::<Vec<_>>().join("\n");
                report.fix(help, Span::new(self.source, start, end), text)
            }
            None => report.help(help),
        });
    }

    /// `'…'` or `` `…` `` on one line stands for a text that should have had double quotes, and `'` alone behind
    /// a statement for a comment.
    fn quoted(&mut self, code: &mut Lexer<'_, Raw>) {
        let start = code.span().start;
        let (rest, mark) = (code.remainder(), if code.slice() == "`" { '`' } else { '\'' });
        let before = self.text.get(..start).and_then(|before| before.chars().last());
        let begins = before.is_none_or(|c| c.is_whitespace() || "([{,:".contains(c));
        let mut is_escaped = false;
        let stop = rest.find(|c: char| {
            let escapes = c == '\\' && !is_escaped;
            let was_escaped = std::mem::replace(&mut is_escaped, escapes);
            c == '\n' || !was_escaped && (c == mark || c == '"' && !begins)
        });
        let closed = stop.filter(|at| rest.get(*at..).is_some_and(|rest| rest.starts_with(mark)));
        let line = rest.split('\n').next().unwrap_or("").trim_end();
        if mark == '\''
            && closed.is_none()
            && !line.is_empty()
            && before.is_none_or(char::is_whitespace)
            && self.is_behind_statement()
        {
            let span = Span::new(self.source, start, start + 1);
            let report = Diagnostic::error(codes::FOREIGN_CHARACTER, "`'` begins no comment", span);
            self.diagnostics.push(report.fix("a comment begins with `//`", span, "//"));
            code.bump(line.len());
            return self.push(Raw::Unknown, start..start + 1);
        }
        code.bump(closed.map_or(0, |end| end + 1));
        let end = code.span().end;
        let span = Span::new(self.source, start, end);
        let what = if mark == '`' { "backquotes mean" } else { "single quotes mean" };
        let report =
            Diagnostic::error(codes::SINGLE_QUOTES, "a text stands in double quotes", span)
                .here(format!("{what} nothing here"));
        let inside = self.text.get(start + 1..end.saturating_sub(1)).filter(|_| closed.is_some());
        let plain = inside.map(|inside| match mark {
            '`' => inside.replace("${", "{"),
            _ => inside.replace("\\'", "'"),
        });
        let has_value = |plain: &str| mark == '\'' && plain.contains(['{', '}']);
        self.diagnostics.push(match plain {
            Some(plain) if !plain.contains('\\') && !has_value(&plain) => {
                let text = format!("\"{}\"", plain.replace('"', "\\\""));
                report.fix(format!("write `{text}`"), span, text)
            }
            None if before.is_some_and(|c| c.is_ascii_digit()) => {
                report.help("digits are grouped with `_`, as in `12_000`")
            }
            _ => report.help("write `\"…\"`"),
        });
        self.push(Raw::Unknown, start..end);
    }

    /// A statement may end before what comes.
    fn is_behind_statement(&self) -> bool {
        let Some(last) = self.lexemes.last() else { return true };
        let word = self.text.get(last.range()).unwrap_or("");
        match last.raw {
            Raw::Word => Keyword::of(word).is_none(),
            raw => {
                !matches!(raw, Raw::Comma | Raw::Colon | Raw::Assign | Raw::Operator(_))
                    && !matches!(raw, Raw::ParenOpen | Raw::ListOpen)
            }
        }
    }
}
