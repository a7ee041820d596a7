//! Statements that deal with the head, the clock and the verdict: `wait`, `arm`, `fail`,
//! `expect`, `record`, `note`. `ask` has a file of its own.

use crate::builtins::component;
use crate::check::Checker;
use crate::check::flow::{CallSite, Callee};
use crate::check::operator::is_number;
use crate::check::typed::Typed;
use crate::diagnostics::{Diagnostic, codes};
use crate::program::tree as program;
use crate::program::tree::{Expect, Expectation, Number, Stated};
use crate::program::types::Type;
use crate::source::Span;
use crate::syntax::tree::{
    Binary, Block, Choice, Expression, ExpressionKind, Statement, StatementKind,
};
use spintrue_head::Dimension;
use std::rc::Rc;

const POWER: Type = Type::Quantity(Dimension::of([2, -3, 1, 0, 0, 0]));
pub(super) const TIME: Type = Type::Quantity(Dimension::TIME);

/// Time between two looks of a `wait until` that does not say.
const DEFAULT_EVERY: f64 = 0.02;

impl Checker<'_> {
    /// Checks a statement of this file; tells whether control surely leaves the block in it.
    pub(super) fn head_statement(
        &mut self,
        statement: &Statement,
        code: &mut Vec<program::Statement>,
    ) -> bool {
        let span = statement.span;
        match &statement.kind {
            StatementKind::Wait(time) => {
                self.wait_under_light(span);
                let time = self.time(time, "what is waited");
                code.push(program::Statement::Wait(time, span));
            }
            StatementKind::WaitUntil { condition, within, every, otherwise } => {
                self.wait_under_light(span);
                let text = Rc::from(self.whole_words(condition.span).as_str());
                let condition = self.condition(condition, "what is waited for");
                let within = self.time(within, "the limit behind `within`");
                let every = match every {
                    Some(every) => self.time(every, "the step behind `every`"),
                    None => Number::Constant(DEFAULT_EVERY),
                };
                let otherwise = otherwise.as_ref().map(|block| self.branch(block).0);
                code.push(program::Statement::WaitUntil {
                    condition,
                    within,
                    every,
                    otherwise,
                    text,
                    span,
                });
            }
            StatementKind::Hold { conditions, every, body } => {
                return self.hold(conditions, every.as_ref(), body, span, code);
            }
            StatementKind::Arm { power, body } => return self.arm(power, body, span, code),
            StatementKind::Fail(what) => {
                self.fail(what, span, code);
                return true;
            }
            StatementKind::Expect { label, choices, condition } => {
                self.expect(label, choices, condition, span, code);
            }
            StatementKind::Deciding(_) => self.misplaced_deciding(span),
            StatementKind::Record { label, choices, value } => {
                self.tells(span);
                let label = self.label(label);
                let plain = match &value.kind {
                    ExpressionKind::Shown { value, .. } => value,
                    _ => value,
                };
                let text = self.whole_words(plain.span).into();
                let value = self.expression(value, None);
                let plot = self.plot(choices, &value);
                if let Some(shower) = self.shower(&value, None) {
                    let value = value.code;
                    let record =
                        program::Statement::Record { label, value, shower, plot, text, span };
                    code.push(record);
                }
            }
            StatementKind::Note(text) => {
                self.tells(span);
                let text =
                    self.expect_kind(text, &Type::Text, codes::WRONG_TYPE, "a note").reference();
                code.push(program::Statement::Note(text));
            }
            StatementKind::Ask(ask) => self.ask(ask, span, code),
            _ => {}
        }
        false
    }

    fn wait_under_light(&mut self, span: Span) {
        let Some(arm) = self.inside.armed else { return };
        let keyword = Span { end: span.start + 4, ..span };
        self.warning(codes::WAIT_WHILE_ARMED, "this waits while the laser is armed", keyword)
            .label(arm, "armed here")
            .help(
                "wait before or behind the block, so that light is possible no longer than needed",
            );
    }

    pub(super) fn time(&mut self, e: &Expression, what: &str) -> Number {
        let typed = self.expression(e, Some(&TIME));
        if typed.kind == Type::Flag {
            let until = format!("until {} within 20 s", self.offered(e.span, &[]));
            let report = Diagnostic::error(
                codes::BAD_WAIT,
                format!("{what} must be a time, and this is a condition"),
                e.span,
            );
            self.report(report.suggest(format!("write `wait {until}`"), e.span, until));
            return Typed::unknown(e.span).number();
        }
        let typed = self.of_kind(e, typed, &TIME, codes::BAD_WAIT, what);
        if typed.constant().is_some_and(|time| time < 0.0) {
            self.error(codes::BAD_WAIT, format!("{what} cannot be negative"), typed.span);
        }
        typed.number()
    }

    fn label(&mut self, label: &Expression) -> program::Ref {
        self.expect_kind(label, &Type::Text, codes::WRONG_TYPE, "a label").reference()
    }

    fn arm(
        &mut self,
        power: &Expression,
        body: &Block,
        span: Span,
        code: &mut Vec<program::Statement>,
    ) -> bool {
        let what = "the share of full power behind `arm at`";
        let written = power;
        let mut power = self.expression(written, Some(&Type::NUMBER));
        if power.kind == POWER {
            self.error(
                codes::BAD_POWER_SHARE,
                "the laser is armed at a share of full power",
                power.span,
            )
            .here("this is a power")
            .help("write a share, such as `arm at 35 %`: full power is a matter of the head");
            power = Typed::unknown(power.span);
        }
        let power = self.of_kind(written, power, &Type::NUMBER, codes::BAD_POWER_SHARE, what);
        if let Some(share) = power.constant()
            && !(share > 0.0 && share <= 1.0)
        {
            let headline = "the power is a share of full power, above 0 % and at most 100 %";
            let words = self.words(power.span);
            let report = Diagnostic::error(codes::BAD_POWER_SHARE, headline, power.span);
            let is_bare = share > 1.0 && share <= 100.0 && words.parse::<f64>().is_ok();
            let with_unit = format!("{words} %");
            self.report(match is_bare {
                true => report.suggest(format!("write `{with_unit}`"), power.span, with_unit),
                false => report,
            });
        }
        if let Some(outer) = self.inside.armed {
            self.error(codes::ALREADY_ARMED, "the laser is armed already", power.span)
                .label(outer, "armed here")
                .help("end the outer block first");
        }
        if let Some(routine) = self.inside.routine
            && let Some(info) = self.routines.get_mut(routine)
        {
            info.arms.get_or_insert(power.span);
        }
        let keyword = Span { end: span.start + 3, ..span };
        let outer = self.inside.armed.replace(keyword);
        let first = self.calls.len();
        let (body, leaves) = self.block(body);
        self.inside.armed = outer;
        self.calls.push(CallSite {
            caller: self.inside.routine,
            callee: Callee::Arm {
                first,
                last: self.calls.len(),
                repeated: !self.inside.loops.is_empty(),
            },
            span: keyword,
            end: keyword.end,
            armed: outer,
            fails: None,
        });
        let share = power.span;
        let power = power.number();
        code.push(program::Statement::Arm { power, share, body, span: keyword });
        leaves
    }

    fn fail(&mut self, what: &Expression, span: Span, code: &mut Vec<program::Statement>) {
        let typed = self.expression(what, None);
        let failure = self.kind("failure");
        if typed.kind == Type::Text {
            code.push(program::Statement::Fail(typed.reference(), span));
        } else if typed.kind == failure {
            code.push(program::Statement::FailAgain(typed.reference(), span));
        } else if typed.kind != Type::Unknown {
            let kind = self.a_kind(&typed.kind);
            let headline = format!("`fail` takes a text or a caught failure, not {kind}");
            let words = self.words(typed.span);
            self.error(codes::WRONG_TYPE, headline, typed.span)
                .help(format!("say what went wrong: `fail \"... {{{words}}}\"`"));
        }
    }

    fn expect(
        &mut self,
        label: &Expression,
        choices: &[Choice],
        condition: &Expression,
        span: Span,
        code: &mut Vec<program::Statement>,
    ) {
        let text = Rc::from(self.whole_words(condition.span).as_str());
        self.tells(span);
        let is_text = |e: &Expression| matches!(e.kind, ExpressionKind::Text(_));
        if is_text(condition) && !is_text(label) {
            let [is, says] = [label, condition].map(|e| self.sources.slice(e.span));
            let place = label.span.to(condition.span);
            let headline = "the label of a check stands before its condition";
            let report = Diagnostic::error(codes::WRONG_TYPE, headline, place);
            let text = format!("{says}: {is}");
            self.report(report.fix(format!("write `expect {text}`"), place, text));
            return;
        }
        let written = label;
        let label = self.label(written);
        let condition = self.expectation(condition, "what is expected");
        if let Some(condition) = condition {
            let stated = match &condition {
                Expectation::Limits { uncertainty, .. } => uncertainty.as_ref(),
                Expectation::Holds(_) => None,
            };
            let (deciding, optional) = self.decided(choices, stated);
            let number = self.plan(written, optional, span);
            let expect = Expect { label, condition, deciding, number, text, span };
            code.push(program::Statement::Expect(Box::new(expect)));
        }
    }

    /// A flag, or a value with its limits.
    pub(super) fn expectation(
        &mut self,
        condition: &Expression,
        what: &str,
    ) -> Option<Expectation> {
        self.inside.expect = true;
        let condition = match &condition.kind {
            ExpressionKind::Binary { operator, left, right, operator_span } => {
                self.limit(*operator, *operator_span, left, right, condition, what)
            }
            ExpressionKind::Within { value, low, high } => {
                let (value, uncertainty) = self.uncertain(value);
                let (low, high) = self.two_ends(low, high, &value.kind, "limit");
                self.limits(value, uncertainty, Some((low, true)), Some((high, true)))
            }
            _ => self.holds(condition, what),
        };
        self.inside.expect = false;
        condition
    }

    fn holds(&mut self, condition: &Expression, what: &str) -> Option<Expectation> {
        let typed = self.expect_kind(condition, &Type::Flag, codes::NOT_A_FLAG, what);
        (typed.kind == Type::Flag).then(|| Expectation::Holds(typed.flag()))
    }

    fn limit(
        &mut self,
        operator: Binary,
        operator_span: Span,
        left: &Expression,
        right: &Expression,
        whole: &Expression,
        what: &str,
    ) -> Option<Expectation> {
        let uncertain =
            matches!(left.kind, ExpressionKind::Binary { operator: Binary::PlusMinus, .. });
        let (low, high, closed) = match operator {
            Binary::Less => (false, true, false),
            Binary::LessEqual => (false, true, true),
            Binary::Greater => (true, false, false),
            Binary::GreaterEqual => (true, false, true),
            Binary::Equal => (true, true, true),
            Binary::PlusMinus => {
                self.error(
                    codes::MISPLACED_UNCERTAINTY,
                    "what is expected of this value?",
                    whole.span,
                )
                .help("put a limit behind it: `... ± 0.4 um <= 6 um`");
                return None;
            }
            _ => return self.holds(whole, what),
        };
        if let (
            ExpressionKind::Binary {
                operator: Binary::PlusMinus,
                operator_span,
                left: middle,
                right: half,
            },
            false,
        ) = (&right.kind, uncertain)
        {
            let turned = operator.exchanged().text();
            let (value, limit) = (self.offered(right.span, &[]), self.offered(left.span, &[]));
            let headline = "`±` stands on the left, behind the value that is checked";
            let (middle, half) = (self.offered(middle.span, &[]), self.offered(half.span, &[]));
            let help = match operator {
                Binary::Equal => {
                    format!("give a band: `{limit} within {middle} - {half} .. {middle} + {half}`")
                }
                _ => format!("turn it round: `{value} {turned} {limit}`"),
            };
            self.error(codes::MISPLACED_UNCERTAINTY, headline, *operator_span).help(help);
            self.expression(left, None);
            return None;
        }
        // Texts, flags and lists are compared as anywhere else.
        let before = self.diagnostics.len();
        let (value, uncertainty) = self.uncertain(left);
        if !uncertain && !is_number(&value.kind) && value.kind != Type::Unknown {
            self.diagnostics.truncate(before);
            return self.holds(whole, what);
        }
        let limit = self.expression(right, None);
        if value.kind == Type::Unknown || limit.kind == Type::Unknown {
            return None;
        }
        if value.kind != limit.kind {
            let (a, b) = (self.a_kind(&value.kind), self.a_kind(&limit.kind));
            let headline = format!("cannot compare {a} with {b}");
            self.unlike_report(headline, operator_span, (left, &value), (right, &limit));
            return None;
        }
        if operator == Binary::Equal {
            self.exactly_measured(&value, &limit, operator_span);
        }
        self.limits(
            value,
            uncertainty,
            low.then(|| (limit.clone(), closed)),
            high.then(|| (limit.clone(), closed)),
        )
    }

    /// A value with what stands behind `±`.
    fn uncertain(&mut self, e: &Expression) -> (Typed, Option<Typed>) {
        let ExpressionKind::Binary { operator: Binary::PlusMinus, left, right, .. } = &e.kind
        else {
            return (self.expression(e, None), None);
        };
        let value = self.expression(left, None);
        let wanted = match &value.kind {
            Type::Temperature => Type::Quantity(Dimension::TEMPERATURE),
            other => other.clone(),
        };
        let what = "the uncertainty behind `±`";
        let typed = self.expression(right, Some(&wanted));
        if matches!(typed.kind, Type::List(_)) {
            return self.budgeted(value, typed, &wanted);
        }
        let uncertainty = self.of_kind(right, typed, &wanted, codes::UNLIKE_KINDS, what);
        if uncertainty.constant().is_some_and(|u| u < 0.0) {
            let headline = "an uncertainty cannot be negative";
            self.error(codes::MISPLACED_UNCERTAINTY, headline, uncertainty.span);
        }
        (value, Some(uncertainty))
    }

    /// A value with a list behind `±`, which must be components of its kind.
    fn budgeted(&mut self, value: Typed, list: Typed, wanted: &Type) -> (Typed, Option<Typed>) {
        if list.kind == component(wanted).list() || !is_number(wanted) {
            return (value, Some(list));
        }
        let other = list.kind.item().and_then(Type::record).and_then(|record| record.field("u"));
        let (headline, help) = match other {
            Some((_, other)) => {
                let (is, should) = (self.a_kind(other), self.a_kind(wanted));
                let headline = format!("a component behind `±` must be {should}, not {is}");
                (headline, "write it as it acts on the value: times its sensitivity")
            }
            None => (
                "a list behind `±` is a budget, and its elements are components".to_string(),
                "write one uncertainty, or components: `[type_a(\"readings\", u, degrees_of_freedom: n)]`",
            ),
        };
        self.error(codes::UNLIKE_KINDS, headline, list.span).help(help);
        (value, Some(Typed::unknown(list.span)))
    }

    fn limits(
        &mut self,
        value: Typed,
        uncertainty: Option<Typed>,
        low: Option<(Typed, bool)>,
        high: Option<(Typed, bool)>,
    ) -> Option<Expectation> {
        let all = [
            Some(&value),
            uncertainty.as_ref(),
            low.as_ref().map(|l| &l.0),
            high.as_ref().map(|h| &h.0),
        ];
        if all.into_iter().flatten().any(|typed| typed.kind == Type::Unknown) {
            return None;
        }
        if !is_number(&value.kind) {
            let headline = format!("{} has no limits", self.a_kind(&value.kind));
            self.error(codes::BAD_OPERAND, headline, value.span);
            return None;
        }
        self.decidable(uncertainty.as_ref(), low.as_ref(), high.as_ref());
        match (&low, &high) {
            (None, Some((limit, _))) => self.limited_on_one_side(&value, limit, true),
            (Some((limit, _)), None) => self.limited_on_one_side(&value, limit, false),
            _ => {}
        }
        // Shown in the unit of the limit, which is what the reader compares with.
        let unit = [&low, &high].into_iter().flatten().find_map(|(limit, _)| limit.unit.clone());
        let shown = value.clone().with_unit(unit.or_else(|| value.unit.clone()));
        let shower = self.shower(&shown, None)?;
        Some(Expectation::Limits {
            value: value.number(),
            uncertainty: uncertainty.map(|stated| match stated.kind {
                Type::List(_) => Stated::Budget(stated.reference()),
                _ => Stated::Expanded(stated.number()),
            }),
            low: low.map(|(limit, closed)| (limit.number(), closed)),
            high: high.map(|(limit, closed)| (limit.number(), closed)),
            shower,
        })
    }
}
