//! The state of a running script: slots, station, stop flag, and the failure on its way.

use crate::builtins::Trouble;
use crate::interpret::events::{Event, Observer};
use crate::interpret::holds::{Holds, PlaceText};
use crate::interpret::memory::Memory;
use crate::interpret::step::{Stepper, datum};
use crate::operator::NoAnswer;
use crate::program::failure::{Failure, FailureKind, bad_index};
use crate::program::tree::Slot;
use crate::program::value::{Datum, Object, Value};
use crate::source::Span;
use crate::station::{Station, StationError};
use spintrue_head::Fault;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Steps of computing between two looks while armed, or while conditions must hold: a step takes 1 ns to 50 ns, so they take about 10
/// ms at most. A recording repeats its looks only with the same number.
const ARMED_STEPS: i64 = 200_000;

/// The same at other times, when only the stop flag and the clock are looked at.
const DARK_STEPS: i64 = 10 * ARMED_STEPS;

/// What a call of a built-in counts at least: the longest without a list takes 30 µs.
pub(super) const BUILTIN_STEPS: usize = 500;

/// What telling the observer counts.
const TELL_STEPS: usize = 2000;

/// Says that something failed; what it was waits in [`Machine::failure`]. It has no size, so
/// that results come back in registers.
#[derive(Clone, Copy, Debug)]
pub(super) struct Failed;

/// How a statement ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Flow {
    /// Go on.
    Next,
    /// Leave the innermost loop.
    Break,
    /// Go on with the innermost loop.
    Continue,
    /// Leave the routine.
    Return,
}

/// A running script.
pub(super) struct Machine<'a> {
    /// Quantities, temperatures and flags.
    pub words: Vec<f64>,
    /// Texts, lists and records.
    pub refs: Vec<Value>,
    /// References that a closure needs while it works out something else.
    pub held: Vec<Value>,
    /// Lists and records under construction.
    pub building: Vec<Object>,
    /// Memory for a list under construction that only is put behind another one.
    pub spare: Object,
    /// Memory for a text under construction.
    pub written: String,
    /// The bound on what all these may hold.
    pub memory: Memory,
    /// Set from outside to end the script.
    pub stop: Arc<AtomicBool>,
    /// Steps of computing that are left until the next look at the stop flag and the head; none where a
    /// stop was requested that the machine knows of.
    pub left: i64,
    /// Every check made so far conforms.
    pub all_conform: bool,
    /// The failure on its way out.
    pub failure: Option<Failure>,
    /// Failures whose `catch` is running, with the record that the script sees.
    pub caught: Vec<(Value, Failure)>,
    /// The last call to the outside, for the place of a panic.
    pub at: Span,
    /// The head and its gauge.
    pub station: &'a mut Station,
    /// Hears what the script says.
    pub observer: &'a mut dyn Observer,
    /// Names a place for the reader.
    pub place_text: PlaceText,
    /// Is asked before each statement, where the program has steps.
    pub stepper: Option<&'a mut dyn Stepper>,
    /// Conditions that must hold.
    pub holds: Holds,
    /// Blocks around in which nothing pauses: `arm`, `hold`, and `finally` once a stop was requested.
    pub unbroken: usize,
    /// Calls around, where the program has steps.
    pub depth: usize,
}

impl Machine<'_> {
    /// Tells the observer, with the head time.
    pub(super) fn tell(&mut self, event: Event) {
        self.count_steps(TELL_STEPS);
        let time = self.station.now();
        self.observer.event(time, event);
        if self.stopped() {
            self.left = 0;
        }
    }

    /// Starts a failure.
    #[cold]
    #[inline(never)]
    pub(super) fn fail(
        &mut self,
        kind: FailureKind,
        message: impl Into<String>,
        place: Span,
    ) -> Failed {
        self.failure = Some(Failure::new(kind, message, place));
        Failed
    }

    /// A stop was requested.
    #[cold]
    #[inline(never)]
    pub(super) fn interrupted(&mut self, place: Span) -> Failed {
        self.fail(FailureKind::Interrupted, "stopped on request", place)
    }

    /// Turns the station's answer into a failure.
    #[cold]
    pub(super) fn refused(&mut self, error: StationError, place: Span) -> Failed {
        match error {
            StationError::Fault(fault) => {
                let kind = match fault {
                    // Asking for what no such head can do is the script's mistake.
                    Fault::OutOfRange { .. } | Fault::Armed { .. } => FailureKind::Value,
                    Fault::NotLocked => FailureKind::NotLocked,
                    Fault::InterlockOpen => FailureKind::InterlockOpen,
                    Fault::NoPulse(_) => FailureKind::NoPulse,
                    Fault::Underrun => FailureKind::Underrun,
                    Fault::LostReading | Fault::NoGauge => FailureKind::NoReading,
                    Fault::Broken(_) => FailureKind::NoAnswer,
                    Fault::NotArmed | Fault::Refused(_) => FailureKind::Fault,
                };
                self.fail(kind, fault.to_string(), place)
            }
            StationError::NoScan(why) => self.fail(FailureKind::NoScan, why, place),
            StationError::NoNumber(why) => self.fail(FailureKind::Value, why, place),
            StationError::Interrupted => self.interrupted(place),
            StationError::Overdue(limit) => {
                self.fail(FailureKind::Timeout, limit.to_string(), place)
            }
            // What broke is known already.
            StationError::NotHeld => match &self.failure {
                Some(_) => Failed,
                None => self.broken("nothing broke", place),
            },
            StationError::NoAnswer(NoAnswer::Interrupted) => self.interrupted(place),
            // `ask` says more of it; this was asked of a sheet.
            StationError::NoAnswer(NoAnswer::TimedOut) => {
                self.fail(FailureKind::Timeout, "gave up on a sheet: no answer came", place)
            }
            StationError::NoAnswer(NoAnswer::NoOperator(why) | NoAnswer::Wrong(why)) => {
                self.fail(FailureKind::Unanswered, why, place)
            }
        }
    }

    /// Turns a built-in's answer into a failure.
    #[cold]
    pub(super) fn troubled(&mut self, trouble: Trouble, place: Span) -> Failed {
        match trouble {
            Trouble::Station(error) => self.refused(error, place),
            Trouble::Unusable(message) => self.fail(FailureKind::Fault, message, place),
            Trouble::Value(message) => self.fail(FailureKind::Value, message, place),
            Trouble::Limit(message) => self.fail(FailureKind::Limit, message, place),
        }
    }

    /// Something is wrong with the checked tree itself.
    #[cold]
    pub(super) fn broken(&mut self, what: &str, place: Span) -> Failed {
        self.fail(FailureKind::Fault, format!("internal error: {what}"), place)
    }

    /// Whether a stop was requested.
    #[inline(always)]
    pub(super) fn stopped(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    /// Counts steps of computing.
    #[inline(always)]
    pub(super) fn count_steps(&mut self, steps: usize) {
        self.left -= steps as i64;
    }

    /// Counts what is computed up to the next turn of a loop or call of a routine. Now and then a look is
    /// due: fails where a stop was requested, or the head or the clock says that the run may not go on.
    #[inline(always)]
    pub(super) fn turn(&mut self, steps: usize, place: Span) -> Result<(), Failed> {
        let left = self.left - steps as i64;
        if left < 0 {
            return self.look(place);
        }
        self.left = left;
        Ok(())
    }

    #[cold]
    #[inline(never)]
    fn look(&mut self, place: Span) -> Result<(), Failed> {
        if self.stopped() {
            return Err(self.interrupted(place));
        }
        // Should the head panic, it was here.
        let at = std::mem::replace(&mut self.at, place);
        let looked = self.station.look();
        self.count_anew();
        looked.map_err(|error| self.refused(error, place))?;
        if self.station.is_real_time() {
            self.look_at_held(false)?;
        }
        self.at = at;
        Ok(())
    }

    /// Counts steps anew up to the next look, as behind each call of the head, where the guard has looked.
    /// Counting depends on nothing before the last call, so that a replay looks where its recording did.
    pub(super) fn count_anew(&mut self) {
        self.station.take_called();
        let often = self.station.is_armed() || self.is_holding();
        self.left = match (self.stopped(), often) {
            (true, _) => 0,
            (false, true) => ARMED_STEPS,
            (false, false) => DARK_STEPS,
        };
    }

    /// A word slot.
    #[inline(always)]
    pub(super) fn word(&self, slot: usize) -> f64 {
        self.words.get(slot).copied().unwrap_or(f64::NAN)
    }

    /// Writes a word slot.
    #[inline(always)]
    pub(super) fn set_word(&mut self, slot: usize, value: f64) {
        if let Some(word) = self.words.get_mut(slot) {
            *word = value;
        }
    }

    /// What stands in a slot.
    pub(super) fn datum(&self, slot: Slot) -> Datum {
        datum(&self.words, &self.refs, slot)
    }

    /// A copy of a reference slot.
    #[inline]
    pub(super) fn reference(&self, slot: usize) -> Value {
        self.refs.get(slot).cloned().unwrap_or_default()
    }

    /// Writes a reference slot.
    #[inline]
    pub(super) fn set_reference(&mut self, slot: usize, value: Value) {
        if let Some(reference) = self.refs.get_mut(slot) {
            *reference = value;
        }
    }

    /// Empties a reference slot.
    #[inline]
    pub(super) fn take_reference(&mut self, slot: usize) -> Value {
        self.refs.get_mut(slot).map(std::mem::take).unwrap_or_default()
    }

    /// The failure on its way, for the `catch` that stops it.
    pub(super) fn take_failure(&mut self) -> Failure {
        self.failure.take().unwrap_or_else(|| {
            Failure::new(FailureKind::Fault, "internal error: nothing failed", self.at)
        })
    }

    /// Keeps the first of two failures on its way, and tells of the other one.
    pub(super) fn keep_first(&mut self, first: Failure) {
        if let Some(second) = self.failure.replace(first) {
            self.tell(Event::AlsoFailed(second));
        }
    }

    /// Fails on an index that leads nowhere in a list of `count`.
    #[cold]
    #[inline(never)]
    pub(super) fn bad_index(&mut self, index: f64, count: usize, place: Span) -> Failed {
        self.fail(FailureKind::Value, bad_index(index, count), place)
    }

    /// Fails on a division by zero.
    #[cold]
    #[inline(never)]
    pub(super) fn zero(&mut self, place: Span) -> Failed {
        self.fail(FailureKind::Value, "division by zero", place)
    }
}

/// A double as an index, if it is a whole number from 0.
#[inline(always)]
pub(super) fn whole(index: f64) -> Option<usize> {
    let whole = index as u32;
    (f64::from(whole) == index).then_some(whole as usize)
}
