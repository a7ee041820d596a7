//! Questions to the operator.

use crate::interpret::events::Event;
use crate::interpret::link::guards::duration;
use crate::interpret::link::{Linker, NumberNode, RefNode, StatementNode};
use crate::interpret::machine::{Failed, Flow, Machine};
use crate::operator::{Answer, NoAnswer, Question, Wanted};
use crate::program::failure::FailureKind;
use crate::program::show::{Shower, time_text};
use crate::program::tree::{Ask, Slot};
use crate::program::value::Datum;
use crate::source::Span;
use crate::station::StationError;
use spintrue_head::Fault;

/// What a question is made of.
struct Asking {
    question: RefNode,
    limit: NumberNode,
    wanted: Wanted,
    range: Option<(NumberNode, NumberNode)>,
    into: Option<Slot>,
    shower: Shower,
    span: Span,
}

impl Asking {
    fn run(&self, machine: &mut Machine<'_>) -> Result<Flow, Failed> {
        let question = (self.question)(machine)?.as_text().to_string();
        let limit = duration(machine, &self.limit, self.span)?;
        let wanted = self.wanted(machine)?;
        if machine.stopped() {
            return Err(machine.interrupted(self.span));
        }
        machine.at = self.span;
        let (kind, span) = (wanted.words(), self.span);
        machine.tell(Event::Asked { question: question.clone(), wanted: kind, limit, span });
        let asked = Question { text: &question, wanted: &wanted, limit };
        let (answer, who) = match machine.station.ask(&asked) {
            Ok(answered) => answered,
            Err(error) => return Err(self.unanswered(machine, error, &question, limit)),
        };
        let datum = match answer {
            Answer::Flag(flag) => Datum::Flag(flag),
            Answer::Quantity(value) => Datum::Number(value),
            Answer::Text(text) => Datum::Value(machine.text(&text, self.span)?),
        };
        let shown = self.shower.shown(&datum);
        machine.tell(Event::Answered { question, shown, who, span });
        match (self.into, datum) {
            (Some(Slot::Number(slot) | Slot::Flag(slot)), Datum::Number(value)) => {
                machine.set_word(slot.0, value);
            }
            (Some(Slot::Number(slot) | Slot::Flag(slot)), Datum::Flag(flag)) => {
                machine.set_word(slot.0, if flag { 1.0 } else { 0.0 });
            }
            (Some(Slot::Ref(slot)), Datum::Value(value)) => machine.set_reference(slot.0, value),
            (None, _) => {}
            _ => return Err(machine.broken("an answer of another sort", self.span)),
        }
        Ok(Flow::Next)
    }

    /// What the answer must be, with the range as it is now.
    fn wanted(&self, machine: &mut Machine<'_>) -> Result<Wanted, Failed> {
        let (Wanted::Quantity(quantity), Some((low, high))) = (&self.wanted, &self.range) else {
            return Ok(self.wanted.clone());
        };
        let (low, high) = (low(machine)?, high(machine)?);
        if low > high || low.is_nan() || high.is_nan() {
            let [low, high] = [low, high].map(|end| self.shower.text(&Datum::Number(end)));
            let message = format!("no answer lies within {low} and {high}");
            return Err(machine.fail(FailureKind::Value, message, self.span));
        }
        let mut quantity = quantity.clone();
        quantity.range = Some((low, high));
        Ok(Wanted::Quantity(quantity))
    }

    fn unanswered(
        &self,
        machine: &mut Machine<'_>,
        error: StationError,
        question: &str,
        limit: f64,
    ) -> Failed {
        let (kind, message) = match error {
            StationError::NoAnswer(NoAnswer::TimedOut) => {
                let after = time_text(limit);
                (FailureKind::Timeout, format!("gave up after {after}: no answer came"))
            }
            StationError::NoAnswer(NoAnswer::NoOperator(why)) => (FailureKind::Unanswered, why),
            StationError::NoAnswer(NoAnswer::Wrong(why)) => (FailureKind::Value, why),
            StationError::NoAnswer(NoAnswer::Interrupted) | StationError::Interrupted => {
                return machine.interrupted(self.span);
            }
            StationError::Overdue(_)
            | StationError::NotHeld
            | StationError::NoNumber(_)
            | StationError::NoScan(_) => {
                return machine.refused(error, self.span);
            }
            // The checker has seen to this; what it missed is a mistake of its own.
            StationError::Fault(fault @ Fault::Armed { .. }) => {
                return machine.broken(&fault.to_string(), self.span);
            }
            StationError::Fault(fault) => (FailureKind::Fault, fault.to_string()),
        };
        machine.fail(kind, format!("the question \"{question}\": {message}"), self.span)
    }
}

impl Linker<'_> {
    /// Asks the operator.
    pub(crate) fn ask(&mut self, ask: &Ask) -> StatementNode {
        let ends = ask.range.as_ref();
        let asking = Asking {
            question: self.reference(&ask.question),
            limit: self.number(&ask.limit),
            wanted: ask.wanted.clone(),
            range: ends.map(|(low, high)| (self.number(low), self.number(high))),
            into: ask.into,
            shower: ask.shower.clone(),
            span: ask.span,
        };
        Box::new(move |machine| asking.run(machine))
    }
}
