//! Questions to the operator: what can be asked for, ranges, and that no question is asked while armed.

use crate::builtins::Effect;
use crate::check::Checker;
use crate::check::flow::{CallSite, Callee, Graph};
use crate::check::scope::Role;
use crate::check::typed::{Typed, read};
use crate::diagnostics::codes;
use crate::operator::{DEFAULT_LIMIT, Pattern, Quantity, Wanted};
use crate::program::show::Shower;
use crate::program::tree as program;
use crate::program::tree::{Arithmetic, Number, Piece, Planned, Ref, Slot, Statement};
use crate::program::types::Type;
use crate::source::Span;
use crate::syntax::tree::{Ask, Expression, ExpressionKind, Kept};
use spintrue_head::{Dimension, UnitText};
use std::rc::Rc;

/// A question as it was found, with who asks it.
#[derive(Clone, Debug)]
pub(super) struct Found {
    asked: program::Asked,
    ends: Option<(Number, Number)>,
    routine: Option<usize>,
}

/// What can be answered.
struct Answer {
    kind: Type,
    unit: Option<Rc<UnitText>>,
    ends: Option<(Typed, Typed)>,
}

impl Checker<'_> {
    pub(super) fn ask(&mut self, ask: &Ask, span: Span, code: &mut Vec<Statement>) {
        let armed = self.inside.armed;
        if let Some(arm) = armed {
            self.error(
                codes::QUESTION_WHILE_ARMED,
                "this asks while the laser is armed",
                ask.keyword,
            )
            .label(arm, "armed here")
            .help("ask before the block: how long people take to answer is not known");
        }
        self.calls.push(CallSite {
            caller: self.inside.routine,
            callee: Callee::Ask,
            span: ask.keyword,
            end: span.end,
            armed,
            fails: None,
        });
        let question = self.question(ask);
        let limit = match &ask.within {
            Some(within) => self.time(within, "the time limit of a question"),
            None => Number::Constant(DEFAULT_LIMIT),
        };
        let answer = self.answer(ask);
        let (into, behind) = self.kept(&ask.kept, &answer, ask.answer.span);
        let Some(wanted) = wanted(&answer) else { return };
        let Some(shower) = Shower::of(&answer.kind, answer.unit.clone(), None) else { return };
        let text = match &question {
            Ref::Text(text) => Pattern::of([text.as_ref()]),
            Ref::Interpolated(pieces, _) => pattern(pieces),
            _ => Pattern::of(["", ""]),
        };
        let planned = Planned {
            label: text.literal().map_or_else(|| self.label_of(&ask.question), Rc::from),
            span: ask.keyword.to(ask.question.span),
            optional: false,
        };
        let asked = program::Asked { planned, text, wanted: wanted.clone() };
        let range = answer.ends.map(|(low, high)| (low.number(), high.number()));
        let (ends, routine) = (range.clone(), self.inside.routine);
        self.questions.push(Found { asked, ends, routine });
        let span = ask.keyword;
        let made = program::Ask { question, limit, wanted, range, into, shower, span };
        code.push(Statement::Ask(Box::new(made)));
        code.extend(behind);
    }

    /// What is asked.
    fn question(&mut self, ask: &Ask) -> Ref {
        if let ExpressionKind::Within { value, low, high } = &ask.question.kind {
            let [value, low, high] = [value, low, high].map(|e| self.words(e.span));
            let kind = self.words(ask.answer.span);
            let report = "a range of answers stands behind what the answer must be";
            self.error(codes::BAD_ANSWER_TYPE, report, ask.question.span)
                .here("in front of it stands a time limit, if any")
                .help(format!("write `ask {value}: {kind} within {low} .. {high}`"));
            return Ref::Text(Rc::from(""));
        }
        self.expect_kind(&ask.question, &Type::Text, codes::WRONG_TYPE, "a question").reference()
    }

    /// A question with values in it, in the script's words.
    fn label_of(&self, question: &Expression) -> Rc<str> {
        let words = self.words(question.span);
        let inside = words.strip_prefix('"').and_then(|words| words.strip_suffix('"'));
        match &question.kind {
            ExpressionKind::Text(_) => Rc::from(inside.unwrap_or(&words)),
            _ => Rc::from(words),
        }
    }

    /// What the answer must be.
    fn answer(&mut self, ask: &Ask) -> Answer {
        let mut kind = self.annotation(&ask.answer);
        let asked_for = match &kind {
            Type::Flag | Type::Text | Type::Temperature | Type::Unknown => true,
            Type::Quantity(dimension) => !dimension.is_open(),
            _ => false,
        };
        if !asked_for {
            let headline = format!("people cannot answer with {}", self.a_kind(&kind));
            self.error(codes::BAD_ANSWER_TYPE, headline, ask.answer.span).help(
                "ask for a `flag`, a `text`, a `temperature`, a `number`, or a quantity of \
                     one kind such as `length`; put together what you need from several answers",
            );
            kind = Type::Unknown;
        }
        let ends = ask.range.as_ref().and_then(|range| self.ends(&kind, &range.0, &range.1));
        let of = |typed: &Typed| typed.unit.clone();
        let unit = ends.as_ref().and_then(|(low, high)| of(high).or_else(|| of(low)));
        Answer { kind, unit, ends }
    }

    fn ends(&mut self, kind: &Type, low: &Expression, high: &Expression) -> Option<(Typed, Typed)> {
        if matches!(kind, Type::Flag | Type::Text) {
            let headline = format!("{} has no range", self.a_kind(kind));
            self.error(codes::BAD_ANSWER_TYPE, headline, low.span.to(high.span))
                .help("leave it out, and look at the answer in the script");
            return None;
        }
        let low = self.expect_kind(low, kind, codes::WRONG_TYPE, "the smallest answer");
        let high = self.expect_kind(high, kind, codes::WRONG_TYPE, "the largest answer");
        let known = low.kind != Type::Unknown && high.kind != Type::Unknown;
        (self.ends_in_order(&low, &high) && known).then_some((low, high))
    }

    /// Where the answer is put, and what is done with it there.
    fn kept(
        &mut self,
        kept: &Kept,
        answer: &Answer,
        place: Span,
    ) -> (Option<Slot>, Option<Statement>) {
        let code = program::Expression::Number(Number::Constant(f64::NAN));
        let typed = Typed::new(answer.kind.clone(), code, place).with_unit(answer.unit.clone());
        match kept {
            Kept::Recorded => (None, None),
            Kept::Named { mutable, name, annotation } => {
                let role = if *mutable { Role::Var } else { Role::Let };
                let wanted = annotation.as_ref().map(|written| self.annotation(written));
                if let Some(wanted) = &wanted {
                    let what = format!("`{}`", self.text(name.symbol));
                    self.fits(&typed, wanted, &what);
                }
                let kind = wanted.unwrap_or_else(|| typed.kind.clone());
                let (variable, slot) = self.declare(*name, Typed { kind, ..typed }, role);
                let range = answer.ends.as_ref().filter(|_| !mutable);
                let range = range.and_then(|(low, high)| low.constant().zip(high.constant()));
                if let Some(variable) = self.variables.get_mut(variable) {
                    variable.range = range;
                }
                (Some(slot), None)
            }
            Kept::Assigned(place) => {
                let slot = self.slot(&typed.kind);
                let typed = Typed { code: read(slot), ..typed };
                let mut behind = Vec::new();
                self.assign_typed(place, typed, &mut behind);
                (Some(slot), behind.pop())
            }
        }
    }

    /// Every question, with its range where params and constants tell it, and whether it can be
    /// asked at all.
    pub(super) fn asked(&mut self) -> Vec<program::Asked> {
        let called = self.called();
        let setup = &self.program.setup;
        let of = |mut found: Found| {
            let ends = found.ends.as_ref();
            let range = ends.and_then(|(low, high)| known(low, setup).zip(known(high, setup)));
            if let Wanted::Quantity(quantity) = &mut found.asked.wanted {
                quantity.range = range.filter(|(low, high)| low <= high);
            }
            let planned = Planned { optional: !called(found.routine), ..found.asked.planned };
            program::Asked { planned, ..found.asked }
        };
        std::mem::take(&mut self.questions).into_iter().map(of).collect()
    }

    /// Routines called under light that ask on their way.
    pub(super) fn asked_under_light(&mut self, graph: &Graph) {
        for site in graph.by_caller.values().flatten() {
            let (Callee::Routine(callee), Some(arm)) = (site.callee, site.armed) else { continue };
            // What stands in one that is declared `within arm` is reported there.
            let inside = self.routines.get(callee).is_some_and(|routine| routine.armed.is_some());
            let asks = |routine: usize| graph.effects.get(routine)?.get(&Effect::Asks).copied();
            let Some(mut brought) = asks(callee).filter(|_| !inside) else { continue };
            for _ in 0..graph.effects.len() {
                match brought.by.and_then(asks) {
                    Some(inner) => brought = inner,
                    None => break,
                }
            }
            let text = self.words(site.span);
            let headline = format!("`{text}` asks the operator, and the laser is armed here");
            self.error(codes::QUESTION_WHILE_ARMED, headline, site.span)
                .label(arm, "armed here")
                .label(brought.span, "asked here on the way")
                .help("call it before the block: how long people take to answer is not known");
        }
    }
}

/// A number that is the same all through a run, by what sets params and constants.
fn known(number: &Number, setup: &[Statement]) -> Option<f64> {
    let known = |number: &Number| known(number, setup);
    match number {
        Number::Constant(value) => Some(*value),
        Number::Local(slot) => setup.iter().enumerate().rev().find_map(|(at, set)| match set {
            Statement::Set(Slot::Number(other), program::Expression::Number(number))
                if other == slot =>
            {
                // Nothing is made of what is set behind it.
                self::known(number, setup.get(..at)?)
            }
            _ => None,
        }),
        Number::Negate(a) => Some(-known(a)?),
        Number::Arithmetic(operator, a, b) => {
            let (a, b) = (known(a)?, known(b)?);
            Some(match operator {
                Arithmetic::Add => a + b,
                Arithmetic::Subtract => a - b,
                Arithmetic::Multiply => a * b,
            })
        }
        _ => None,
    }
}

fn pattern(pieces: &[Piece]) -> Pattern {
    let mut parts = vec![String::new()];
    for piece in pieces {
        match piece {
            Piece::Plain(text) => {
                if let Some(last) = parts.last_mut() {
                    last.push_str(text);
                }
            }
            Piece::Value(..) => parts.push(String::new()),
        }
    }
    Pattern::of(parts.iter().map(String::as_str))
}

/// What an operator must answer; none for what is refused already.
fn wanted(answer: &Answer) -> Option<Wanted> {
    let quantity = |dimension: Dimension, absolute: bool| {
        let unit = answer.unit.as_deref().cloned();
        let ends = answer.ends.as_ref();
        let range = ends.and_then(|(low, high)| low.constant().zip(high.constant()));
        Some(Wanted::Quantity(Quantity { dimension, absolute, unit, range }))
    };
    match &answer.kind {
        Type::Flag => Some(Wanted::Flag),
        Type::Text => Some(Wanted::Text),
        Type::Temperature => quantity(Dimension::TEMPERATURE, true),
        Type::Quantity(dimension) => quantity(*dimension, false),
        _ => None,
    }
}
