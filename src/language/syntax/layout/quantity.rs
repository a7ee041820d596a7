//! Numbers, units and exponents of the layout.

use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;
use crate::syntax::keyword::Keyword;
use crate::syntax::layout::Layout;
use crate::syntax::raw::{Lexeme, Raw};
use crate::syntax::token::Token;
use crate::syntax::tree::Binary;

/// What other languages write behind a plain number, to say how it is stored.
const SUFFIXES: [&str; 15] = [
    "f32", "f64", "i8", "i16", "i32", "i64", "u8", "u16", "u32", "u64", "usize", "isize", "L",
    "ul", "UL",
];

impl Layout<'_> {
    pub(super) fn number(&mut self, lexeme: Lexeme, span: Span) {
        let written = self.slice(span);
        let value = if written.contains('_') {
            written.replace('_', "").parse::<f64>()
        } else {
            written.parse::<f64>()
        };
        let value = value.unwrap_or(f64::INFINITY);
        if !value.is_finite() {
            self.diagnostics.push(
                Diagnostic::error(codes::NUMBER_TOO_LARGE, "this number is too large", span)
                    .help("the largest is about `1.79e308`"),
            );
        }
        self.push(Token::Number(if value.is_finite() { value } else { 0.0 }), span);
        if let Some(dot) = self.touching(lexeme.end, Raw::Dot) {
            return self.bare_point(span, dot);
        }
        let Some(next) = self.peek() else { return };
        let word = self.slice(self.span(next));
        let touches = next.start == lexeme.end;
        let is_word = next.raw == Raw::Word && Keyword::of(word).is_none();
        let (headline, help) = if is_word && touches && written == "0" && other_base(word) {
            ("numbers are decimal", "write the number with the digits 0 to 9")
        } else if is_word && touches && word.starts_with('_') {
            ("an underscore stands between two digits", "write it as in `1_000`")
        } else if is_word && touches && SUFFIXES.contains(&word) {
            ("a plain number has no ending", "every plain number is of one kind")
        } else {
            if is_word || next.raw == Raw::Percent {
                self.unit();
            }
            return;
        };
        self.at += 1;
        let place = span.to(self.span(next));
        let report = Diagnostic::error(codes::MALFORMED_NUMBER, headline, place);
        let radix = [("x", 16), ("X", 16), ("b", 2), ("o", 8)];
        let value = radix.iter().find_map(|(mark, radix)| {
            u64::from_str_radix(&word.strip_prefix(mark)?.replace('_', ""), *radix).ok()
        });
        let is_plain = headline.ends_with("ending");
        self.diagnostics.push(match value.filter(|_| headline.ends_with("decimal")) {
            Some(value) => report.fix(format!("write `{value}`"), place, value.to_string()),
            None if is_plain => report.fix(format!("write `{written}`"), place, written),
            None => report.help(help),
        });
    }

    fn touching(&self, end: u32, raw: Raw) -> Option<Lexeme> {
        self.peek().filter(|next| next.raw == raw && next.start == end)
    }

    /// `5.` and `1.e3`, and `1.000.000`.
    fn bare_point(&mut self, number: Span, dot: Lexeme) {
        self.at += 1;
        let mut place = number.to(self.span(dot));
        let more = self
            .peek()
            .filter(|next| next.start == dot.end && matches!(next.raw, Raw::Word | Raw::Number));
        if let Some(more) = more {
            self.at += 1;
            place = place.to(self.span(more));
        }
        let digits = self.slice(number);
        if digits.contains('.') {
            while let Some(more) = self.peek().filter(|next| {
                next.start == place.end && matches!(next.raw, Raw::Dot | Raw::Number)
            }) {
                self.at += 1;
                place = place.to(self.span(more));
            }
            let report =
                Diagnostic::error(codes::MALFORMED_NUMBER, "a number has one point", place);
            let grouped = self.slice(place).replace('.', "_");
            let groups = grouped.split('_').skip(1).all(|group| group.len() == 3);
            let help = format!("digits are grouped with `_`: `{grouped}`");
            self.diagnostics.push(match groups {
                true => report.suggest(help, place, grouped),
                false => report,
            });
            return;
        }
        self.diagnostics.push(
            Diagnostic::error(codes::MALFORMED_NUMBER, "a number ends in a point", place)
                .help(format!("write digits after the point, as in `{digits}.0`, or leave it out")),
        );
    }

    /// After `in`: a unit, and only a unit.
    pub(super) fn unit_after_in(&mut self, word: Span) {
        let next = self.peek();
        let fits = next.is_some_and(|next| match next.raw {
            Raw::Word => Keyword::of(self.slice(self.span(next))).is_none(),
            Raw::Percent => true,
            _ => false,
        });
        if fits {
            return self.unit();
        }
        let report = Diagnostic::error(codes::MALFORMED_UNIT, "`in` needs a unit after it", word);
        let mut before = self.laid.tokens.iter().rev().filter(|(_, span)| span.end <= word.start);
        let is_number = matches!(before.next(), Some((Token::Number(_), _)));
        let ends = next.is_none_or(|next| !matches!(next.raw, Raw::Number | Raw::ListOpen));
        self.diagnostics.push(match is_number && ends {
            true => report.fix("inches are written `inch`", word, "inch"),
            false => report
                .help("`x in rpm` chooses how a value is shown; inside a text: `\"{x in rpm}\"`"),
        });
        let symbol = self.names.intern("?");
        self.push(Token::Unit(symbol), word.after());
    }

    /// The unit that begins at the next lexeme: touching `/word`, `*word` and `^int` belong to it.
    fn unit(&mut self) {
        let Some(first) = self.peek() else { return };
        self.at += 1;
        let mut end = first.end;
        let mut exponent_wrong = None;
        let mut power: Option<Span> = None;
        while let Some(next) = self.peek().filter(|next| next.start == end) {
            let after = self.lexemes.get(self.at + 1).copied();
            let after = after.filter(|after| after.start == next.end);
            match (next.raw, after) {
                (Raw::Operator(Binary::Divide | Binary::Multiply), Some(word))
                    if word.raw == Raw::Word
                        && Keyword::of(self.slice(self.span(word))).is_none() =>
                {
                    self.at += 2;
                    end = word.end;
                    power = None;
                }
                (Raw::Operator(Binary::Divide | Binary::Multiply), Some(open))
                    if open.raw == Raw::ParenOpen =>
                {
                    let Some((length, close)) = self.unit_bracket(self.at + 2, open.end) else {
                        break;
                    };
                    self.at += 2 + length;
                    end = close;
                    power = None;
                }
                (Raw::Caret, Some(sign)) => {
                    let minus = sign.raw == Raw::Operator(Binary::Subtract);
                    let touching = self.lexemes.get(self.at + 2).copied();
                    let number = match minus {
                        true => touching.filter(|number| number.start == sign.end),
                        false => after,
                    };
                    let Some(number) = number.filter(|number| number.raw == Raw::Number) else {
                        break;
                    };
                    self.at += if minus { 3 } else { 2 };
                    end = number.end;
                    let span = self.span(next).to(self.span(number));
                    if let Some(first) = power.replace(span) {
                        self.chained(self.span(next), first);
                    } else if self.whole(number, minus).is_none() {
                        exponent_wrong = Some(self.span(number));
                    }
                }
                _ => break,
            }
        }
        let span = Span { end, ..self.span(first) };
        let written = self.slice(span);
        if let Some(place) = exponent_wrong {
            self.exponent(place);
        } else if let Some(report) = digit_in_unit(written, span) {
            self.diagnostics.push(report);
        }
        let symbol = if written.is_ascii() {
            self.names.intern(written)
        } else {
            let folded = written.replace(['\u{B5}', '\u{3BC}'], "u");
            self.names.intern(&folded)
        };
        self.push(Token::Unit(symbol), span);
    }

    /// How many lexemes the inside of a bracket and its end take, and where it ends, if all its words are
    /// units and nothing else stands in it, not even a blank.
    fn unit_bracket(&self, from: usize, start: u32) -> Option<(usize, u32)> {
        let (mut end, mut wants_word) = (start, true);
        let rest = self.lexemes.get(from..)?;
        for (at, lexeme) in rest.iter().enumerate() {
            if lexeme.start != end {
                return None;
            }
            end = lexeme.end;
            let before = at.checked_sub(1).and_then(|at| rest.get(at)).map(|lexeme| lexeme.raw);
            let in_power = matches!(before, Some(Raw::Caret));
            match lexeme.raw {
                Raw::Word if wants_word => {
                    let word = self.slice(self.span(*lexeme)).replace(['\u{B5}', '\u{3BC}'], "u");
                    spintrue_head::find_unit(&word)?;
                    wants_word = false;
                }
                Raw::Operator(Binary::Divide | Binary::Multiply) if !wants_word && !in_power => {
                    wants_word = true;
                }
                Raw::Caret if !wants_word => {}
                Raw::Operator(Binary::Subtract) if in_power => {}
                Raw::Number if in_power || before == Some(Raw::Operator(Binary::Subtract)) => {
                    self.whole(*lexeme, false)?;
                }
                Raw::ParenClose if !wants_word && !in_power => return Some((at + 1, end)),
                _ => return None,
            }
        }
        None
    }

    fn whole(&self, number: Lexeme, negative: bool) -> Option<i32> {
        let digits = self.slice(self.span(number));
        let value: i32 = digits.parse().ok()?;
        Some(if negative { -value } else { value })
    }

    fn exponent(&mut self, place: Span) {
        let report =
            Diagnostic::error(codes::MALFORMED_EXPONENT, "an exponent is a whole number", place)
                .here("expected digits here, with a minus sign if need be");
        let written = self.slice(place).strip_suffix(".0");
        self.diagnostics.push(match written.filter(|whole| whole.parse::<i32>().is_ok()) {
            Some(whole) => report.fix(format!("write `{whole}`"), place, whole),
            None => report
                .help("write it as in `x^2` or `s^-1`; others are `sqrt(x)` and `power(x, 0.3)`"),
        });
    }

    fn chained(&mut self, caret: Span, first: Span) {
        self.diagnostics.push(
            Diagnostic::error(codes::MALFORMED_EXPONENT, "powers cannot be chained", caret)
                .label(first, "there is a power already")
                .help("write brackets, as in `(x^2)^3`"),
        );
    }

    /// `^` with its exponent.
    pub(super) fn power(&mut self, caret: Span) {
        if let Some((Token::Power(_), first)) = self.laid.tokens.last().copied() {
            self.chained(caret, first);
        }
        if !self.count(caret) {
            return;
        }
        let minus = self.peek().filter(|next| next.raw == Raw::Operator(Binary::Subtract));
        if minus.is_some() {
            self.at += 1;
        }
        let next = self.peek().filter(|next| matches!(next.raw, Raw::Number | Raw::Word));
        let place = next.map_or(caret, |next| self.span(next));
        let number = next.filter(|next| next.raw == Raw::Number);
        let exponent = number.and_then(|number| self.whole(number, minus.is_some()));
        if exponent.is_none() {
            self.exponent(place);
        }
        self.at += usize::from(next.is_some());
        let span = if number.is_some() { caret.to(place) } else { caret };
        self.push(Token::Power(exponent.unwrap_or(1)), span);
    }

    /// A percent sign that follows neither a number nor `in`.
    pub(super) fn percent(&mut self, span: Span) {
        self.diagnostics.push(
            Diagnostic::error(codes::STRAY_PERCENT, "`%` is a unit and follows a number", span)
                .suggest("what is left of a division is `a mod b`", span, "mod")
                .help("a share is `35 %`"),
        );
        if self.count(span) {
            self.push(Token::Operator(Binary::Modulo), span);
        }
    }
}

/// What follows the 0 of `0xff`.
fn other_base(word: &str) -> bool {
    word.starts_with(['x', 'X', 'b', 'o'])
        && word.len() > 1
        && word.bytes().skip(1).all(|b| b.is_ascii_hexdigit() || b == b'_')
}

/// `mm2`: no unit has a digit in its name, so a power is meant.
fn digit_in_unit(written: &str, span: Span) -> Option<Diagnostic> {
    let part = written
        .split(['/', '*'])
        .map(|part| part.split('^').next().unwrap_or(part))
        .find(|part| part.bytes().any(|b| b.is_ascii_digit()))?;
    let name = part.trim_end_matches(|c: char| c.is_ascii_digit());
    let report =
        Diagnostic::error(codes::MALFORMED_UNIT, format!("no unit is called `{part}`"), span);
    let power = part.get(name.len()..).unwrap_or("");
    Some(if name.is_empty() || power.is_empty() {
        report.help("a unit has letters only, as in `mm/s^2`")
    } else {
        report.help(format!("a power is written `{name}^{power}`"))
    })
}
