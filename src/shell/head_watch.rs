//! The head between entries: how it was last seen, who controls it, and the wait for input during
//! which it is watched.

use crate::shell::context::Shared;
use crate::shell::prompt;
use crate::shell::prompt::{ALARM, HeadState};
use crate::shell::reader::{Input, Reader};
use crate::terminal::{BOLD, DIM, RED, YELLOW, complain, styled};
use spintrue_head::{Calls, Control, Course, Fault, Laser, Status, WireControl};
use spintrue_language::{Station, StationError};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// Time between two looks at the head while the shell waits for input.
const LOOK_INTERVAL: Duration = Duration::from_millis(200);

/// The head between entries.
pub(super) struct HeadWatch {
    /// How it was last seen.
    pub state: HeadState,
    /// Control of a head that several clients may reach.
    pub control: Option<WireControl>,
    /// Who had it last.
    pub owner: Option<Control>,
    /// The head is wanted safe, no matter which client controls it.
    pub insists: bool,
    /// The recording that is played back, where the head is one.
    pub replay: Option<Course>,
    /// What the line editor knows.
    pub shared: Shared,
    /// Where input comes from.
    pub reader: Reader,
    /// Set from outside to end the shell.
    pub leave: Arc<AtomicBool>,
    /// Time passes while nothing is done.
    pub time_passes: bool,
    /// A person is at the terminal.
    pub attended: bool,
    /// Colours on standard output.
    pub colour: bool,
}

/// What ended the wait for input.
pub(super) enum Heard {
    /// Input.
    Input(Input),
    /// A request to stop, from outside; the pending question may still be answered.
    Stop,
    /// A request to end the shell, from outside.
    Leave,
}

impl HeadWatch {
    /// Asks for the state of the head; the course of a replay is not disturbed.
    pub(super) fn status(&self, station: &mut Station) -> Result<Status, StationError> {
        let aside = |aside| self.replay.iter().for_each(|replay| replay.aside(aside));
        aside(true);
        let answer = station.status();
        aside(false);
        answer
    }

    /// Looks at the head; gives a line for each change.
    pub(super) fn look(&mut self, station: &mut Station) -> Vec<String> {
        if station.is_stopped() {
            // The request to stop is answered first.
            return Vec::new();
        }
        let mut lines = self.look_who_controls();
        let now = match self.status(station) {
            Ok(status) => HeadState::Known(Box::new(status)),
            Err(StationError::Fault(fault)) => HeadState::NoAnswer(fault.to_string()),
            // No entry has a time limit.
            Err(_) => {
                HeadState::NoAnswer(Fault::Refused("a stop was requested".to_string()).to_string())
            }
        };
        lines.extend(prompt::changes(&self.state, &now, station.description()));
        self.state = now;
        let prompt = self.prompt(station);
        self.shared.with(|known| known.prompt = prompt);
        lines
    }

    /// Looks who controls a head that several clients may reach; gives a line for each change.
    fn look_who_controls(&mut self) -> Vec<String> {
        let Some(control) = &self.control else { return Vec::new() };
        let (before, asked) = (self.owner, control.owner());
        let mut lines: Vec<String> =
            asked.as_ref().err().map(ToString::to_string).into_iter().collect();
        // The status tells that the link is lost.
        let Ok(now) = asked.or_else(|_| control.owner()) else { return Vec::new() };
        self.owner = Some(now);
        let change = match (before, now) {
            (Some(Control::Own | Control::None), Control::Others) => {
                "another client controls the head now: this shell only looks"
            }
            (Some(Control::Others), Control::None) => {
                "no client controls the head any more: `take` takes control"
            }
            _ => return lines,
        };
        lines.push(change.to_string());
        lines
    }

    /// The prompt of an entry.
    pub(super) fn prompt(&self, station: &Station) -> String {
        prompt::prompt(&self.state, self.owner, station.description())
    }

    /// A prompt with room for what may become of it while it is shown.
    pub(super) fn roomy(&self, prompt: String) -> String {
        if self.time_passes { prompt::roomy(prompt, self.reader.can_redraw()) } else { prompt }
    }

    /// The head was last seen at rest with its laser off.
    pub(super) fn is_resting(&self) -> bool {
        matches!(&self.state, HeadState::Known(now) if now.at_rest && now.laser == Laser::Off)
    }

    /// Lets commands that make safe act on a head that another client controls, or no longer.
    pub(super) fn set_insists(&mut self, on: bool) {
        self.insists = on;
        self.control.iter().for_each(|control| control.insist(on));
    }

    /// Looks at the head and prints what has changed, the prompt included.
    pub(super) fn print_changes(&mut self, station: &mut Station) {
        let before = self.shared.prompt();
        for line in self.look(station) {
            self.print(&line);
        }
        if self.shared.prompt() != before {
            self.reader.redraw();
        }
    }

    /// Prints a line, above the one that is typed where there is one.
    fn print(&self, line: &str) {
        let urgent = format!("{BOLD};{RED}");
        let [above, below] =
            if line.starts_with(ALARM) { [urgent.as_str(); 2] } else { [YELLOW, DIM] };
        let line = format!("-- {line}");
        let is_above = self.attended
            && self.reader.is_waiting()
            && self.reader.print_above(&styled(&line, above, self.colour));
        if !is_above {
            complain(&format!("{}\n", styled(&line, below, self.colour)));
        }
    }

    /// Waits for the input that the reader was asked for, or for a request from outside.
    pub(super) fn wait(&mut self, station: &mut Station) -> Heard {
        loop {
            if self.leave.load(Ordering::SeqCst) {
                return Heard::Leave;
            }
            if station.is_stopped() {
                self.print("stopped on request from outside");
                return Heard::Stop;
            }
            if let Some(input) = self.reader.wait(LOOK_INTERVAL) {
                return Heard::Input(input);
            }
            if self.time_passes {
                self.print_changes(station);
            }
        }
    }
}
