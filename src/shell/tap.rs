//! What the head was told and said: which commands moved it since a moment and how fast it turned
//! then, what was measured of each facet, and which trims were in force before the last ones.

use crate::head::record::{Call, Heard, Listener, Reply};
use crate::head::{Status, Trim};
use crate::record::{Curve, Rounds, SpeedPoint};
use crate::terminal::{CLEAR, complain};

/// Stands on the last line while the laser is armed.
const ARMED: &str = "LASER ARMED";

/// Most loads of trims that can be taken back.
const UNDO_MOST: usize = 100;

/// Hears every call of the head.
#[derive(Default)]
pub struct Tap {
    /// Trims in force, as far as is known.
    trims: Option<Vec<Trim>>,
    /// Trims that were in force before, the last ones at the end.
    before: Vec<Vec<Trim>>,
    /// The measured speed since the mark.
    pub curve: Curve,
    /// What was measured of each facet, a round for each load of trims.
    pub rounds: Rounds,
    /// The facet that was exposed last.
    exposed: Option<u32>,
    done: Done,
    /// A light is told of while it may come out.
    pub shows_armed: bool,
}

/// Commands since the mark.
#[derive(Default)]
struct Done {
    spun: bool,
    halted: bool,
    steered: bool,
    loaded: bool,
    stored: bool,
    armed: bool,
    switched: bool,
    lines: usize,
    pages: usize,
}

impl Tap {
    /// Forgets what happened so far, but not the trims.
    pub fn mark(&mut self) {
        self.curve = Curve::default();
        self.done = Done::default();
    }

    /// What the commands since the mark may have changed, in words.
    pub fn changed(&self) -> Vec<String> {
        let done = &self.done;
        let count = |n: usize, what: &str| match n {
            0 => None,
            1 => Some(format!("1 {what} was exposed")),
            n => Some(format!("{n} {what}s were exposed")),
        };
        let said = [
            (done.spun, "the polygon was given a speed"),
            (done.halted, "the polygon was brought down"),
            (done.steered, "the galvanometer was steered"),
            (done.switched, "outputs of the station were switched"),
            (done.armed, "the laser was armed and disarmed"),
            (done.loaded, "trims were loaded"),
            (done.stored, "trims were stored for good"),
        ];
        let said = said.into_iter().filter(|(is, _)| *is).map(|(_, what)| what.to_string());
        said.chain(count(done.lines, "line")).chain(count(done.pages, "page")).collect()
    }

    /// The trims before the last load, which are no longer offered then.
    pub fn take_back(&mut self) -> Option<Vec<Trim>> {
        self.before.pop()
    }

    /// Offers trims again that could not be loaded.
    pub fn offer(&mut self, trims: Vec<Trim>) {
        self.before.push(trims);
    }

    /// The trims in force, as far as is known.
    pub fn trims(&self) -> Option<&[Trim]> {
        self.trims.as_deref()
    }

    fn status(&mut self, status: &Status) {
        let Status { time, speed, locked, .. } = *status;
        self.curve.push(SpeedPoint { time, speed, locked });
    }
}

impl Listener for Tap {
    fn heard(&mut self, heard: &Heard) {
        match &heard.reply {
            Reply::Status(status) => self.status(status),
            Reply::Trims(trims) => self.trims = Some(trims.clone()),
            Reply::Exposed(exposed) => self.exposed = Some(exposed.facet),
            Reply::Reading(reading) => {
                if let Some(facet) = self.exposed {
                    let (along, across) = (reading.in_scan, reading.cross_scan);
                    self.rounds.push(heard.time, facet, along, across);
                }
            }
            _ => {}
        }
        if let Reply::Fault(fault) = &heard.reply
            && fault.is_refusal()
        {
            return;
        }
        if self.shows_armed {
            match &heard.call {
                Call::Arm { .. } => complain(&format!("{CLEAR}{ARMED}")),
                Call::Disarm | Call::MakeSafe { .. } if self.done.armed => complain(CLEAR),
                _ => {}
            }
        }
        // A command whose answer was lost may have been carried out all the same.
        let done = &mut self.done;
        match &heard.call {
            Call::Spin { .. } => done.spun = true,
            Call::Halt { .. } => done.halted = true,
            Call::Steer { .. } => done.steered = true,
            Call::StoreTrims => done.stored = true,
            Call::Switch { .. } | Call::SetChannel { .. } => done.switched = true,
            Call::Arm { .. } => done.armed = true,
            Call::Expose { .. } => done.lines += 1,
            Call::ExposePage { .. } => done.pages += 1,
            Call::LoadTrims { trims } => {
                done.loaded = true;
                self.rounds.trimmed();
                let replaced = self.trims.replace(trims.clone());
                if let Some(replaced) = replaced
                    && replaced != *trims
                {
                    if self.before.len() == UNDO_MOST {
                        self.before.remove(0);
                    }
                    self.before.push(replaced);
                }
            }
            _ => {}
        }
    }
}
