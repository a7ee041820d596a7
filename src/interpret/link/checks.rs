//! What a script leaves behind: checks, records and notes.

use crate::acceptance::decision::{Limit, Outcome, decide};
use crate::interpret::events::{Bound, Check, Event, Measured};
use crate::interpret::link::stores::done;
use crate::interpret::link::{FlagNode, Linker, NumberNode, StatementNode};
use crate::interpret::machine::{Failed, Machine};
use crate::program::show::{Shower, Shown};
use crate::program::tree::{Expect, Expectation, Expression, Ref};
use crate::program::value::Datum;
use crate::source::Span;

/// A linked condition of a check.
enum Condition {
    Holds(FlagNode),
    Limits(Box<Limits>),
}

struct Limits {
    value: NumberNode,
    uncertainty: Option<NumberNode>,
    low: Option<(NumberNode, bool)>,
    high: Option<(NumberNode, bool)>,
    shower: Shower,
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
        let uncertainty = match &self.uncertainty {
            Some(uncertainty) => Some(uncertainty(machine)?),
            None => None,
        };
        let low = limit(machine, self.low.as_ref())?;
        let high = limit(machine, self.high.as_ref())?;
        let outcome = decide(value, uncertainty.unwrap_or(0.0), low, high);
        let bound =
            |limit: Limit| Bound { at: shown(&self.shower, limit.at), closed: limit.closed };
        let tuned = self.shower.tuned(value, uncertainty);
        let measured = Measured {
            value: shown(&tuned, value),
            uncertainty: uncertainty.map(|u| shown(&tuned.difference(), u)),
            low: low.map(bound),
            high: high.map(bound),
        };
        Ok((outcome, Some(measured)))
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
    pub fn expect(&mut self, expect: &Expect) -> StatementNode {
        let label = self.reference(&expect.label);
        let condition = match &expect.condition {
            Expectation::Holds(flag) => Condition::Holds(self.flag(flag)),
            Expectation::Limits { value, uncertainty, low, high, shower } => {
                let mut bound = |(at, closed): &(_, bool)| (self.number(at), *closed);
                let (low, high) = (low.as_ref().map(&mut bound), high.as_ref().map(bound));
                Condition::Limits(Box::new(Limits {
                    value: self.number(value),
                    uncertainty: uncertainty.as_ref().map(|u| self.number(u)),
                    low,
                    high,
                    shower: shower.clone(),
                }))
            }
        };
        let (text, span) = (expect.text.clone(), expect.span);
        Box::new(move |machine| {
            let work = |machine: &mut Machine<'_>| {
                let label = label(machine)?.as_text().to_string();
                let (outcome, measured) = condition.decide(machine)?;
                machine.tell(Event::Check(Box::new(Check {
                    label,
                    text: text.clone(),
                    measured,
                    outcome,
                    span,
                })));
                Ok(())
            };
            done(work(machine))
        })
    }

    /// Records a value.
    pub fn record(
        &mut self,
        label: &Ref,
        value: &Expression,
        shower: &Shower,
        span: Span,
    ) -> StatementNode {
        let label = self.reference(label);
        let value = self.expression(value);
        let shower = shower.clone();
        Box::new(move |machine| {
            let work = |machine: &mut Machine<'_>| {
                let label = label(machine)?.as_text().to_string();
                let datum = value.datum(machine)?;
                if let Datum::Value(value) = &datum {
                    machine.can_be_shown(value, span)?;
                }
                let shown = shower.shown(&datum);
                machine.tell(Event::Recorded { label, shown, span });
                Ok(())
            };
            done(work(machine))
        })
    }

    /// Prints a line.
    pub fn note(&mut self, text: &Ref) -> StatementNode {
        let text = self.reference(text);
        Box::new(move |machine| {
            let work = |machine: &mut Machine<'_>| {
                let text = text(machine)?.as_text().to_string();
                machine.tell(Event::Note(text));
                Ok(())
            };
            done(work(machine))
        })
    }
}
