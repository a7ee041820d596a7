//! Conditions that must hold while a block runs: when they are looked at, and what is told of them.
//!
//! A look is due once its period has passed since the last one; the time that looking takes counts for no
//! hold. The station asks after each call of the head and each slice of a sleep, the machine while a script
//! computes. A look works on copies of the variables, so a routine that is running may be called in a
//! condition as well.

use crate::interpret::events::{Bound, Event, HeldBlock, HeldCondition, Observer};
use crate::interpret::machine::{Failed, Machine};
use crate::interpret::memory::Memory;
use crate::program::failure::{Failure, FailureKind};
use crate::program::show::{Shower, time_text};
use crate::program::value::Object;
use crate::program::value::{Datum, Value};
use crate::source::Span;
use crate::station::Station;
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// Times that lie no further apart are the same, in s.
const FRESH: f64 = 1e-9;

/// Names a place of the script for its reader.
pub type PlaceText = Rc<dyn Fn(Span) -> String>;

/// Reads something of a condition.
type Reads<T> = Box<dyn Fn(&mut Machine<'_>) -> Result<T, Failed>>;

/// A linked condition.
pub(super) struct Condition {
    pub what: What,
    /// In the script's words.
    pub text: Rc<str>,
    pub span: Span,
}

/// What a condition looks at.
pub(super) enum What {
    Flag(Reads<bool>),
    /// A value with its limits; a value right at a closed limit holds.
    Limits {
        value: Reads<f64>,
        low: Option<(Reads<f64>, bool)>,
        high: Option<(Reads<f64>, bool)>,
        shower: Shower,
    },
}

/// What was seen of a condition so far.
#[derive(Clone, Default)]
struct Seen {
    /// The smallest and the largest value.
    range: Option<(f64, f64)>,
    low: Option<Bound>,
    high: Option<Bound>,
    breaks: Option<String>,
}

/// A block that runs while its conditions hold.
struct Hold {
    conditions: Rc<[Condition]>,
    seen: Vec<Seen>,
    every: f64,
    span: Span,
    began: f64,
    /// Head time in s at which the next look is due, and of the last one.
    due: f64,
    looked: f64,
    looks: u64,
    longest_gap: f64,
}

/// The blocks around.
#[derive(Default)]
pub(super) struct Holds {
    open: Vec<Hold>,
    /// The one that failed: nothing inside it catches that.
    failed: Option<usize>,
    /// `finally` blocks around that run because of a failure: nothing is looked at there.
    suspended: usize,
    /// Until when the script last let time pass, in s of head time.
    waited: f64,
}

/// What a look needs besides the station.
struct View<'v> {
    words: &'v [f64],
    refs: &'v [Value],
    all_conform: bool,
    stop: &'v Arc<AtomicBool>,
    place_text: &'v PlaceText,
}

/// Conditions only read, so there is nothing to tell.
struct Mute;

impl Observer for Mute {
    fn event(&mut self, _: f64, _: Event) {}
}

impl Condition {
    /// Looks; gives what is wrong where it does not hold.
    fn look(&self, machine: &mut Machine<'_>, seen: &mut Seen) -> Result<Option<String>, Failed> {
        let text = &self.text;
        match &self.what {
            What::Flag(flag) => {
                let holds = flag(machine)?;
                Ok((!holds).then(|| format!("`{text}` does not hold")))
            }
            What::Limits { value, low, high, shower } => {
                let value = value(machine)?;
                let mut end = |limit: &Option<(Reads<f64>, bool)>| match limit {
                    Some((at, closed)) => Ok(Some((at(machine)?, *closed))),
                    None => Ok(None),
                };
                let (low, high) = (end(low)?, end(high)?);
                let beyond = |a: f64, b: f64, closed| a < b || (closed && a == b);
                let holds = low.is_none_or(|(low, closed)| beyond(low, value, closed))
                    && high.is_none_or(|(high, closed)| beyond(value, high, closed));
                let bound = |(at, closed)| Bound {
                    at: shower.as_written(at).shown(&Datum::Number(at)),
                    closed,
                };
                (seen.low, seen.high) = (low.map(bound), high.map(bound));
                let (least, most) = seen.range.unwrap_or((value, value));
                seen.range = Some((least.min(value), most.max(value)));
                let shown = || shower.tuned(value, None).text(&Datum::Number(value));
                Ok((!holds).then(|| format!("`{text}` does not hold: measured {}", shown())))
            }
        }
    }

    fn told(&self, seen: Seen) -> HeldCondition {
        let range = match (&self.what, seen.range) {
            (What::Limits { shower, .. }, Some((least, most))) => Some(
                [least, most].map(|value| shower.tuned(value, None).shown(&Datum::Number(value))),
            ),
            _ => None,
        };
        let Seen { low, high, breaks, .. } = seen;
        HeldCondition { text: self.text.clone(), range, low, high, breaks, span: self.span }
    }
}

impl Hold {
    /// Looks at each condition, and says what does not hold.
    fn look(&mut self, machine: &mut Machine<'_>, now: f64) -> Result<(), Failed> {
        if self.looks > 0 {
            self.longest_gap = self.longest_gap.max(now - self.looked);
        }
        self.looks += 1;
        self.looked = now;
        let conditions = self.conditions.clone();
        for (condition, seen) in conditions.iter().zip(&mut self.seen) {
            machine.at = condition.span;
            let Some(wrong) = condition.look(machine, seen)? else { continue };
            let when = match self.looks {
                1 => "when the block began".to_string(),
                _ => format!("{} after the block began", time_text(now - self.began)),
            };
            let message = format!("{wrong} at {}, {when}", time_text(now));
            seen.breaks = Some(message.clone());
            return Err(machine.fail(FailureKind::NotHeld, message, condition.span));
        }
        Ok(())
    }
}

impl Holds {
    /// Something is to be looked at.
    fn are_on(&self) -> bool {
        !self.open.is_empty() && self.suspended == 0 && self.failed.is_none()
    }

    /// When the next look is due.
    fn due(&self) -> f64 {
        self.open.iter().fold(f64::INFINITY, |due, hold| due.min(hold.due))
    }

    /// Looks at what is due, and at the innermost block where that is `forced`.
    fn look(&mut self, view: View<'_>, station: &mut Station, forced: bool) -> Result<(), Failure> {
        let now = station.now();
        let last = self.open.len().saturating_sub(1);
        let is_due = |index: usize, hold: &Hold| hold.due <= now || (forced && index == last);
        let due: Vec<bool> = self.open.iter().enumerate().map(|(i, h)| is_due(i, h)).collect();
        if !due.contains(&true) {
            return Ok(());
        }
        let mut machine = Machine {
            words: view.words.to_vec(),
            refs: view.refs.to_vec(),
            held: Vec::new(),
            building: Vec::new(),
            spare: Object::default(),
            written: String::new(),
            memory: Memory::default(),
            stop: view.stop.clone(),
            left: 0,
            all_conform: view.all_conform,
            failure: None,
            caught: Vec::new(),
            at: Span::default(),
            station,
            observer: &mut Mute,
            place_text: view.place_text.clone(),
            stepper: None,
            holds: Holds::default(),
            unbroken: 1,
            depth: 0,
        };
        machine.count_anew();
        let mut failed = None;
        let outer = machine.station.begin_look();
        for (index, hold) in self.open.iter_mut().enumerate() {
            if due.get(index) == Some(&true) && hold.look(&mut machine, now).is_err() {
                failed = Some(index);
                break;
            }
        }
        machine.station.end_look(outer, failed.is_some());
        if failed.is_some() {
            self.failed = failed;
            return Err(machine.take_failure());
        }
        let ended = machine.station.now();
        for (hold, was_due) in self.open.iter_mut().zip(due) {
            hold.due = if was_due { ended + hold.every } else { hold.due + (ended - now) };
        }
        Ok(())
    }
}

/// What the machine lends to the station, which looks while a call is made.
struct Lent {
    words: Vec<f64>,
    refs: Vec<Value>,
    holds: Holds,
    failure: Option<Failure>,
    all_conform: bool,
    stop: Arc<AtomicBool>,
    place_text: PlaceText,
}

impl Lent {
    /// Looks; gives when the next look is due, or nothing where a condition broke.
    fn look(&mut self, station: &mut Station) -> Option<f64> {
        let view = View {
            words: &self.words,
            refs: &self.refs,
            all_conform: self.all_conform,
            stop: &self.stop,
            place_text: &self.place_text,
        };
        match self.holds.look(view, station, false) {
            Ok(()) => Some(self.holds.due()),
            Err(failure) => {
                self.failure = Some(failure);
                None
            }
        }
    }
}

impl Machine<'_> {
    /// Conditions around must hold.
    pub(super) fn is_holding(&self) -> bool {
        self.holds.are_on()
    }

    /// A condition around broke, and the failure is on its way to the end of its block.
    pub(super) fn is_unheld(&self) -> bool {
        self.holds.failed.is_some()
    }

    /// Runs something that is done because of a failure: nothing is looked at meanwhile.
    pub(super) fn without_looks<T>(&mut self, work: impl FnOnce(&mut Self) -> T) -> T {
        self.holds.suspended += 1;
        let done = work(self);
        self.holds.suspended -= 1;
        done
    }

    /// Works with the station, which looks at what must hold after each call of the head.
    #[inline]
    pub(super) fn with_station<T>(
        &mut self,
        work: impl FnOnce(&mut Station) -> T,
    ) -> Result<T, Failed> {
        if self.holds.open.is_empty() || !self.is_holding() {
            return Ok(work(self.station));
        }
        self.looking(work)
    }

    #[cold]
    fn looking<T>(&mut self, work: impl FnOnce(&mut Station) -> T) -> Result<T, Failed> {
        let due = self.holds.due();
        let lent = Rc::new(RefCell::new(Lent {
            words: std::mem::take(&mut self.words),
            refs: std::mem::take(&mut self.refs),
            holds: std::mem::take(&mut self.holds),
            failure: None,
            all_conform: self.all_conform,
            stop: self.stop.clone(),
            place_text: self.place_text.clone(),
        }));
        let looker = lent.clone();
        self.station.set_held(due, Box::new(move |station| looker.borrow_mut().look(station)));
        let done = work(self.station);
        self.station.clear_held();
        let mut lent = lent.borrow_mut();
        self.words = std::mem::take(&mut lent.words);
        self.refs = std::mem::take(&mut lent.refs);
        self.holds = std::mem::take(&mut lent.holds);
        match lent.failure.take() {
            Some(failure) => {
                self.failure = Some(failure);
                Err(Failed)
            }
            None => Ok(done),
        }
    }

    /// Notes that the script lets time pass until then.
    pub(super) fn waits_until(&mut self, time: f64) {
        self.holds.waited = time;
    }

    /// Looks as the innermost block ends, unless nothing has passed since the last look, which began when the
    /// body had ended.
    pub(super) fn look_at_end(&mut self) -> Result<(), Failed> {
        let now = self.station.now();
        let is_fresh = self.holds.open.last().is_some_and(|hold| {
            hold.looked >= self.holds.waited - FRESH && now - (hold.due - hold.every) < FRESH
        });
        if is_fresh { Ok(()) } else { self.look_at_held(true) }
    }

    /// Looks at what must hold, as far as it is due; at the innermost block in any case where that is
    /// `forced`.
    pub(super) fn look_at_held(&mut self, forced: bool) -> Result<(), Failed> {
        if !self.is_holding() {
            return Ok(());
        }
        let mut holds = std::mem::take(&mut self.holds);
        let view = View {
            words: &self.words,
            refs: &self.refs,
            all_conform: self.all_conform,
            stop: &self.stop,
            place_text: &self.place_text,
        };
        let looked = holds.look(view, self.station, forced);
        self.holds = holds;
        self.count_anew();
        looked.map_err(|failure| {
            self.failure = Some(failure);
            if self.station.is_armed() {
                self.station.try_disarm();
            }
            Failed
        })
    }

    /// From here on conditions must hold; looks at them at once.
    pub(super) fn begin_holding(
        &mut self,
        conditions: &Rc<[Condition]>,
        every: f64,
        span: Span,
    ) -> Result<(), Failed> {
        let now = self.station.now();
        self.holds.open.push(Hold {
            conditions: conditions.clone(),
            seen: vec![Seen::default(); conditions.len()],
            every,
            span,
            began: now,
            due: now,
            looked: now,
            looks: 0,
            longest_gap: 0.0,
        });
        self.look_at_held(true)
    }

    /// Ends what was begun last, and tells of it.
    pub(super) fn end_holding(&mut self) {
        let Some(hold) = self.holds.open.pop() else { return };
        if self.holds.failed.is_some_and(|failed| failed >= self.holds.open.len()) {
            self.holds.failed = None;
        }
        let ended = self.station.now();
        let conditions = hold.conditions.iter().zip(hold.seen);
        self.tell(Event::Held(Box::new(HeldBlock {
            conditions: conditions.map(|(condition, seen)| condition.told(seen)).collect(),
            began: hold.began,
            ended,
            looks: hold.looks,
            longest_gap: hold.longest_gap,
            span: hold.span,
        })));
    }
}
