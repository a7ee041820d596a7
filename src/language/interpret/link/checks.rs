//! What a script leaves behind: checks, records and notes.

use crate::acceptance::decision::{Limit, Measurement, Outcome, Rule, decide};
use crate::builtins::{Budget, Component, budget};
use crate::interpret::events;
use crate::interpret::events::{Bound, Check, Event, Measured};
use crate::interpret::link::{FlagNode, Linker, NumberNode, RefNode, StatementNode};
use crate::interpret::machine::{Failed, Flow, Machine};
use crate::program::failure::{FailureKind, NO_COMPONENTS, bad_factor, bad_risk};
use crate::program::plot::{Plot, PlotOf};
use crate::program::show::{Shower, Shown};
use crate::program::tree;
use crate::program::tree::{Deciding, Expect, Expectation, Expression, Number, Ref, Stated};
use crate::program::value::Datum;
use crate::source::Span;
use std::rc::Rc;

/// A linked condition of a check.
enum Condition {
    Holds(FlagNode),
    Limits(Box<Limits>),
}

struct Limits {
    value: NumberNode,
    uncertainty: Option<Uncertainty>,
    low: Option<(NumberNode, bool)>,
    high: Option<(NumberNode, bool)>,
    shower: Shower,
    coverage: NumberNode,
    rule: LinkedRule,
    span: Span,
}

/// What is stated behind `±`.
enum Uncertainty {
    Expanded(NumberNode),
    Budget(RefNode),
}

/// By which rule a value is decided.
enum LinkedRule {
    Simple,
    Guard,
    Risk(NumberNode),
}

impl LinkedRule {
    fn now(&self, machine: &mut Machine<'_>, span: Span) -> Result<Rule, Failed> {
        match self {
            LinkedRule::Simple => Ok(Rule::Simple),
            LinkedRule::Guard => Ok(Rule::Guard),
            LinkedRule::Risk(risk) => {
                let risk = risk(machine)?;
                if !(0.0..=0.5).contains(&risk) {
                    return Err(machine.fail(FailureKind::Value, bad_risk(risk), span));
                }
                Ok(Rule::Risk(risk))
            }
        }
    }
}

impl Condition {
    fn decide(&self, machine: &mut Machine<'_>) -> Result<(Outcome, Option<Measured>), Failed> {
        match self {
            Condition::Holds(flag) => Ok(match flag(machine)? {
                true => (Outcome::Conforms, None),
                false => (Outcome::Fails, None),
            }),
            Condition::Limits(limits) => limits.decide(machine),
        }
    }
}

impl Limits {
    fn decide(&self, machine: &mut Machine<'_>) -> Result<(Outcome, Option<Measured>), Failed> {
        let value = (self.value)(machine)?;
        let (uncertainty, budget) = match &self.uncertainty {
            Some(Uncertainty::Expanded(uncertainty)) => (Some(uncertainty(machine)?), None),
            Some(Uncertainty::Budget(components)) => {
                let budget = budget(&components(machine)?);
                let failed = || machine.fail(FailureKind::Value, NO_COMPONENTS, self.span);
                let budget = budget.ok_or_else(failed)?;
                (Some(budget.expanded), Some(budget))
            }
            None => (None, None),
        };
        let low = limit(machine, self.low.as_ref())?;
        let high = limit(machine, self.high.as_ref())?;
        let coverage = match &budget {
            Some(budget) => budget.factor,
            None => (self.coverage)(machine)?,
        };
        if coverage.is_nan() || coverage <= 0.0 {
            return Err(machine.fail(FailureKind::Value, bad_factor(coverage), self.span));
        }
        let rule = self.rule.now(machine, self.span)?;
        let measured = Measurement {
            value,
            uncertainty: uncertainty.unwrap_or(0.0),
            coverage,
            degrees: budget.as_ref().map_or(f64::INFINITY, |budget| budget.degrees),
        };
        let decided = decide(rule, measured, low, high);
        if machine.observer.is_brief() {
            return Ok((decided.outcome, None));
        }
        let bound = |limit: Limit| {
            let at = shown(&self.shower.as_written(limit.at), limit.at);
            Bound { at, closed: limit.closed }
        };
        let tuned = self.shower.tuned(value, uncertainty);
        let measured = Measured {
            value: shown(&tuned, value),
            uncertainty: uncertainty.map(|u| shown(&tuned.difference(), u)),
            coverage,
            budget: budget.map(|budget| self.shown_budget(budget)),
            rule,
            margin: decided
                .margin
                .map(|margin| shown(&self.shower.tuned(margin, uncertainty).difference(), margin)),
            probability: decided.probability,
            low: low.map(bound),
            high: high.map(bound),
        };
        Ok((decided.outcome, Some(measured)))
    }
}

impl Limits {
    fn shown_budget(&self, budget: Budget) -> events::Budget {
        let part = |part: Component| {
            let shower = self.shower.tuned(part.u, Some(part.u)).difference();
            let Component { name, source, degrees, u } = part;
            events::Component { name, source, degrees, u: shown(&shower, u) }
        };
        let components = budget.components.into_iter().map(part).collect();
        events::Budget { degrees: budget.degrees, components }
    }
}

fn stopped(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Undecided => "is undecided",
        Outcome::Conforms | Outcome::Fails => "does not conform",
    }
}

fn shown(shower: &Shower, value: f64) -> Shown {
    shower.shown(&Datum::Number(value))
}

fn limit(
    machine: &mut Machine<'_>,
    limit: Option<&(NumberNode, bool)>,
) -> Result<Option<Limit>, Failed> {
    match limit {
        Some((at, closed)) => Ok(Some(Limit { at: at(machine)?, closed: *closed })),
        None => Ok(None),
    }
}

impl Linker<'_> {
    /// Decides a check; the script goes on whatever comes of it.
    pub(crate) fn expect(&mut self, expect: &Expect) -> StatementNode {
        let label = self.reference(&expect.label);
        let Deciding { rule, coverage, needed } = &expect.deciding;
        let (needed, number) = (*needed, expect.number);
        let condition = match &expect.condition {
            Expectation::Holds(flag) => Condition::Holds(self.flag(flag)),
            Expectation::Limits { value, uncertainty, low, high, shower } => {
                let mut bound = |(at, closed): &(_, bool)| (self.number(at), *closed);
                let (low, high) = (low.as_ref().map(&mut bound), high.as_ref().map(bound));
                Condition::Limits(Box::new(Limits {
                    value: self.number(value),
                    uncertainty: uncertainty.as_ref().map(|stated| match stated {
                        Stated::Expanded(u) => Uncertainty::Expanded(self.number(u)),
                        Stated::Budget(components) => {
                            Uncertainty::Budget(self.reference(components))
                        }
                    }),
                    low,
                    high,
                    shower: shower.clone(),
                    coverage: self.number(coverage),
                    rule: match rule {
                        tree::Rule::Simple => LinkedRule::Simple,
                        tree::Rule::Guard => LinkedRule::Guard,
                        tree::Rule::Risk(risk) => LinkedRule::Risk(self.number(risk)),
                    },
                    span: expect.span,
                }))
            }
        };
        let (text, span) = (expect.text.clone(), expect.span);
        Box::new(move |machine| {
            let label = label(machine)?.as_text().to_string();
            let (outcome, measured) = condition.decide(machine)?;
            machine.all_conform &= outcome == Outcome::Conforms;
            let stops = needed && outcome != Outcome::Conforms;
            let why =
                stops.then(|| format!("the check {label} is needed, and it {}", stopped(outcome)));
            machine.tell(Event::Check(Box::new(Check {
                label,
                number,
                text: text.clone(),
                measured,
                outcome,
                span,
            })));
            match why {
                Some(why) => Err(machine.fail(FailureKind::Failed, why, span)),
                None => Ok(Flow::Next),
            }
        })
    }

    /// Records a value.
    pub(crate) fn record(
        &mut self,
        label: &Ref,
        value: &Expression,
        (shower, plot): (&Shower, Option<&Plot>),
        text: &Rc<str>,
        span: Span,
    ) -> StatementNode {
        let label = self.reference(label);
        let value = self.expression(value);
        let plot = plot.map(|plot| {
            let mut limit = |limit: &Option<Number>| limit.as_ref().map(|limit| self.number(limit));
            (plot.sort, limit(&plot.low), limit(&plot.high))
        });
        let (shower, text) = (shower.clone(), text.clone());
        Box::new(move |machine| {
            let label = label(machine)?.as_text().to_string();
            let datum = value.datum(machine)?;
            if let Datum::Value(value) = &datum {
                machine.can_be_shown(value, span)?;
            }
            let shown = match &datum {
                Datum::Value(_) if machine.observer.is_brief() => None,
                datum => Some(shower.shown(datum)),
            };
            let plot = match &plot {
                Some((sort, low, high)) => {
                    let low = low.as_ref().map(|low| low(machine)).transpose()?;
                    let high = high.as_ref().map(|high| high(machine)).transpose()?;
                    Some(PlotOf { sort: *sort, low, high })
                }
                None => None,
            };
            if let Some(shown) = shown {
                machine.tell(Event::Recorded { label, shown, plot, text: text.clone(), span });
            }
            Ok(Flow::Next)
        })
    }

    /// Prints a line.
    pub(crate) fn note(&mut self, text: &Ref) -> StatementNode {
        let text = self.reference(text);
        Box::new(move |machine| {
            let text = text(machine)?.as_text().to_string();
            machine.tell(Event::Note(text));
            Ok(Flow::Next)
        })
    }
}
