//! Waiting, arming, and catching failures.

use crate::interpret::events::Event;
use crate::interpret::link::{Block, FlagNode, Linker, NumberNode, StatementNode};
use crate::interpret::machine::{Failed, Flow, Machine};
use crate::program::failure::{FailureKind, bad_power, bad_time};
use crate::program::show::time_text;
use crate::program::tree::{Flag, Number, RefSlot, Statement};
use crate::program::value::{Object, Value};
use crate::source::Span;
use crate::station::MAX_SLEEP;
use spintrue_head::Calls;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::rc::Rc;
use std::sync::atomic::Ordering;

/// Shortest time between two looks, in s, so that every wait gets on.
pub(super) const SHORTEST: f64 = 1e-6;
/// Head time between two progress events, in s.
const PROGRESS: f64 = 0.1;

/// A time that can be waited for.
pub(super) fn duration(
    machine: &mut Machine<'_>,
    time: &NumberNode,
    span: Span,
) -> Result<f64, Failed> {
    let seconds = time(machine)?;
    if seconds >= 0.0 && seconds.is_finite() {
        return Ok(seconds);
    }
    Err(machine.fail(FailureKind::Value, bad_time(seconds), span))
}

fn sleep(machine: &mut Machine<'_>, seconds: f64, span: Span) -> Result<(), Failed> {
    machine.at = span;
    if machine.is_holding() {
        let until = machine.station.now() + seconds;
        machine.waits_until(until);
    }
    let slept = machine.with_station(|station| station.sleep(seconds));
    machine.count_anew();
    slept?.map_err(|error| machine.refused(error, span))
}

/// What a wait for a condition is made of.
struct WaitUntil {
    condition: FlagNode,
    within: NumberNode,
    every: NumberNode,
    text: Rc<str>,
    span: Span,
    /// The script fails at the end of the wait.
    fails: bool,
}

impl WaitUntil {
    /// Gives the limit where it was reached. The last look begins at the limit or later.
    fn run(&self, machine: &mut Machine<'_>) -> Result<Option<f64>, Failed> {
        let within = duration(machine, &self.within, self.span)?;
        let every = duration(machine, &self.every, self.span)?;
        let every = every.clamp(SHORTEST, MAX_SLEEP);
        let start = machine.station.now();
        let mut told = f64::NEG_INFINITY;
        // What was slept counts too: a clock that stands still cannot hang the script.
        let mut slept: f64 = 0.0;
        loop {
            let before = slept.max(machine.station.now() - start);
            let outer = machine.station.begin_look();
            let came = (self.condition)(machine);
            let is_over = before >= within;
            // Without `else` the end of the wait is a failure.
            let decided = !matches!(came, Ok(false)) || (is_over && self.fails);
            machine.station.end_look(outer, decided);
            if came? {
                return Ok(None);
            }
            if is_over {
                return Ok(Some(within));
            }
            let now = machine.station.now();
            let elapsed = slept.max(now - start);
            if now - told >= PROGRESS {
                told = now;
                machine.tell(Event::Progress { text: self.text.clone(), elapsed, limit: within });
            }
            let pause = every.min(within - elapsed).max(SHORTEST);
            let outer = machine.station.begin_look();
            let paused = sleep(machine, pause, self.span);
            machine.station.end_look(outer, false);
            paused?;
            slept += pause;
        }
    }
}

/// What a `try` is made of.
struct Try {
    body: Block,
    catch: Option<(usize, Block)>,
    finally: Block,
}

impl Linker<'_> {
    /// Lets time pass.
    pub(crate) fn wait(&mut self, time: &Number, span: Span) -> StatementNode {
        let time = self.number(time);
        Box::new(move |machine| {
            let seconds = duration(machine, &time, span)?;
            sleep(machine, seconds, span)?;
            Ok(Flow::Next)
        })
    }

    /// Waits for a condition.
    pub(crate) fn wait_until(
        &mut self,
        condition: &Flag,
        (within, every): (&Number, &Number),
        otherwise: Option<&[Statement]>,
        text: &Rc<str>,
        span: Span,
    ) -> StatementNode {
        let otherwise = otherwise.map(|block| self.block(block));
        let wait = WaitUntil {
            condition: self.flag(condition),
            within: self.number(within),
            every: self.number(every),
            text: text.clone(),
            span,
            fails: otherwise.is_none(),
        };
        Box::new(move |machine| {
            let Some(within) = wait.run(machine)? else { return Ok(Flow::Next) };
            if let Some(block) = &otherwise {
                return block.run(machine);
            }
            let (after, text) = (time_text(within), &wait.text);
            let message = format!("gave up after {after}: `{text}` did not come true");
            Err(machine.fail(FailureKind::Timeout, message, span))
        })
    }

    /// Arms, runs, and disarms on every way out.
    pub(crate) fn arm(&mut self, power: &Number, body: &[Statement], span: Span) -> StatementNode {
        let power = self.number(power);
        let body = self.block(body);
        Box::new(move |machine| {
            let power = power(machine)?;
            armed(machine, power, span)?;
            // A panic in the body must not leave the laser armed either.
            machine.unbroken += 1;
            let flow = catch_unwind(AssertUnwindSafe(|| {
                let flow = body.run(machine)?;
                looked_over(machine, span)?;
                Ok(flow)
            }));
            machine.unbroken -= 1;
            let first = machine.failure.take();
            let disarmed = disarm(machine, span);
            match (flow, first) {
                (Err(panic), _) => resume_unwind(panic),
                (Ok(Err(Failed)), Some(first)) => {
                    machine.keep_first(first);
                    Err(Failed)
                }
                (Ok(_), _) if disarmed.is_err() => Err(Failed),
                (Ok(flow), _) => flow,
            }
        })
    }

    /// Catches failures.
    pub(crate) fn attempt(
        &mut self,
        body: &[Statement],
        catch: Option<&(RefSlot, Vec<Statement>)>,
        finally: &[Statement],
    ) -> StatementNode {
        let attempt = Try {
            body: self.block(body),
            catch: catch.map(|(slot, block)| (slot.0, self.block(block))),
            finally: self.block(finally),
        };
        Box::new(move |machine| attempt.run(machine))
    }
}

fn armed(machine: &mut Machine<'_>, power: f64, span: Span) -> Result<(), Failed> {
    // Without light there is nothing to measure, though a gauge may read something all the same.
    if !(power > 0.0 && power <= 1.0) {
        return Err(machine.fail(FailureKind::Value, bad_power(power), span));
    }
    if machine.station.is_armed() {
        return Err(machine.fail(FailureKind::Fault, "the laser is armed already", span));
    }
    machine.at = span;
    match machine.station.arm(power) {
        Ok(()) => {
            machine.count_anew();
            Ok(())
        }
        Err(error) => {
            machine.refused(error, span);
            let first = machine.take_failure();
            // A command whose answer was lost may have been carried out all the same.
            if machine.station.is_armed() {
                let _ = disarm(machine, span);
            }
            machine.keep_first(first);
            Err(Failed)
        }
    }
}

/// The end of a block counts as good once nothing was lost in what was computed last.
fn looked_over(machine: &mut Machine<'_>, span: Span) -> Result<(), Failed> {
    machine.at = span;
    machine.station.look_before_disarming().map_err(|error| machine.refused(error, span))
}

fn disarm(machine: &mut Machine<'_>, span: Span) -> Result<(), Failed> {
    machine.at = span;
    match machine.station.disarm() {
        Ok(()) => {
            machine.count_anew();
            Ok(())
        }
        Err(fault) => {
            let message = format!("the laser could not be disarmed: {fault}");
            Err(machine.fail(FailureKind::Fault, message, span))
        }
    }
}

impl Try {
    fn run(&self, machine: &mut Machine<'_>) -> Result<Flow, Failed> {
        let (held, building) = (machine.held.len(), machine.building.len());
        let mut flow = self.body.run(machine);
        if flow.is_err() {
            machine.held.truncate(held);
            machine.building.truncate(building);
            if let Some((slot, block)) = &self.catch {
                flow = caught(machine, *slot, block);
                machine.held.truncate(held);
                machine.building.truncate(building);
            }
        }
        self.finish(machine, flow)
    }

    /// The request to stop rests while `finally` runs; another one ends it. Where the run takes too long,
    /// `finally` has a time of its own.
    fn finish(
        &self,
        machine: &mut Machine<'_>,
        flow: Result<Flow, Failed>,
    ) -> Result<Flow, Failed> {
        let first = flow.is_err().then(|| machine.take_failure());
        let stopped = machine.stop.swap(false, Ordering::Relaxed);
        let overdue = machine.station.is_overdue();
        let ending =
            overdue || first.as_ref().is_some_and(|first| first.kind == FailureKind::Interrupted);
        if overdue {
            machine.station.let_finish();
        }
        machine.unbroken += usize::from(ending);
        let last = match first {
            Some(_) => machine.without_looks(|machine| self.finally.run(machine)),
            None => self.finally.run(machine),
        };
        machine.unbroken -= usize::from(ending);
        if stopped {
            machine.stop.store(true, Ordering::Relaxed);
            machine.left = 0;
        }
        match first {
            Some(first) => {
                machine.keep_first(first);
                Err(Failed)
            }
            None if matches!(last, Ok(Flow::Next)) => flow,
            None => last,
        }
    }
}

/// Runs a `catch`, unless a stop was requested, the run takes too long, or a condition broke that had to
/// hold around.
fn caught(machine: &mut Machine<'_>, slot: usize, block: &Block) -> Result<Flow, Failed> {
    let failure = machine.take_failure();
    let ends = failure.kind == FailureKind::Interrupted || machine.is_unheld();
    if ends || machine.station.is_overdue() {
        machine.failure = Some(failure);
        return Err(Failed);
    }
    let texts = [failure.kind.text(), &failure.message, &(machine.place_text)(failure.place)];
    let record =
        Value::Object(Rc::new(Object { words: Vec::new(), refs: texts.map(Value::text).to_vec() }));
    machine.set_reference(slot, record.clone());
    machine.caught.push((record, failure));
    let depth = machine.caught.len();
    let flow = block.run(machine);
    machine.caught.truncate(depth - 1);
    flow
}

/// Passes a caught failure on as it was; one that was put together anew says what it says.
pub(super) fn fail_again(machine: &mut Machine<'_>, record: &Value, span: Span) -> Failed {
    let same = |known: &Value| match (known, record) {
        (Value::Object(known), Value::Object(record)) => Rc::ptr_eq(known, record),
        _ => false,
    };
    let original = machine.caught.iter().rev().find(|(known, _)| same(known));
    if let Some((_, failure)) = original {
        machine.failure = Some(failure.clone());
        return Failed;
    }
    let mut texts = record.as_refs().iter().map(Value::as_text);
    let kind = match FailureKind::from_text(texts.next().unwrap_or("")) {
        FailureKind::Interrupted => FailureKind::Failed,
        kind => kind,
    };
    let message = texts.next().unwrap_or("").to_string();
    machine.fail(kind, message, span)
}
