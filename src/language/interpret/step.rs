//! Pausing before a statement: who is asked, and what can be seen then. Nothing pauses from the
//! arming of the laser to its disarming, nor on the way out once a stop was requested.

use crate::interpret::machine::{Failed, Flow, Machine};
use crate::program::tree::Slot;
use crate::program::value::{Datum, Value};
use crate::source::Span;
use crate::station::Station;

/// Is asked before each statement of a program that was checked for stepping.
pub(crate) trait Stepper {
    /// A statement is about to run; takes as long as it likes, for the laser is not armed. The run
    /// goes on where this gives true, and else fails as stopped on request.
    fn before(&mut self, moment: Moment<'_>) -> bool;
}

/// Right before a statement.
pub struct Moment<'m> {
    /// The number of the step.
    pub step: usize,
    /// The statement.
    pub span: Span,
    /// How many calls lie around it.
    pub depth: usize,
    /// The head and its gauge.
    pub station: &'m mut Station,
    words: &'m [f64],
    refs: &'m [Value],
}

impl Moment<'_> {
    /// What stands in a slot.
    pub fn datum(&self, slot: Slot) -> Datum {
        datum(self.words, self.refs, slot)
    }
}

/// What stands in a slot of a program.
pub(super) fn datum(words: &[f64], refs: &[Value], slot: Slot) -> Datum {
    let word = |slot: usize| words.get(slot).copied().unwrap_or(f64::NAN);
    match slot {
        Slot::Number(slot) => Datum::Number(word(slot.0)),
        Slot::Flag(slot) => Datum::Flag(word(slot.0) != 0.0),
        Slot::Ref(slot) => Datum::Value(refs.get(slot.0).cloned().unwrap_or_default()),
    }
}

impl Machine<'_> {
    /// Asks the stepper before a statement.
    #[inline(never)]
    pub(super) fn pause(&mut self, step: usize, span: Span) -> Result<Flow, Failed> {
        // An armed laser does not wait; a routine may be called inside and outside of `arm`.
        if self.unbroken > 0 || self.station.is_armed() {
            return Ok(Flow::Next);
        }
        let Some(stepper) = &mut self.stepper else { return Ok(Flow::Next) };
        let moment = Moment {
            step,
            span,
            depth: self.depth,
            station: &mut *self.station,
            words: &self.words,
            refs: &self.refs,
        };
        let goes_on = stepper.before(moment);
        // What was asked of the head meanwhile is no call of the script.
        self.station.take_called();
        if goes_on && !self.stopped() {
            return Ok(Flow::Next);
        }
        Err(self.interrupted(span))
    }
}
