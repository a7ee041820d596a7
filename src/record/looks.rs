//! Looks in `events.jsonl`: most of a run are calls that look whether all is as it should be, and decide nothing.
//! Kept are those that decide, and of the others what shows the course of the run.

use spintrue_head::{Call, Heard, Laser, Reply, Status};
use spintrue_language::Looks;
use std::rc::Rc;

/// Time in s between two looks at the status that are kept: while the polygon is not locked, and while it is.
const INTERVALS: [f64; 2] = [0.25, 1.0];

/// The same where nothing runs and nothing changes.
const IDLE_INTERVAL: f64 = 10.0;

/// Bytes of a look that wait for what it decides.
const MAX_LOOK: usize = 4 << 20;

/// What is known of the looks so far.
#[derive(Default)]
pub(super) struct Watched {
    looks: Option<Rc<Looks>>,
    /// The last look: its number, its lines and how many there are.
    last: (u64, Vec<u8>, u64),
    /// The status as it was told last.
    state: Option<State>,
    /// Head time in s of the last status that was kept.
    kept: f64,
    /// Calls that were left out.
    pub left_out: u64,
    /// Nothing runs, as between the entries of a shell.
    pub idle: bool,
}

/// What of a status changes in steps.
type State = (Option<u64>, bool, bool, Laser, bool, bool);

fn state(status: &Status) -> State {
    let Status { target, locked, interlock_closed, laser, at_rest, parked, .. } = status;
    (target.map(f64::to_bits), *locked, *interlock_closed, *laser, *at_rest, *parked)
}

impl Watched {
    pub(super) fn set_looks(&mut self, looks: Rc<Looks>) {
        self.looks = Some(looks);
    }

    /// What of the last look is to be written before anything else: its lines where it decided something, or
    /// where something is told from within it.
    pub(super) fn decided(&mut self) -> Vec<u8> {
        let (number, lines, count) = std::mem::take(&mut self.last);
        let decides =
            |looks: &Rc<Looks>| looks.decided() == number || looks.current() == Some(number);
        if self.looks.as_ref().is_some_and(decides) {
            return lines;
        }
        self.left_out += count;
        Vec::new()
    }

    /// Takes a call with its line; gives what is to be written now.
    pub(super) fn take(&mut self, heard: &Heard, line: &[u8]) -> Vec<u8> {
        let changed = match &heard.reply {
            Reply::Status(status) => {
                let now = Some(state(status));
                std::mem::replace(&mut self.state, now) != now
            }
            reply => matches!(reply, Reply::Fault(_)),
        };
        if self.idle && !changed && heard.call == Call::Status {
            if heard.time - self.kept < IDLE_INTERVAL {
                self.left_out += 1;
                return Vec::new();
            }
            self.kept = heard.time;
        }
        let number = self.looks.as_ref().and_then(|looks| looks.current());
        let Some(number) = number.filter(|_| !changed) else {
            let mut lines = self.decided();
            lines.extend_from_slice(line);
            return lines;
        };
        let mut lines = if number == self.last.0 { Vec::new() } else { self.decided() };
        self.last.0 = number;
        let [unlocked, locked] = INTERVALS;
        let is_locked = self.state.is_some_and(|state| state.1);
        let interval = if is_locked { locked } else { unlocked };
        let is_due = heard.time - self.kept >= interval && heard.call == Call::Status;
        if self.last.1.is_empty() && is_due || self.last.1.len() > MAX_LOOK {
            self.kept = heard.time;
            lines.append(&mut self.last.1);
            self.last.2 = 0;
            lines.extend_from_slice(line);
        } else {
            self.last.1.extend_from_slice(line);
            self.last.2 += 1;
        }
        lines
    }
}
