//! The layout: one linear pass over the lexemes that owns all that depends on context. It joins
//! units, ends statements, tells record braces from block braces, balances brackets and bounds
//! nesting, so that the parser sees a balanced, bounded stream.
//! Uses source, diagnostics, names, raw and token.

mod brackets;
mod loops;
mod quantity;

use crate::diagnostics::{Diagnostic, codes};
use crate::source::{SourceId, Span};
use crate::syntax::keyword::Keyword;
use crate::syntax::layout::brackets::{Frame, Kind, too_many_parts};
use crate::syntax::names::Names;
use crate::syntax::raw::{Lexeme, Raw};
use crate::syntax::reports::Reports;
use crate::syntax::token::Token;
use crate::syntax::tree::Binary;

/// Brackets and blocks may nest this deep.
pub(super) const DEEPEST: usize = 64;
/// An expression may be this high: operators, calls and brackets from its top to any leaf.
pub(super) const HIGHEST: u32 = 256;

/// What the layout hands on.
pub(super) struct Laid {
    /// Balanced tokens, statements ended by [`Token::End`].
    pub tokens: Vec<(Token, Span)>,
    /// Documentation by the first byte of what it documents, ascending.
    pub docs: Vec<(u32, Box<str>)>,
    /// Every comment.
    pub comments: Vec<Span>,
    /// From here on the text was left unread, and the report is made.
    pub cut: Option<u32>,
}

struct Layout<'s> {
    source: SourceId,
    text: &'s str,
    lexemes: &'s [Lexeme],
    /// The next lexeme.
    at: usize,
    /// The text is one expression, so an operand is wanted first.
    alone: bool,
    names: &'s mut Names,
    diagnostics: &'s mut Reports,
    laid: Laid,
    frames: Vec<Frame>,
    /// Operators and brackets above the place the pass is at, in this expression.
    path: u32,
    /// A line end that may still turn out to end a statement.
    pending: Option<Span>,
    /// No token stood on this line yet.
    fresh_line: bool,
    /// Bytes before the first token of this line.
    indent: u32,
    line_start: u32,
    doc: Vec<&'s str>,
    /// A block whose closing brace stands under another line's beginning.
    suspect: Option<(Span, Span)>,
    /// How many braces of the text are never closed; counted at the first use.
    unclosed: Option<usize>,
}

/// Lays out the lexemes of a text: statements, or one expression `alone`.
pub(super) fn lay(
    source: SourceId,
    text: &str,
    lexemes: &[Lexeme],
    alone: bool,
    names: &mut Names,
    diagnostics: &mut Reports,
) -> Laid {
    let mut layout = Layout {
        source,
        text,
        lexemes,
        at: 0,
        alone,
        names,
        diagnostics,
        laid: Laid {
            tokens: Vec::with_capacity(lexemes.len()),
            docs: Vec::new(),
            comments: Vec::new(),
            cut: None,
        },
        frames: vec![Frame::new(Kind::Block, Span::new(source, 0, 0), 0, 0)],
        path: 0,
        pending: None,
        fresh_line: true,
        indent: 0,
        line_start: 0,
        doc: Vec::new(),
        suspect: None,
        unclosed: None,
    };
    while let Some(lexeme) = lexemes.get(layout.at) {
        layout.at += 1;
        layout.step(*lexeme);
    }
    layout.finish();
    layout.laid
}

impl<'s> Layout<'s> {
    fn step(&mut self, lexeme: Lexeme) {
        let span = self.span(lexeme);
        match lexeme.raw {
            Raw::Newline => {
                self.fresh_line = true;
                self.line_start = lexeme.end;
                if self.in_block() && self.pending.is_none() {
                    self.pending = Some(span);
                }
            }
            Raw::Semicolon => self.semicolon(span),
            Raw::Comment => self.comment(span),
            Raw::BlockComment => {}
            Raw::Word => self.word(lexeme, span),
            Raw::ParenOpen if self.counting_loop(lexeme) => {}
            Raw::ParenOpen => self.open(lexeme, Kind::Paren),
            Raw::ListOpen => self.open(lexeme, Kind::List),
            Raw::BraceOpen => self.brace(lexeme),
            Raw::ValueOpen => self.open(lexeme, Kind::Value),
            Raw::ParenClose => self.close(lexeme, Kind::Paren),
            Raw::ListClose => self.close(lexeme, Kind::List),
            Raw::BraceClose => self.close_brace(lexeme),
            Raw::ValueClose => self.close_value(lexeme),
            Raw::Colon if self.frame_kind() == Kind::Value => self.decimals(span),
            _ => {
                self.begin(lexeme, None);
                self.inside(lexeme, span);
            }
        }
    }

    /// What only goes on with a statement.
    fn inside(&mut self, lexeme: Lexeme, span: Span) {
        match lexeme.raw {
            Raw::Number => self.number(lexeme, span),
            Raw::Percent => self.percent(span),
            Raw::Caret => self.power(span),
            Raw::Foreign => self.foreign(span),
            Raw::Unknown | Raw::Wide | Raw::Single if self.wants_operand() => {
                self.push(Token::Hole, span);
            }
            Raw::Comma => {
                if let Some(frame) = self.frames.last_mut() {
                    self.path -= frame.next_element();
                }
                self.push(Token::Comma, span);
            }
            raw => {
                let Some(token) = plain(raw) else { return };
                let is_level = matches!(token, Token::Operator(_) | Token::Dot);
                if !is_level || self.count(span) {
                    self.push(token, span);
                }
            }
        }
    }

    fn span(&self, lexeme: Lexeme) -> Span {
        Span { source: self.source, start: lexeme.start, end: lexeme.end }
    }

    fn slice(&self, span: Span) -> &'s str {
        self.text.get(span.range()).unwrap_or("")
    }

    fn push(&mut self, token: Token, span: Span) {
        self.laid.tokens.push((token, span));
    }

    fn last(&self) -> Option<Token> {
        self.laid.tokens.last().map(|(token, _)| *token)
    }

    /// Where the last token ended.
    fn behind(&self) -> Span {
        let start = Span::new(self.source, 0, 0);
        self.laid.tokens.last().map_or(start, |(_, span)| span.after())
    }

    fn peek(&self) -> Option<Lexeme> {
        self.lexemes.get(self.at).copied()
    }

    /// One more level of the expression; `false` if that was too much and the rest is left unread.
    fn count(&mut self, span: Span) -> bool {
        let Some(frame) = self.frames.last_mut() else {
            return true;
        };
        frame.levels += 1;
        self.path += 1;
        if self.path + frame.below <= HIGHEST {
            return true;
        }
        self.diagnostics.push(too_many_parts(span));
        self.give_up(span);
        false
    }

    /// Settles whether the line end before this lexeme ended a statement, and whose the
    /// documentation is.
    fn begin(&mut self, lexeme: Lexeme, keyword: Option<Keyword>) {
        if self.fresh_line {
            self.fresh_line = false;
            self.indent = lexeme.start - self.line_start;
            if !self.in_block() && self.breaks_out(keyword) {
                let index = self.block_below();
                self.close_above(index);
                self.pending = Some(self.behind());
            }
        }
        if let Some(span) = self.pending.take()
            && !self.joins(lexeme, keyword)
        {
            self.end(span);
            if let Some(keyword @ (Keyword::Routine | Keyword::Use | Keyword::Param)) = keyword {
                self.begins_anew(lexeme, keyword);
            }
        }
        if !self.doc.is_empty() {
            if self.at_statement() {
                let doc = self.doc.join("\n").into_boxed_str();
                self.laid.docs.push((lexeme.start, doc));
            }
            self.doc.clear();
        }
    }

    fn at_statement(&self) -> bool {
        matches!(self.last(), None | Some(Token::End | Token::BlockOpen))
    }

    fn end(&mut self, span: Span) {
        if let Some(frame) = self.frames.last_mut() {
            self.path -= frame.levels;
            frame.levels = 0;
            frame.below = 0;
            frame.in_for = false;
        }
        if !self.at_statement() {
            self.push(Token::End, span);
        }
    }

    fn semicolon(&mut self, span: Span) {
        if !self.in_block() {
            let index = self.block_below();
            self.close_above(index);
        }
        self.pending = None;
        self.fresh_line = false;
        self.end(span);
    }

    /// A word that begins a line inside open brackets and cannot stand in them.
    fn breaks_out(&self, keyword: Option<Keyword>) -> bool {
        let Some(keyword) = keyword else { return false };
        if self.colon_follows() {
            return false;
        }
        match keyword {
            Keyword::For | Keyword::If => self.frame_kind() != Kind::List,
            Keyword::Else
            | Keyword::Until
            | Keyword::Catch
            | Keyword::Finally
            | Keyword::Every
            | Keyword::Times => true,
            other => other.begins_statement(),
        }
    }

    /// Whether the line of this lexeme goes on with the statement before it.
    fn joins(&self, lexeme: Lexeme, keyword: Option<Keyword>) -> bool {
        let Some(last) = self.last() else { return true };
        if matches!(last, Token::Keyword(Keyword::Else)) {
            return true;
        }
        if keyword.is_some_and(Keyword::begins_statement) {
            return false;
        }
        last.wants_more()
            || matches!(last, Token::Dot | Token::ShownIn)
            || keyword.is_some_and(Keyword::continues_statement)
            || matches!(lexeme.raw, Raw::Operator(operator) if operator != Binary::Subtract)
            || matches!(
                lexeme.raw,
                Raw::Percent
                    | Raw::Caret
                    | Raw::Foreign
                    | Raw::Dot
                    | Raw::Comma
                    | Raw::Colon
                    | Raw::Assign
                    | Raw::Arrow
                    | Raw::ParenClose
                    | Raw::ListClose
                    | Raw::BraceOpen
                    | Raw::BraceClose
            )
    }

    /// The last token leaves an operand wanting.
    fn wants_operand(&self) -> bool {
        let Some(last) = self.last() else { return self.alone };
        last.wants_more()
            || matches!(
                last,
                Token::ParenOpen
                    | Token::ListOpen
                    | Token::ValueOpen
                    | Token::Keyword(
                        Keyword::Return
                            | Keyword::If
                            | Keyword::While
                            | Keyword::Wait
                            | Keyword::Repeat
                            | Keyword::Fail
                            | Keyword::Expect
                            | Keyword::Record
                            | Keyword::Note
                            | Keyword::Ask
                            | Keyword::Hold
                    )
            )
    }

    /// The last token ends an operand, or a name that `for` gives.
    fn after_operand(&self) -> bool {
        self.last().is_some_and(|token| token == Token::Hole || token.ends_operand())
    }

    /// An `in` ends the names of the `for` that waits for it.
    fn ends_for(&mut self) -> bool {
        self.frames.last_mut().is_some_and(|frame| std::mem::take(&mut frame.in_for))
    }

    fn comment(&mut self, span: Span) {
        self.laid.comments.push(span);
        let Some(rest) = self.slice(span).strip_prefix("///") else {
            return;
        };
        if self.fresh_line && !rest.starts_with('/') {
            let line = rest.strip_prefix(' ').unwrap_or(rest);
            self.doc.push(line.trim_end());
        }
    }

    fn word(&mut self, lexeme: Lexeme, span: Span) {
        let text = self.slice(span);
        let keyword = Keyword::of(text);
        self.begin(lexeme, keyword);
        let Some(keyword) = keyword.filter(|_| !self.names_field()) else {
            let symbol = self.names.intern(text);
            return self.push(Token::Name(symbol), span);
        };
        let token = match keyword {
            Keyword::And => Token::Operator(Binary::And),
            Keyword::Or => Token::Operator(Binary::Or),
            Keyword::Mod => Token::Operator(Binary::Modulo),
            Keyword::In if self.after_operand() && !self.ends_for() => {
                if self.count(span) {
                    self.push(Token::ShownIn, span);
                    self.unit_after_in(span);
                }
                return;
            }
            Keyword::For => {
                let any = self.peek().is_some_and(|next| self.slice(self.span(next)) == "any");
                if let Some(frame) = self.frames.last_mut() {
                    frame.in_for = !any;
                }
                Token::Keyword(keyword)
            }
            other => Token::Keyword(other),
        };
        let level = matches!(
            token,
            Token::Operator(_) | Token::Keyword(Keyword::Not | Keyword::Within | Keyword::Of)
        );
        if level && !self.count(span) {
            return;
        }
        self.push(token, span);
    }

    /// The next lexeme but for line ends and comments is a colon.
    fn colon_follows(&self) -> bool {
        let rest = self.lexemes.get(self.at..).unwrap_or(&[]);
        let next = rest.iter().find(|next| !matches!(next.raw, Raw::Newline | Raw::Comment));
        next.is_some_and(|next| next.raw == Raw::Colon)
    }

    /// A word here is the name of a field, whatever it is elsewhere.
    fn names_field(&self) -> bool {
        let begins = matches!(self.last(), Some(Token::RecordOpen | Token::Comma));
        let declared = begins && self.colon_follows() && self.frame_kind() == Kind::Record;
        declared || self.last() == Some(Token::Dot)
    }

    /// `:` inside a text's braces asks for decimals.
    fn decimals(&mut self, colon: Span) {
        let rest = self.lexemes.get(self.at..).unwrap_or(&[]);
        let ends = |lexeme: &Lexeme| matches!(lexeme.raw, Raw::ValueClose | Raw::Newline);
        let inside = rest.get(..rest.iter().position(ends).unwrap_or(rest.len())).unwrap_or(rest);
        let digits = match inside {
            [only] => self.slice(self.span(*only)).parse::<u8>().ok(),
            _ => None,
        };
        let span = match (inside.first(), inside.last()) {
            (Some(first), Some(last)) => self.span(*first).to(self.span(*last)),
            _ => colon,
        };
        self.at += inside.len();
        match digits {
            Some(digits) if digits <= 17 => self.push(Token::Decimals(digits), colon.to(span)),
            _ => {
                let headline = "decimals are a whole number from 0 to 17";
                let report = Diagnostic::error(codes::BAD_DECIMALS, headline, span);
                // `.2f` of other languages
                let digits = self.slice(span).split_once('.').map_or("", |(_, digits)| digits);
                let digits = digits.trim_end_matches(['f', 'e', 'g']);
                self.diagnostics.push(match digits.parse::<u8>() {
                    Ok(digits) if digits <= 17 => {
                        let help = format!("write `{{value : {digits}}}`");
                        report.fix(help, span, format!(" {digits}"))
                    }
                    _ => report.help("`{value : 2}` shows two digits after the point"),
                });
            }
        }
    }

    /// An operator of other languages, which `foreign.md` explains; the parser goes on with what it stands for.
    fn foreign(&mut self, span: Span) {
        let text = self.slice(span);
        let token = match text {
            "&&" | "&" => Token::Operator(Binary::And),
            "||" | "|" => Token::Operator(Binary::Or),
            "!" => Token::Keyword(Keyword::Not),
            "===" => Token::Operator(Binary::Equal),
            "!==" | "<>" => Token::Operator(Binary::Unequal),
            "=>" => Token::Operator(Binary::GreaterEqual),
            "**" => Token::Operator(Binary::Multiply),
            "++" => Token::Operator(Binary::Add),
            "..." | "..=" => Token::Operator(Binary::Range),
            _ => Token::Assign,
        };
        let headline = format!("there is no operator `{text}`");
        self.diagnostics.push(Diagnostic::error(codes::FOREIGN_OPERATOR, headline, span));
        if self.count(span) {
            self.push(token, span);
        }
    }
}

/// Lexemes that are one token wherever they stand.
fn plain(raw: Raw) -> Option<Token> {
    Some(match raw {
        Raw::Quote => Token::Quote,
        Raw::Plain => Token::Plain,
        Raw::Unquote => Token::Unquote,
        Raw::Colon => Token::Colon,
        Raw::Dot => Token::Dot,
        Raw::Assign => Token::Assign,
        Raw::Arrow => Token::Arrow,
        Raw::Operator(operator) => Token::Operator(operator),
        _ => return None,
    })
}
