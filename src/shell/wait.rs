//! Waiting for what somebody types, with an eye on the head and on requests from outside.

use crate::head::control::{Control, SharedControl};
use crate::head::replay::Course;
use crate::head::station::{Station, StationError};
use crate::head::{Calls, Fault, Status};
use crate::shell::known::Shared;
use crate::shell::prompt::{Stand, changes, prompt};
use crate::shell::reader::{Input, Reader};
use crate::terminal::{DIM, YELLOW, complain, styled};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// Time between two looks at the head while somebody types.
const LOOK_EVERY: Duration = Duration::from_millis(200);

/// The head while somebody types.
pub struct Watch<'a> {
    /// The head.
    pub station: &'a mut Station,
    /// How it stood last.
    pub stand: &'a mut Stand,
    /// Told to the line editor.
    pub known: &'a Shared,
    /// Set from outside to end the shell.
    pub leave: &'a AtomicBool,
    /// The recording that is played back, where the head is one.
    pub replay: Option<&'a Course>,
    /// Control of a head that several clients may reach.
    pub control: Option<&'a dyn SharedControl>,
    /// Who had it last.
    pub owner: &'a mut Option<Control>,
    /// Time passes while nothing is done.
    pub time_passes: bool,
    /// Somebody is at the terminal.
    pub attended: bool,
    /// Colours.
    pub colour: bool,
}

/// What ended the waiting.
pub enum Heard {
    /// What was asked for.
    Input(Input),
    /// A request to stop, from outside; whoever was asked may still answer.
    Stop,
    /// A request to end the shell, from outside.
    Leave,
}

impl Watch<'_> {
    /// How the head stands; not asked of a recording, which was not asked when it was made.
    pub fn status(&mut self) -> Result<Status, StationError> {
        let aside = |aside| self.replay.iter().for_each(|replay| replay.aside(aside));
        aside(true);
        let answer = self.station.status();
        aside(false);
        answer
    }

    /// Looks how the head stands; gives what has changed.
    pub fn look(&mut self) -> Vec<String> {
        if self.station.is_stopped() {
            // Whoever asked to stop is answered first.
            return Vec::new();
        }
        let mut lines = self.look_who_controls();
        let answer = self.status().map_err(|error| match error {
            StationError::Fault(fault) => fault,
            StationError::NoAnswer(_) | StationError::Interrupted => {
                Fault::Refused("somebody asked to stop".to_string())
            }
        });
        let now = Stand::of(answer);
        lines.extend(changes(self.stand, &now, self.station.description()));
        *self.stand = now;
        self.known.set_prompt(prompt(self.stand, *self.owner, self.station.description()));
        lines
    }

    /// Looks who controls a head that several clients may reach; gives what has changed.
    fn look_who_controls(&mut self) -> Vec<String> {
        let Some(control) = self.control else { return Vec::new() };
        let (before, mut lines) = (*self.owner, Vec::new());
        let now = match control.owner() {
            Ok(owner) => owner,
            // The status tells that the link is lost.
            Err(why) => match control.owner() {
                Ok(owner) => {
                    lines.push(why.to_string());
                    owner
                }
                Err(_) => return Vec::new(),
            },
        };
        *self.owner = Some(now);
        match (before, now) {
            (Some(Control::Own | Control::None), Control::Others) => lines
                .push("another client controls the head now: this shell only looks".to_string()),
            (Some(Control::Others), Control::None) => {
                lines
                    .push("no client controls the head any more: `take` takes control".to_string());
            }
            _ => {}
        }
        lines
    }

    /// Looks at the head and tells what has changed, in the words before what is typed as well.
    pub fn tell_all(&mut self, reader: &Reader) {
        let before = self.known.prompt();
        for line in self.look() {
            self.tell(reader, &line);
        }
        if self.known.prompt() != before {
            reader.draw_again();
        }
    }

    /// Prints a line, above the one that is typed where there is one.
    pub fn tell(&self, reader: &Reader, line: &str) {
        if self.attended && reader.is_waiting() {
            let line = styled(&format!("-- {line}"), YELLOW, self.colour);
            if reader.above(&line) {
                return;
            }
        }
        complain(&format!("{}\n", styled(&format!("-- {line}"), DIM, self.colour)));
    }

    /// Waits for what the reader was asked for, or for a request from outside.
    pub fn hear(&mut self, reader: &Reader) -> Heard {
        loop {
            if self.leave.load(Ordering::SeqCst) {
                return Heard::Leave;
            }
            if self.station.is_stopped() {
                // A signal, and no key: somebody wants the head safe.
                self.tell(reader, "stopped on request from outside");
                return Heard::Stop;
            }
            if let Some(input) = reader.look(LOOK_EVERY) {
                return Heard::Input(input);
            }
            if self.time_passes {
                self.tell_all(reader);
            }
        }
    }
}
