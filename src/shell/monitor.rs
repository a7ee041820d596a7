//! Monitors the calls of the head: which commands have changed it since a mark and its speed
//! meanwhile, what was measured of each facet, and the trims before the last ones.

use crate::record::{Curve, StatusPoint};
use crate::shell::measured::Measured;
use crate::shell::progress::SharedLine;
use crate::shell::prompt::polygon;
use spintrue_head::{Call, CallListener, Fault, Halt, Heard, Laser, Reply, Status, Trim};
use std::collections::BTreeMap;

/// Most loads of trims that can be undone.
const MAX_UNDO: usize = 100;

/// Hears every call of the head.
#[derive(Default)]
pub(crate) struct CallMonitor {
    /// Trims in force, as far as is known.
    trims: Option<Vec<Trim>>,
    /// Trims that were in force before, the last ones at the end.
    before: Vec<Vec<Trim>>,
    /// The measured speed since the mark.
    pub curve: Curve,
    /// What was measured of each facet.
    pub measured: Measured,
    changes: Changes,
    /// Shown while an entry runs.
    pub line: SharedLine,
}

/// A command that changes something: its place in a list of changes, and what it changed.
type Change = (u8, &'static str);

const ARMED: Change = (6, "the laser was armed");

/// What a call changes; making safe and disarming are seen in the state of the head.
fn change(call: &Call) -> Option<Change> {
    Some(match call {
        Call::Spin { .. } => (0, "the polygon was given a speed"),
        Call::Halt { how: Halt::Brake } => (1, "the polygon was braked"),
        Call::Halt { how: Halt::Coast } => (2, "the polygon was let coast"),
        Call::Steer { .. } => (3, "the galvanometer was steered"),
        Call::Switch { .. } => (4, "outputs of the station were switched"),
        Call::SetChannel { .. } => (5, "channels of the station were set"),
        Call::Arm { .. } => ARMED,
        Call::LoadTrims { .. } => (7, "trims were loaded"),
        Call::StoreTrims { .. } => (8, "trims were stored for good"),
        Call::Expose { .. } => (9, "# line"),
        Call::ExposePage { .. } => (10, "# page"),
        Call::DrawSteadily { .. } => (11, "lines were drawn steadily"),
        _ => return None,
    })
}

/// A change in words; `#` stands for how often it happened.
fn words((_, words): Change, count: usize) -> String {
    match (words.strip_prefix("# "), count) {
        (None, _) => words.to_string(),
        (Some(what), 1) => format!("1 {what} was exposed"),
        (Some(what), count) => format!("{count} {what}s were exposed"),
    }
}

/// Whether the head carried out a command.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Outcome {
    /// It acknowledged the command.
    Done,
    /// It said that it did not.
    Refused,
    /// No reply, or one that does not tell.
    Unknown,
}

impl Outcome {
    fn of(heard: &Heard) -> Outcome {
        match (&heard.call, &heard.reply) {
            // Arming is refused without interlock or lock; a line may be cut off by their loss.
            (Call::Arm { .. }, Reply::Fault(Fault::InterlockOpen | Fault::NotLocked)) => {
                Outcome::Refused
            }
            (_, Reply::Fault(fault)) if fault.is_refusal() => Outcome::Refused,
            (_, Reply::Fault(_)) => Outcome::Unknown,
            _ => Outcome::Done,
        }
    }
}

/// Commands since the mark, with how often each was given.
#[derive(Default)]
struct Changes {
    done: BTreeMap<Change, usize>,
    unknown: BTreeMap<Change, usize>,
    /// The laser as the head said last, since it was armed or told to disarm.
    laser: Option<Laser>,
    /// The head acknowledged the disarm command.
    disarmed: bool,
}

impl CallMonitor {
    /// Forgets what happened so far, but not the trims.
    pub(crate) fn mark(&mut self) {
        self.curve = Curve::default();
        self.changes = Changes::default();
        self.measured.part();
    }

    /// The laser was armed since the mark, as far as is known.
    pub(crate) fn was_armed(&self) -> bool {
        self.changes.done.contains_key(&ARMED)
    }

    /// What the commands since the mark changed, in words: none where nothing was.
    pub(crate) fn changed(&self) -> Option<String> {
        let Changes { done, unknown, laser, disarmed } = &self.changes;
        let told = done.iter().map(|(change, count)| {
            let words = words(*change, *count);
            match (change, laser) {
                (&ARMED, Some(Laser::Off)) => format!("{words} and is off again"),
                (&ARMED, Some(Laser::Armed)) => format!("{words} AND IS STILL ARMED"),
                (&ARMED, None) if *disarmed => format!("{words} and told to disarm"),
                (&ARMED, None) => format!("{words} (whether it is off is not known)"),
                _ => words,
            }
        });
        let told = told.collect::<Vec<_>>().join(", ");
        let open = unknown.iter().map(|(change, count)| words(*change, *count));
        let open = open.collect::<Vec<_>>().join(" or ");
        let told = (!told.is_empty()).then(|| format!("until then {told}"));
        let open = (!open.is_empty()).then(|| format!("whether {open} is not known"));
        let parts: Vec<String> = told.into_iter().chain(open).collect();
        (!parts.is_empty()).then(|| parts.join("; "))
    }

    /// The trims before the last load, which are no longer offered then.
    pub(crate) fn take_back(&mut self) -> Option<Vec<Trim>> {
        self.before.pop()
    }

    /// Offers trims again that could not be loaded.
    pub(crate) fn offer(&mut self, trims: Vec<Trim>) {
        self.before.push(trims);
    }

    fn status(&mut self, status: &Status) {
        let Status { time, speed, locked, temperature, .. } = *status;
        self.curve.push(StatusPoint { time, speed, locked, temperature });
        self.changes.laser = Some(status.laser);
        self.line.borrow_mut().set_polygon(polygon(status));
    }

    fn loaded(&mut self, trims: &[Trim], outcome: Outcome) {
        self.measured.trimmed();
        let now = (outcome == Outcome::Done).then(|| trims.to_vec());
        let replaced = std::mem::replace(&mut self.trims, now);
        if let Some(replaced) = replaced
            && (outcome == Outcome::Unknown || replaced != *trims)
        {
            if self.before.len() == MAX_UNDO {
                self.before.remove(0);
            }
            self.before.push(replaced);
        }
    }
}

impl CallListener for CallMonitor {
    fn clock(&mut self, time: f64) {
        self.line.borrow_mut().pass(time);
    }

    fn heard(&mut self, heard: &Heard) {
        self.line.borrow_mut().pass(heard.time);
        self.measured.heard(heard);
        match &heard.reply {
            Reply::Status(status) => self.status(status),
            Reply::Trims(trims) => self.trims = Some(trims.clone()),
            Reply::Safe(safe) => {
                self.changes.laser = safe.laser_off.then_some(Laser::Off);
                self.line.borrow_mut().set_armed(!safe.laser_off);
            }
            _ => {}
        }
        let outcome = Outcome::of(heard);
        if outcome == Outcome::Refused {
            return;
        }
        match &heard.call {
            Call::Arm { .. } => {
                self.changes.laser = None;
                self.changes.disarmed = false;
                self.line.borrow_mut().set_armed(true);
            }
            Call::Disarm => {
                self.changes.laser = None;
                self.changes.disarmed = outcome == Outcome::Done;
                self.line.borrow_mut().set_armed(outcome != Outcome::Done);
            }
            Call::LoadTrims { trims } => self.loaded(trims, outcome),
            _ => {}
        }
        if let Some(change) = change(&heard.call) {
            let list = match outcome {
                Outcome::Done => &mut self.changes.done,
                _ => &mut self.changes.unknown,
            };
            *list.entry(change).or_default() += 1;
        }
    }
}

#[cfg(test)]
mod tests;
