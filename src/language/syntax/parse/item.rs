//! Items and types: `use`, `allow`, `param`, `routine`.

use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;
use crate::syntax::keyword::Keyword;
use crate::syntax::parse::Parser;
use crate::syntax::token::Token;
use crate::syntax::tree::{
    Binary, Expression, ExpressionKind, Name, Parameter, Piece, Routine, StatementKind, Type,
    TypeKind,
};

/// What stands between the name of a routine and its body.
#[derive(Default)]
struct Head {
    parameters: Vec<Parameter>,
    returns: Option<Type>,
    open: Vec<Name>,
    may: Option<Vec<Name>>,
    armed: Option<Span>,
}

impl Parser<'_> {
    /// A type as written.
    pub(super) fn type_(&mut self) -> Option<Type> {
        let start = self.at;
        let kind = match self.peek() {
            Some(Token::Keyword(Keyword::List)) => {
                self.at += 1;
                self.key(Keyword::Of, "`of`")?;
                TypeKind::List(Box::new(self.type_()?))
            }
            Some(Token::RecordOpen) => {
                self.at += 1;
                let fields = self.elements(|p| p.field(Self::type_));
                if fields.is_empty() {
                    return None;
                }
                self.take(Token::RecordClose, "`}`")?;
                TypeKind::Record(fields)
            }
            _ => TypeKind::Product(self.called("a type", Self::product)?),
        };
        Some(Type { kind, span: self.span_from(start) })
    }

    /// `D/time`, `length^2`, `1/time`
    fn product(&mut self) -> Option<Vec<(Name, i32)>> {
        let over = self.optional(|p| {
            p.take(Token::Number(1.0), "")?;
            p.take(Token::Operator(Binary::Divide), "")
        });
        let mut factors = vec![self.factor(over.is_some())?];
        factors.extend(self.repeated(|p| {
            let over = p.take(Token::Operator(Binary::Divide), "").is_some();
            if !over {
                p.take(Token::Operator(Binary::Multiply), "")?;
            }
            p.factor(over)
        }));
        Some(factors)
    }

    fn factor(&mut self, over: bool) -> Option<(Name, i32)> {
        let name = self.name("a name")?;
        let exponent = self.select("", |token| match token {
            Token::Power(exponent) => Some(exponent),
            _ => None,
        });
        Some((name, exponent.unwrap_or(1).saturating_mul(if over { -1 } else { 1 })))
    }

    /// `: type`, where there is one.
    pub(super) fn annotation(&mut self) -> Option<Type> {
        self.optional(|p| {
            p.take(Token::Colon, "`:`")?;
            p.type_()
        })
    }

    /// A text without values, with its place.
    fn plain_text(&mut self, headline: &str, help: &str) -> Option<(String, Span)> {
        let start = self.at;
        let mut plain = String::new();
        for piece in self.text()? {
            match piece {
                Piece::Plain(text) => plain.push_str(&text),
                Piece::Value { value, .. } => self.note(
                    Diagnostic::error(codes::VALUE_IN_PLAIN_TEXT, headline, value.span)
                        .here("a value cannot stand here")
                        .help(help),
                ),
            }
        }
        Some((plain, self.span_from(start)))
    }

    /// `use "path.spt"`
    pub(super) fn use_(&mut self) -> Option<StatementKind> {
        self.at += 1;
        let help = "files are found before anything runs, so write the path out";
        let (path, path_span) = self.plain_text("a path is a plain text", help)?;
        Some(StatementKind::Use { path, path_span })
    }

    /// `allow W0803 "only wakes the head up"`
    pub(super) fn allow(&mut self) -> Option<StatementKind> {
        self.at += 1;
        let code = self.name("the code of a warning")?;
        let help = "warnings are given before anything runs, so write the reason out";
        let (reason, reason_span) = self.plain_text("a reason is a plain text", help)?;
        Some(StatementKind::Allow { code, reason, reason_span })
    }

    /// `within 1000 rpm .. 9000 rpm`
    pub(super) fn within(&mut self) -> Option<Box<(Expression, Expression)>> {
        self.key(Keyword::Within, "`within`")?;
        self.range().map(Box::new)
    }

    /// `param speed: rotation = 4800 rpm within 1000 rpm .. 9000 rpm`
    pub(super) fn param(&mut self) -> Option<StatementKind> {
        self.at += 1;
        let name = self.name("a name")?;
        let annotation = self.annotation();
        let value = self.optional(|p| {
            p.take(Token::Assign, "`=`")?;
            p.value_to_end()
        });
        let range = self.optional(Self::within);
        let (default, range) = match (value, range) {
            (Some(value), None) => bounded(value),
            other => other,
        };
        Some(StatementKind::Param { name, annotation, default, range })
    }

    /// `routine spin_up(target: rotation, patience: time = 20 s) -> flag for any D { … }`
    pub(super) fn routine(&mut self) -> Option<StatementKind> {
        let start = self.at;
        self.at += 1;
        let name = self.name("a name")?;
        let Head { parameters, returns, open, may, armed } =
            self.header(|p| p.head(), |_| Head::default())?;
        let head = self.span_from(start);
        let body = self.block()?;
        let routine = Routine { name, parameters, returns, open, may, armed, body, head };
        Some(StatementKind::Routine(Box::new(routine)))
    }

    fn head(&mut self) -> Option<Head> {
        self.take(Token::ParenOpen, "`(`")?;
        let parameters = self.elements(|p| {
            let name = p.name("a parameter")?;
            p.take(Token::Colon, "`:`")?;
            let annotation = p.type_()?;
            let default = p.optional(|p| {
                p.take(Token::Assign, "`=`")?;
                p.expression()
            });
            Some(Parameter { name, annotation, default })
        });
        self.take(Token::ParenClose, "`)`")?;
        let returns = self.optional(|p| {
            p.take(Token::Arrow, "`->`")?;
            p.type_()
        });
        let open = self.optional(|p| {
            p.key(Keyword::For, "`for any`")?;
            p.key(Keyword::Any, "`any`")?;
            p.names()
        });
        let may = self.optional(|p| {
            p.key(Keyword::May, "`may`")?;
            p.names()
        });
        let armed = self.optional(|p| {
            let within = p.key(Keyword::Within, "`within arm`")?;
            Some(within.to(p.key(Keyword::Arm, "`arm`")?))
        });
        Some(Head { parameters, returns, open: open.unwrap_or_default(), may, armed })
    }

    /// `a, b`
    fn names(&mut self) -> Option<Vec<Name>> {
        let mut names = vec![self.name("a name")?];
        names.extend(self.repeated(|p| {
            p.take(Token::Comma, "`,`")?;
            p.name("a name")
        }));
        Some(names)
    }
}

/// What an expression reads as a comparison is the range of the parameter.
#[allow(clippy::type_complexity)]
fn bounded(value: Expression) -> (Option<Expression>, Option<Box<(Expression, Expression)>>) {
    match value.kind {
        // In parentheses it begins before its value, and is a comparison.
        ExpressionKind::Within { value: inner, low, high }
            if inner.span.start == value.span.start =>
        {
            (Some(*inner), Some(Box::new((*low, *high))))
        }
        kind => (Some(Expression { kind, span: value.span }), None),
    }
}
