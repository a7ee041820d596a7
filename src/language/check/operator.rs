//! Operators: which kinds they take, and what comes out.

use crate::check::Checker;
use crate::check::advice::listed;
use crate::check::typed::{Makeup, Typed};
use crate::diagnostics::{Diagnostic, codes};
use crate::program::failure::FailureKind;
use crate::program::show::Shower;
use crate::program::tree as program;
use crate::program::tree::{Arithmetic, Comparison, Flag, Number, Ref};
use crate::program::types::Type;
use crate::source::Span;
use crate::syntax::tree::{Binary, Expression, ExpressionKind, Piece, Unary};
use spintrue_head::{Base, Dimension, nearest_name, parse_unit};

const KELVIN: Type = Type::Quantity(Dimension::TEMPERATURE);

impl Checker<'_> {
    pub(super) fn unary(&mut self, operator: Unary, operand: &Expression, span: Span) -> Typed {
        if operator == Unary::Not {
            let typed =
                self.expect_kind(operand, &Type::Flag, codes::BAD_OPERAND, "what `not` turns over");
            let code = match typed.flag() {
                Flag::Constant(flag) => Flag::Constant(!flag),
                flag => Flag::Not(Box::new(flag)),
            };
            return Typed::new(Type::Flag, code, span);
        }
        // `-5 degC` is a temperature below zero, not the negative of one above.
        if let ExpressionKind::Number { value, unit } = &operand.kind {
            return self.number(-value, *unit, span);
        }
        let typed = self.expression(operand, None);
        match typed.kind {
            Type::Quantity(_) => {
                let (kind, unit) = (typed.kind.clone(), typed.unit.clone());
                let code = match typed.number() {
                    Number::Constant(value) => Number::Constant(-value),
                    number => Number::Negate(Box::new(number)),
                };
                Typed::new(kind, code, span).with_unit(unit)
            }
            Type::Unknown => Typed::unknown(span),
            Type::Temperature => self.no_temperature("-", span),
            _ => {
                let headline = format!("{} has no negative", self.a_kind(&typed.kind));
                self.error(codes::BAD_OPERAND, headline, span);
                Typed::unknown(span)
            }
        }
    }

    pub(super) fn binary(
        &mut self,
        operator: Binary,
        operator_span: Span,
        left: &Expression,
        right: &Expression,
        expected: Option<&Type>,
        span: Span,
    ) -> Typed {
        match operator {
            Binary::And | Binary::Or => self.logic(operator, left, right, span),
            Binary::PlusMinus => {
                self.expression(left, None);
                self.expression(right, None);
                let (headline, help) = if self.inside.expect {
                    (
                        "`±` stands behind the whole value that is checked",
                        "one check is `value ± uncertainty`, a comparison or `within`, and its \
                         limits; work out both before, and write an `expect` for each value",
                    )
                } else {
                    (
                        "`±` stands only in an `expect`",
                        "keep the uncertainty in a name of its own, and write it in the check: \
                         `expect \"...\": x ± u <= limit`",
                    )
                };
                self.error(codes::MISPLACED_UNCERTAINTY, headline, operator_span).help(help);
                Typed::unknown(span)
            }
            Binary::Range => {
                let is_text = |e: &Expression| matches!(e.kind, ExpressionKind::Text(_));
                if is_text(left) || is_text(right) {
                    self.expression(left, None);
                    self.expression(right, None);
                    let report = Diagnostic::error(
                        codes::FOREIGN_OPERATOR,
                        "`..` makes a range and joins no texts",
                        operator_span,
                    );
                    self.report(report.fix("texts are joined with `+`", operator_span, "+"));
                    return Typed::unknown(span);
                }
                let Some((from, to)) = self.range_ends(left, right) else {
                    return Typed::unknown(span);
                };
                let code = Ref::Range(Box::new(from), Box::new(to), span);
                Typed::new(Type::NUMBER.list(), code, span)
            }
            Binary::Equal
            | Binary::Unequal
            | Binary::Less
            | Binary::LessEqual
            | Binary::Greater
            | Binary::GreaterEqual => self.comparison(operator, operator_span, left, right, span),
            _ => {
                if operator == Binary::Divide {
                    self.fraction_of_unit(left, right, span);
                }
                let a = self.expression(left, expected);
                let b = self.expression(right, Some(&a.kind).filter(|k| is_list(k)));
                self.arithmetic(operator, operator_span, (left, a), (right, b), span)
            }
        }
    }

    /// `1/300 inch`: the unit belongs to the number below, where the fraction of an inch may be meant.
    fn fraction_of_unit(&mut self, over: &Expression, under: &Expression, span: Span) {
        let whole = |e: &Expression| match &e.kind {
            ExpressionKind::Number { unit, .. } => {
                let words = self.words(e.span);
                let number = words.split_whitespace().next().unwrap_or("");
                number.parse::<u32>().ok().map(|number| (number, *unit))
            }
            _ => None,
        };
        let (Some((part, None)), Some((parts, Some(unit)))) = (whole(over), whole(under)) else {
            return;
        };
        if part >= parts {
            return;
        }
        let known = self.units.get(&unit.symbol).map(|unit| unit.dimension);
        let known =
            known.or_else(|| Some(parse_unit(self.names.text(unit.symbol)).ok()?.dimension));
        if !known.is_some_and(|kind| [Dimension::LENGTH, Dimension::ANGLE].contains(&kind)) {
            return;
        }
        let (number, below) = (self.words(over.span), self.words(under.span));
        let Some((divisor, unit)) = below.split_once(|c: char| c.is_whitespace()) else { return };
        let fraction = format!("{number} {unit} / {divisor}");
        let headline = format!("this divides by {below}: the unit belongs to the number before it");
        let report = Diagnostic::warning(codes::FRACTION_OF_UNIT, headline, span);
        self.report(
            report.suggest(format!("a fraction of the unit is `{fraction}`"), span, fraction).help(
                format!(
                    "what is meant as it stands keeps the number apart: `{number}.0 / {below}`"
                ),
            ),
        );
    }

    fn arithmetic(
        &mut self,
        operator: Binary,
        operator_span: Span,
        (left_written, left): (&Expression, Typed),
        (right_written, right): (&Expression, Typed),
        span: Span,
    ) -> Typed {
        let unit = left.unit.clone().or_else(|| right.unit.clone());
        let kind = match (operator, &left.kind, &right.kind) {
            (_, Type::Unknown, _) | (_, _, Type::Unknown) => return Typed::unknown(span),
            (Binary::Multiply | Binary::Divide, Type::Quantity(a), Type::Quantity(b)) => {
                let (a, b) = (*a, *b);
                self.turned(operator, &left, &right, span);
                return self.product(operator, a, b, left, right, span);
            }
            (
                Binary::Add | Binary::Subtract | Binary::Modulo,
                Type::Quantity(a),
                Type::Quantity(b),
            ) if a == b => left.kind.clone(),
            (Binary::Subtract, Type::Temperature, Type::Temperature) => {
                let code = combine(Arithmetic::Subtract, left.number(), right.number());
                return Typed::new(KELVIN, code, span);
            }
            (Binary::Add | Binary::Subtract, Type::Temperature, kind) if *kind == KELVIN => {
                Type::Temperature
            }
            (Binary::Add, kind, Type::Temperature) if *kind == KELVIN => Type::Temperature,
            (Binary::Add, Type::Text, Type::Text) => return self.joined(left, right, span),
            (Binary::Add, Type::List(a), Type::List(b)) if a == b => {
                return self.joined(left, right, span);
            }
            _ => {
                let (left, right) = ((left_written, &left), (right_written, &right));
                return self.unlike(operator, operator_span, left, right, span);
            }
        };
        let (left, right) = (left.number(), right.number());
        let code = match operator {
            Binary::Modulo => match right {
                Number::Constant(0.0) => return self.by_zero(operator_span, span),
                right => Number::Modulo(Box::new(left), Box::new(right), span),
            },
            Binary::Subtract => combine(Arithmetic::Subtract, left, right),
            _ => combine(Arithmetic::Add, left, right),
        };
        let unit = unit.filter(|u| kind != Type::Temperature || u.is_absolute());
        Typed::new(kind, code, span).with_unit(unit)
    }

    fn joined(&mut self, left: Typed, right: Typed, span: Span) -> Typed {
        let (kind, unit) = (left.kind.clone(), left.unit.clone());
        let fields = left.fields.clone().or_else(|| right.fields.clone());
        let code = match &kind {
            Type::List(item) => {
                let (item, right) = (item.layout(), Box::new(right.reference()));
                Ref::Joined(Box::new(left.reference()), right, item, span)
            }
            _ => Ref::Interpolated([left, right].into_iter().flat_map(pieces).collect(), span),
        };
        Typed::new(kind, code, span).with_unit(unit).with_fields(fields)
    }

    fn product(
        &mut self,
        operator: Binary,
        a: Dimension,
        b: Dimension,
        left: Typed,
        right: Typed,
        span: Span,
    ) -> Typed {
        let multiply = operator == Binary::Multiply;
        let Some(dimension) = (if multiply { a.times(b) } else { a.over(b) }) else {
            self.error(codes::BAD_POWER, "the powers grow too large to count", span);
            return Typed::unknown(span);
        };
        // The unit lives on where the other side is a plain number. A share is none, and whoever
        // multiplies one by 100 or 1e6 has taken its unit off.
        let converts = |by: &Typed| match by.constant() {
            Some(by) => by >= 100.0 && by.log10().fract() == 0.0,
            None => false,
        };
        let unit = match (&left.unit, &right.unit) {
            (Some(unit), None) if b.is_number() => Some((unit, &right)),
            (None, Some(unit)) if a.is_number() && multiply => Some((unit, &left)),
            (Some(unit), Some(_)) if b.is_number() && !a.is_number() => Some((unit, &right)),
            (Some(_), Some(unit)) if a.is_number() && !b.is_number() && multiply => {
                Some((unit, &left))
            }
            _ => None,
        };
        let unit = unit.filter(|(unit, by)| !(unit.dimension.is_number() && converts(by)));
        let unit = unit.map(|(unit, _)| unit.clone());
        let right_span = right.span;
        let (left, right) = (left.number(), right.number());
        let code = match (multiply, left, right) {
            (true, left, right) => combine(Arithmetic::Multiply, left, right),
            (false, _, Number::Constant(0.0)) => return self.by_zero(right_span, span),
            (false, Number::Constant(left), Number::Constant(right)) => {
                Number::Constant(left / right)
            }
            (false, left, right) => Number::Divide(Box::new(left), Box::new(right), span),
        };
        let kind = Type::Quantity(dimension);
        Typed::new(kind, code, span).with_unit(unit)
    }

    /// Warns where a turn takes the angle out of a product that holds a plain length: what a lens
    /// makes of an angle is counted in radians. A length per angle keeps count by itself.
    fn turned(&mut self, operator: Binary, left: &Typed, right: &Typed, span: Span) {
        let Type::Quantity(dimension) = left.kind else { return };
        let [angle, length] = [Base::Angle, Base::Length].map(|base| dimension.base(base));
        let lens = left.makeup.has(Makeup::LENS);
        let takes = match operator {
            Binary::Divide => length != 0 && (angle > 0 || lens && angle == 0),
            _ => !lens && (angle < 0 || dimension.is_number()),
        };
        let turn = right.makeup == Makeup::GIVEN | Makeup::TURN;
        if !takes || !turn || !left.makeup.has(Makeup::LENGTH) {
            return;
        }
        let (is, sign) = (self.offered(left.span, &[]), operator.text());
        let headline = "a turn in a product that holds a length";
        let help = if left.makeup.has(Makeup::TURN | Makeup::HIDDEN) || lens && angle != 0 {
            "a lens counts in radians; as a length per angle, in mm/rad, it needs no turn".into()
        } else if lens {
            format!("a lens in mm/rad needs no turn: `{is}`")
        } else {
            format!("a lens counts in radians: `{is} {sign} 1 rad`")
        };
        self.warning(codes::TURN_WITH_LENGTH, headline, span)
            .here("through a lens, x = f * theta, this is wrong by 2π")
            .label(right.span, "the turn")
            .help(help)
            .help("turns are counted at the rotation: `speed / 1 rev`; travel per turn is in `mm/rev`");
    }

    fn by_zero(&mut self, place: Span, span: Span) -> Typed {
        self.error(codes::DIVISION_BY_ZERO, "this divides by zero", place).here("is always zero");
        Typed::unknown(span)
    }

    fn no_temperature(&mut self, operator: &str, span: Span) -> Typed {
        let headline = format!("`{operator}` has no meaning for a temperature");
        self.error(codes::TEMPERATURE_ARITHMETIC, headline, span)
            .here("degC starts at the ice point, so this would mislead")
            .help("a step of temperature is in K, and so is the difference of two");
        Typed::unknown(span)
    }

    fn unlike(
        &mut self,
        operator: Binary,
        operator_span: Span,
        (left_written, left): (&Expression, &Typed),
        (right_written, right): (&Expression, &Typed),
        span: Span,
    ) -> Typed {
        let (a, b) = (self.a_kind(&left.kind), self.a_kind(&right.kind));
        let sign = operator.text();
        let temperatures = left.kind == Type::Temperature || right.kind == Type::Temperature;
        if temperatures && (is_number(&left.kind) && is_number(&right.kind)) {
            return self.no_temperature(sign, span);
        }
        let headline = match operator {
            Binary::Add => format!("cannot add {a} and {b}"),
            Binary::Subtract => format!("cannot take {b} from {a}"),
            _ => format!("`{sign}` does not go with {a} and {b}"),
        };
        if operator == Binary::Multiply && [&left.kind, &right.kind].contains(&&Type::Text) {
            self.error(codes::UNLIKE_KINDS, headline, operator_span)
                .label(left.span, a)
                .label(right.span, b)
                .help("a text is not repeated: it is written out");
            return Typed::unknown(span);
        }
        let is_list = |typed: &Typed| matches!(typed.kind, Type::List(_));
        if operator != Binary::Add && (is_list(left) || is_list(right)) {
            let report = Diagnostic::error(codes::UNLIKE_KINDS, headline, operator_span)
                .label(left.span, a)
                .label(right.span, b);
            let way = "a list is worked on one element at a time: `[2 * x for x in xs]`; \
                       a list of ten is `[0 for _k in 0..10]`";
            self.report(report.help(way));
            return Typed::unknown(span);
        }
        let (left, right) = ((left_written, left), (right_written, right));
        self.unlike_report(headline, operator_span, left, right);
        Typed::unknown(span)
    }

    pub(super) fn unlike_report(
        &mut self,
        headline: String,
        operator_span: Span,
        (left_written, left): (&Expression, &Typed),
        (right_written, right): (&Expression, &Typed),
    ) {
        let report = Diagnostic::error(codes::UNLIKE_KINDS, headline, operator_span)
            .label(left.span, self.a_kind(&left.kind))
            .label(right.span, self.a_kind(&right.kind));
        let unit = left.unit.as_ref().or(right.unit.as_ref()).map(|unit| unit.text.as_str());
        let right_way = || self.way(Some(right_written), right, &left.kind, unit);
        let left_way = || self.way(Some(left_written), left, &right.kind, unit);
        // The side that a lens is part of is the one to mend.
        if let Some(each) = self.each_of(left_written, left, operator_span, right) {
            self.report(report.help(each));
            return;
        }
        let way = if left.makeup.has(Makeup::LENGTH) && !right.makeup.has(Makeup::LENGTH) {
            left_way().or_else(right_way)
        } else {
            right_way().or_else(left_way)
        };
        // What a text stands for that is not written out may be a number.
        let is_written = |written: &Expression| matches!(written.kind, ExpressionKind::Text(_));
        let is_text = left.kind == Type::Text || right.kind == Type::Text;
        let is_sure = !is_text || is_written(left_written) || is_written(right_written);
        self.report_with(report, if is_sure { way } else { way.map(|way| way.guessed()) });
    }

    fn comparison(
        &mut self,
        operator: Binary,
        operator_span: Span,
        left_written: &Expression,
        right_written: &Expression,
        span: Span,
    ) -> Typed {
        let left = self.expression(left_written, None);
        let right = self.expression(right_written, Some(&left.kind).filter(|k| is_list(k)));
        let flag = |code| Typed::new(Type::Flag, code, span);
        if left.kind == Type::Unknown || right.kind == Type::Unknown {
            return flag(Flag::Constant(true));
        }
        let equality = matches!(operator, Binary::Equal | Binary::Unequal);
        if left.kind != right.kind {
            let (a, b) = (self.a_kind(&left.kind), self.a_kind(&right.kind));
            let headline = format!("cannot compare {a} with {b}");
            if equality && (left.kind == Type::Flag || right.kind == Type::Flag) {
                self.flag_compared(headline, operator_span, &left, &right);
            } else {
                let (left, right) = ((left_written, &left), (right_written, &right));
                self.unlike_report(headline, operator_span, left, right);
            }
            return Typed::unknown(span);
        }
        if is_number(&left.kind) {
            self.always(operator, (left_written, &left), (right_written, &right), span);
            if equality {
                self.exactly_measured(&left, &right, operator_span);
            }
            let code = compare(operator, left.number(), right.number());
            return flag(code);
        }
        if !equality {
            let (sign, kind) = (operator.text(), self.a_kind(&left.kind));
            let headline = format!("`{sign}` has no meaning for {kind}");
            self.error(codes::BAD_OPERAND, headline, operator_span);
            return flag(Flag::Constant(true));
        }
        self.kind_compared(&left, right_written);
        self.kind_compared(&right, left_written);
        let same = operator == Binary::Equal;
        if left.kind == Type::Flag {
            return flag(Flag::EqualFlags(Box::new(left.flag()), Box::new(right.flag()), same));
        }
        flag(Flag::EqualRefs(Box::new(left.reference()), Box::new(right.reference()), same))
    }

    /// `problem.kind == "timout"`
    fn kind_compared(&mut self, kind: &Typed, with: &Expression) {
        let ExpressionKind::Text(pieces) = &with.kind else { return };
        let word = match pieces.as_slice() {
            [] => "",
            [Piece::Plain(word)] => word,
            _ => return,
        };
        if !kind.makeup.has(Makeup::KIND) || FailureKind::caught().any(|known| known == word) {
            return;
        }
        let (headline, help) = if word == FailureKind::Interrupted.text() {
            let headline = "an interruption is never caught".to_string();
            (headline, "`finally` runs all the same".to_string())
        } else {
            let help = match nearest_name(word, FailureKind::caught()) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => format!("kinds are {}", listed(FailureKind::caught())),
            };
            (format!("there is no kind of failure `{word}`"), help)
        };
        self.error(codes::UNKNOWN_FAILURE_KIND, headline, with.span)
            .label(kind.span, "a kind of failure")
            .help(help);
    }

    /// `locked() == 1`
    fn flag_compared(&mut self, headline: String, operator: Span, left: &Typed, right: &Typed) {
        let given = if left.kind == Type::Flag { left } else { right };
        let words = self.offered(given.span, &['<', '>', '=']);
        let (a, b) = (self.a_kind(&left.kind), self.a_kind(&right.kind));
        self.error(codes::UNLIKE_KINDS, headline, operator)
            .label(left.span, a)
            .label(right.span, b)
            .help(format!("a flag is a condition by itself: `{words}`, or `not {words}`"));
    }

    pub(super) fn within(
        &mut self,
        value: &Expression,
        low: &Expression,
        high: &Expression,
        span: Span,
    ) -> Typed {
        let value = self.expression(value, None);
        if value.kind != Type::Unknown && !is_number(&value.kind) {
            let headline = format!("{} cannot lie within two values", self.a_kind(&value.kind));
            self.error(codes::BAD_OPERAND, headline, value.span);
            return Typed::unknown(span);
        }
        let (low, high) = self.two_ends(low, high, &value.kind, "end");
        let code =
            Flag::Within(Box::new(value.number()), Box::new(low.number()), Box::new(high.number()));
        Typed::new(Type::Flag, code, span)
    }

    /// Two ends of a kind; one report is enough where both are of another.
    pub(super) fn two_ends(
        &mut self,
        low: &Expression,
        high: &Expression,
        kind: &Type,
        what: &str,
    ) -> (Typed, Typed) {
        let low = self.expect_kind(low, kind, codes::UNLIKE_KINDS, &format!("the lower {what}"));
        let kind = if low.kind == Type::Unknown { &Type::Unknown } else { kind };
        let high = self.expect_kind(high, kind, codes::UNLIKE_KINDS, &format!("the upper {what}"));
        self.ends_in_order(&low, &high);
        (low, high)
    }

    /// Reports two constant ends in the wrong order; tells whether they are in order.
    pub(super) fn ends_in_order(&mut self, low: &Typed, high: &Typed) -> bool {
        if let (Some(l), Some(h)) = (low.constant(), high.constant())
            && l > h
        {
            let headline = "nothing lies within these: the first is larger than the second";
            self.error(codes::BAD_RANGE, headline, low.span.to(high.span));
            return false;
        }
        true
    }

    pub(super) fn power(&mut self, base: &Expression, exponent: i32, span: Span) -> Typed {
        let typed = self.expression(base, None);
        match typed.kind {
            Type::Quantity(dimension) => {
                let Some(dimension) = dimension.power(exponent) else {
                    self.error(codes::BAD_POWER, "the power is too large", span);
                    return Typed::unknown(span);
                };
                let code = Number::Power(Box::new(typed.number()), exponent, span);
                Typed::new(Type::Quantity(dimension), code, span)
            }
            Type::Unknown => Typed::unknown(span),
            Type::Temperature => self.no_temperature("^", span),
            _ => {
                let headline = format!("{} has no powers", self.a_kind(&typed.kind));
                self.error(codes::BAD_POWER, headline, span);
                Typed::unknown(span)
            }
        }
    }
}

/// The parts of a text.
fn pieces(text: Typed) -> Vec<program::Piece> {
    match text.reference() {
        Ref::Interpolated(pieces, _) => pieces,
        Ref::Text(text) => vec![program::Piece::Plain(text)],
        text => vec![program::Piece::Value(text.into(), Shower::Text)],
    }
}

/// Combines two numbers, at once where both are known.
fn combine(operation: Arithmetic, left: Number, right: Number) -> Number {
    match (left, right) {
        (Number::Constant(a), Number::Constant(b)) => Number::Constant(match operation {
            Arithmetic::Add => a + b,
            Arithmetic::Subtract => a - b,
            Arithmetic::Multiply => a * b,
        }),
        (left, right) => Number::Arithmetic(operation, Box::new(left), Box::new(right)),
    }
}

fn compare(operator: Binary, left: Number, right: Number) -> Flag {
    let comparison = match operator {
        Binary::Equal => Comparison::Equal,
        Binary::Unequal => Comparison::Unequal,
        Binary::Less => Comparison::Less,
        Binary::LessEqual => Comparison::LessEqual,
        Binary::Greater => Comparison::Greater,
        _ => Comparison::GreaterEqual,
    };
    Flag::Compare(comparison, Box::new(left), Box::new(right))
}

/// A quantity or a temperature.
pub(super) fn is_number(kind: &Type) -> bool {
    matches!(kind, Type::Quantity(_) | Type::Temperature)
}

fn is_list(kind: &Type) -> bool {
    matches!(kind, Type::List(_))
}
