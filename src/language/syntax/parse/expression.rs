//! Expressions and text literals.

use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;
use crate::syntax::keyword::Keyword;
use crate::syntax::parse::Parser;
use crate::syntax::token::Token;
use crate::syntax::tree::{
    Argument, Binary, Expression, ExpressionKind, Name, Piece, Unary, UnitName,
};
use std::ops::RangeInclusive;

impl Parser<'_> {
    /// A whole expression.
    pub(super) fn expression(&mut self) -> Option<Expression> {
        self.chain(1..=2, Self::negated)
    }

    /// A sum: what bounds of `within` are.
    pub(super) fn sum(&mut self) -> Option<Expression> {
        self.chain(8..=9, Self::signed)
    }

    /// Operands with operators of some levels between them.
    fn chain(
        &mut self,
        levels: RangeInclusive<u8>,
        operand: fn(&mut Self) -> Option<Expression>,
    ) -> Option<Expression> {
        let start = self.at;
        let mut left = operand(self)?;
        while let Some(Token::Operator(operator)) = self.peek()
            && levels.contains(&operator.level())
        {
            let right = self.optional(|p| {
                let operator_span = p.token();
                let right = p.chain(operator.level() + 1..=*levels.end(), operand)?;
                // Neither a range nor an uncertainty can be chained.
                let once = matches!(operator, Binary::Range | Binary::PlusMinus);
                let again = Some(Token::Operator(operator));
                (!once || p.peek() != again).then_some((operator_span, right))
            });
            let Some((operator_span, right)) = right else { break };
            left = self.binary(start, left, (operator, operator_span), right);
        }
        self.expected("an operator");
        Some(left)
    }

    fn binary(
        &self,
        start: usize,
        left: Expression,
        (operator, operator_span): (Binary, Span),
        right: Expression,
    ) -> Expression {
        let (left, right) = (Box::new(left), Box::new(right));
        self.made(start, ExpressionKind::Binary { operator, operator_span, left, right })
    }

    /// Takes the next token, whatever it is.
    pub(super) fn token(&mut self) -> Span {
        self.at += 1;
        self.span_from(self.at - 1)
    }

    /// What the tokens from one on make.
    fn made(&self, start: usize, kind: ExpressionKind) -> Expression {
        Expression { kind, span: self.span_from(start) }
    }

    /// `not` before a comparison.
    fn negated(&mut self) -> Option<Expression> {
        let start = self.at;
        if self.key(Keyword::Not, "an expression").is_none() {
            return self.comparison();
        }
        let operand = Box::new(self.negated()?);
        Some(self.made(start, ExpressionKind::Unary { operator: Unary::Not, operand }))
    }

    /// `a < b`, `a within low .. high`
    fn comparison(&mut self) -> Option<Expression> {
        let start = self.at;
        let value = self.chain(5..=6, Self::shown)?;
        if let Some(Token::Operator(operator)) = self.peek()
            && operator.compares()
        {
            let compared = self.optional(|p| {
                let operator = (operator, p.token());
                Some((operator, p.chain(5..=6, Self::shown)?))
            });
            return Some(match compared {
                Some((operator, right)) => self.binary(start, value, operator, right),
                None => value,
            });
        }
        let band = self.optional(|p| {
            p.key(Keyword::Within, "an operator")?;
            p.range()
        });
        Some(match band {
            Some((low, high)) => {
                let [value, low, high] = [value, low, high].map(Box::new);
                self.made(start, ExpressionKind::Within { value, low, high })
            }
            None => value,
        })
    }

    /// `low .. high`
    pub(super) fn range(&mut self) -> Option<(Expression, Expression)> {
        let low = self.sum()?;
        self.take(Token::Operator(Binary::Range), "`..`")?;
        Some((low, self.sum()?))
    }

    /// `x in rpm`
    fn shown(&mut self) -> Option<Expression> {
        let start = self.at;
        let value = self.sum()?;
        let unit = self.optional(|p| {
            p.take(Token::ShownIn, "an operator")?;
            p.unit("a unit")
        });
        Some(match unit {
            Some(unit) => self.made(start, ExpressionKind::Shown { value: Box::new(value), unit }),
            None => value,
        })
    }

    fn unit(&mut self, name: &'static str) -> Option<UnitName> {
        let start = self.at;
        let symbol = self.select(name, |token| match token {
            Token::Unit(symbol) => Some(symbol),
            _ => None,
        })?;
        Some(UnitName { symbol, span: self.span_from(start) })
    }

    /// The minus sign.
    fn signed(&mut self) -> Option<Expression> {
        let start = self.at;
        if self.take(Token::Operator(Binary::Subtract), "an expression").is_none() {
            return self.operand();
        }
        let operand = self.signed();
        let operand = Box::new(self.counted_from(start, operand)?);
        Some(self.made(start, ExpressionKind::Unary { operator: Unary::Minus, operand }))
    }

    /// A mistake in an operand counts from where the operand begins.
    fn counted_from<T>(&mut self, start: usize, made: Option<T>) -> Option<T> {
        if made.is_none()
            && let Some(furthest) = &mut self.furthest
        {
            furthest.at = start;
        }
        made
    }

    /// An atom with its powers, fields and elements.
    fn operand(&mut self) -> Option<Expression> {
        let start = self.at;
        let mut value = self.atom()?;
        loop {
            let of = Box::new(value);
            let kind = match self.peek() {
                Some(Token::Power(exponent)) => {
                    self.token();
                    ExpressionKind::Power { base: of, exponent }
                }
                Some(Token::Dot) => {
                    let name = self.optional(|p| {
                        p.token();
                        p.name("a field name")
                    });
                    let Some(name) = name else { return Some(*of) };
                    ExpressionKind::Field { of, name }
                }
                Some(Token::ListOpen) => {
                    let index = self.optional(|p| {
                        p.token();
                        let index = p.expression()?;
                        p.take(Token::ListClose, "`]`")?;
                        Some(Box::new(index))
                    });
                    let Some(index) = index else { return Some(*of) };
                    ExpressionKind::Element { of, index }
                }
                _ => return Some(*of),
            };
            value = self.made(start, kind);
        }
    }

    /// What operators stand between.
    fn atom(&mut self) -> Option<Expression> {
        let start = self.at;
        let kind = match self.peek() {
            Some(Token::Number(value)) => {
                self.token();
                Some(ExpressionKind::Number { value, unit: self.unit("") })
            }
            Some(Token::Name(_)) => self.call(),
            Some(Token::Quote) => self.text().map(ExpressionKind::Text),
            Some(Token::ParenOpen) => self.group(),
            Some(Token::ListOpen) => self.list(),
            Some(Token::RecordOpen) => self.record(),
            _ => self.select("an expression", |token| match token {
                Token::Keyword(Keyword::True) => Some(ExpressionKind::Flag(true)),
                Token::Keyword(Keyword::False) => Some(ExpressionKind::Flag(false)),
                Token::Hole => Some(ExpressionKind::Broken),
                _ => None,
            }),
        };
        let kind = self.counted_from(start, kind)?;
        Some(self.made(start, kind))
    }

    fn group(&mut self) -> Option<ExpressionKind> {
        self.token();
        let inner = self.expression()?;
        self.take(Token::ParenClose, "`)`")?;
        Some(inner.kind)
    }

    /// `name`, `name(a, b: c)`
    fn call(&mut self) -> Option<ExpressionKind> {
        let name = self.name("")?;
        let arguments = self.optional(|p| {
            p.take(Token::ParenOpen, "`(`")?;
            let arguments = p.elements(|p| {
                let name = p.optional(|p| {
                    let name = p.name("a name")?;
                    p.take(Token::Colon, "")?;
                    Some(name)
                });
                Some(Argument { name, value: p.expression()? })
            });
            p.take(Token::ParenClose, "`)`")?;
            Some(arguments)
        });
        Some(match arguments {
            Some(arguments) => {
                self.check_order(&arguments);
                ExpressionKind::Call { name, arguments }
            }
            None => ExpressionKind::Name(name.symbol),
        })
    }

    fn check_order(&mut self, arguments: &[Argument]) {
        let mut rest = arguments.iter().skip_while(|argument| argument.name.is_none());
        let named = rest.next().and_then(|argument| argument.name);
        let late = rest.find(|argument| argument.name.is_none());
        if let (Some(late), Some(named)) = (late, named) {
            self.note(
                Diagnostic::error(
                    codes::POSITIONAL_AFTER_NAMED,
                    "an argument without a name follows one with a name",
                    late.value.span,
                )
                .here("give it its name, or move it to the front")
                .label(named.span, "named from here on"),
            );
        }
    }

    /// `[a, b]`, `[a for b in c if d]`
    fn list(&mut self) -> Option<ExpressionKind> {
        self.token();
        let inside = self.optional(|p| {
            let first = p.expression()?;
            let comprehension = p.optional(|p| {
                p.key(Keyword::For, "`for`")?;
                let name = p.name("a name")?;
                p.key(Keyword::In, "`in`")?;
                let over = Box::new(p.expression()?);
                let only_if = p.optional(|p| {
                    p.key(Keyword::If, "`if`")?;
                    Some(Box::new(p.expression()?))
                });
                Some((name, over, only_if))
            });
            Some(match comprehension {
                Some((name, over, only_if)) => {
                    let element = Box::new(first);
                    ExpressionKind::Comprehension { element, name, over, only_if }
                }
                None => {
                    let mut all = vec![first];
                    if p.take(Token::Comma, "`,`").is_some() {
                        all.extend(p.elements(Self::expression));
                    }
                    ExpressionKind::List(all)
                }
            })
        });
        self.take(Token::ListClose, "`]`")?;
        Some(inside.unwrap_or(ExpressionKind::List(Vec::new())))
    }

    /// `{a: 1, b: 2}`
    fn record(&mut self) -> Option<ExpressionKind> {
        let start = self.at;
        self.at += 1;
        let fields = self.elements(|p| p.field(Self::expression));
        self.take(Token::RecordClose, "`}`")?;
        if fields.is_empty() {
            self.note(
                Diagnostic::error(
                    codes::EMPTY_RECORD,
                    "a record has at least one field",
                    self.span_from(start),
                )
                .help("write it as in `{in_scan: 1 us, cross_scan: 2 arcsec}`"),
            );
        }
        Some(ExpressionKind::Record(fields))
    }

    /// A field with its value or type.
    pub(super) fn field<T>(&mut self, rule: fn(&mut Self) -> Option<T>) -> Option<(Name, T)> {
        let name = self.name("a field name")?;
        self.take(Token::Colon, "`:`")?;
        Some((name, rule(self)?))
    }

    /// A text literal and its values.
    pub(super) fn text(&mut self) -> Option<Vec<Piece>> {
        self.take(Token::Quote, "a text")?;
        let pieces = self.repeated(|p| {
            if let Some(span) = p.take(Token::Plain, "") {
                return Some(Piece::Plain(unescape(p.slice(span))));
            }
            p.take(Token::ValueOpen, "")?;
            let value = p.expression()?;
            let decimals = p.select("", |token| match token {
                Token::Decimals(digits) => Some(digits),
                _ => None,
            });
            p.take(Token::ValueClose, "`}`")?;
            Some(Piece::Value { value, decimals })
        });
        self.take(Token::Unquote, "")?;
        Some(pieces)
    }
}

/// Resolves escapes; an unknown one is reported by the scan and stands for itself here.
fn unescape(written: &str) -> String {
    let mut out = String::with_capacity(written.len());
    let mut characters = written.chars();
    while let Some(c) = characters.next() {
        if c != '\\' {
            out.push(c);
            continue;
        }
        out.extend(characters.next().map(|escape| match escape {
            'n' => '\n',
            't' => '\t',
            other => other,
        }));
    }
    out
}
