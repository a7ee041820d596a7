//! From options to a head that is ready for a script: [`Surroundings::open`] is the one place where
//! head, gauge, fixtures and faults are opened, [`Stage`] the one where they are put behind the guard.

#![allow(clippy::disallowed_methods, reason = "this module opens files, heads and the terminal")]

mod address;
mod charts;
mod fixture;
mod gauge;
mod limits;
mod memory;
pub(crate) mod operator;
pub(crate) mod options;
mod recording;
mod retest;
mod ruler;
mod scans;
mod sheets;

pub(crate) use address::{
    Opened, Simulated, is_elsewhere, open_elsewhere, secret_in, simulated, wired,
};
pub(crate) use fixture::{Fixtures, NoFixtures, OpenFixtures};
pub(crate) use gauge::check_gauge_file;
pub(crate) use recording::{Recorded, SharedTracer, Tracer, bare, header, reader, surveyed};
pub(crate) use retest::{Attempt, Retest};
pub(crate) use ruler::read_ruler;
pub(crate) use scans::{SCAN_BUFFER, read_layout};
pub(crate) use sheets::{ChartLines, MARGIN, PrintOptions, SheetOptions};

use crate::disk::Force;
use crate::error::Error;
use crate::record::{About, Recorder, ScannedSheets};
use crate::setup::charts::ScriptImages;
use crate::setup::options::{Limits, Surroundings};
use crate::terminal::complain;
use crate::terminal::told::rendered;
use spintrue_head::{CallListener, CallRecorder, Calls, Description, Fault, Link, not_simulated};
use spintrue_language::{Diagnostic, Files, Prepared, Runnable, Station, prepare};
use spintrue_sim::{Medium, Sheet, Showing};
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// Reads and checks a script; prints its warnings.
pub(crate) fn load(
    files: &mut dyn Files,
    script: &str,
    settings: &[String],
) -> Result<Prepared, Error> {
    let prepared = prepare(files, script, settings)?;
    if prepared.program.is_none() {
        return Err(Error::reports(prepared.diagnostics, &prepared.sources));
    }
    complain(&rendered(&prepared.diagnostics, &prepared.sources));
    Ok(prepared)
}

impl Surroundings {
    /// Opens the head at an address to use it; its stop flag ends waits early. Where `is_realtime` asks
    /// for it, the time of a simulated head passes as on a bench.
    pub(crate) fn open(&self, address: &str, is_realtime: bool) -> Result<Opened, Error> {
        self.open_until(address, is_realtime, |opened| &opened.stop)
    }

    /// The same, where another flag ends waits.
    pub(crate) fn open_until(
        &self,
        address: &str,
        is_realtime: bool,
        end: fn(&Opened) -> &Arc<AtomicBool>,
    ) -> Result<Opened, Error> {
        let fixtures = self.fixtures.read()?;
        let opened = address::open(address, self.seed, &self.faults.faults)?;
        let end = Arc::clone(end(&opened));
        fixtures.fit(opened, is_realtime, &end)
    }
}

impl Fixtures {
    /// Asks the head at an address only what it is: the fixtures are not connected.
    pub(crate) fn describe(&self, address: &str) -> Result<Described, Error> {
        let fixtures = self.read()?;
        Described::of(address::open(address, None, &[])?, &fixtures)
    }
}

impl Opened {
    /// Time passes by itself, or did in the recording that is replayed.
    pub(crate) fn is_real_time(&self) -> bool {
        self.replay.as_ref().map_or(!self.virtual_time, Recorded::was_real_time)
    }

    /// A simulated head of this process, which starts at rest; another one may have been kept spinning.
    fn is_at_rest(&self) -> bool {
        self.medium.is_some() && self.replay.is_none()
    }

    /// Lets a listener hear every call.
    pub(crate) fn heard_by(mut self, listener: Rc<RefCell<impl CallListener + 'static>>) -> Opened {
        if let Some(replay) = &mut self.replay {
            replay.add_listener();
        }
        Opened { link: Box::new(CallRecorder::new(self.link, listener)), ..self }
    }

    /// Starts to keep a record of what the head says; pages are kept for its report.
    pub(crate) fn recorded(self) -> (Opened, Rc<RefCell<Recorder>>) {
        if let Some(medium) = &self.medium {
            medium.keep();
        }
        let recorder = Rc::new(RefCell::new(Recorder::new(self.stop.clone())));
        (self.heard_by(recorder.clone()), recorder)
    }
}

/// A head behind the guard, and what is known of it.
pub(crate) struct Stage {
    pub station: Station,
    pub head: Description,
    pub medium: Option<Medium>,
    pub seed: u64,
    pub faults: Vec<String>,
    pub replay: Option<Recorded>,
    pub stop: Arc<AtomicBool>,
    /// Sheets by which lines were measured.
    pub scanned: ScannedSheets,
    files: Vec<(String, Vec<u8>)>,
    /// Nothing turns before a script starts.
    at_rest: bool,
}

impl Stage {
    /// Puts a head behind the guard; images are read as `script` names them.
    pub(crate) fn open(opened: Opened, script: &str) -> Result<Stage, Error> {
        let (real_time, at_rest) = (opened.is_real_time(), opened.is_at_rest());
        let Opened { link, medium, seed, faults, replay, stop, files, gauge_file, .. } = opened;
        let mut station = Station::open(link, Arc::clone(&stop)).map_err(Error::HeadFailed)?;
        station.set_real_time(real_time);
        station.set_gauge_file(gauge_file);
        let head = station.description().clone();
        let scanned = ScannedSheets::default();
        let images = ScriptImages::new(script, &scanned);
        station.set_images(Box::new(images));
        Ok(Stage { station, head, medium, seed, faults, replay, stop, scanned, files, at_rest })
    }

    /// Has lines measured by prints where options ask for it, and charts of `script` read as they say.
    pub(crate) fn measure_by_prints(
        &mut self,
        options: &PrintOptions,
        script: &str,
        showing: Showing,
        force: &Force,
    ) -> Result<(), Error> {
        let mut images = ScriptImages::new(script, &self.scanned);
        let medium = self.medium.as_ref();
        let opened = options.open(&self.head, &mut images, medium, showing, *force)?;
        self.station.set_images(Box::new(images));
        if let Some((gauge, lines)) = opened {
            self.station.set_sheet_gauge(Box::new(gauge), lines);
            self.head = self.station.description().clone();
        }
        Ok(())
    }

    /// Lets a script through to this head, unless an error or a limit forbids it; and the longest
    /// time in s that it can take.
    pub(crate) fn admit<'p>(
        &self,
        prepared: &'p Prepared,
        limits: Option<&Limits>,
    ) -> Result<(Runnable<'p>, Option<f64>), Error> {
        let is_replay = self.replay.is_some();
        let (found, bound) =
            limits.map(|limits| limits.check(prepared, &self.head, is_replay)).unwrap_or_default();
        let check_fault = |fault: &str| self.station.check_can_inject(fault);
        let runnable = prepared.admit(&self.head, self.at_rest, &check_fault, found);
        let runnable = runnable.map_err(|refused| Error::reports(refused, &prepared.sources))?;
        let limit = limits.zip(bound.as_ref()).and_then(|(limits, b)| limits.longest.limit(b));
        Ok((runnable.with_limit(limit), bound.and_then(|bound| bound.most)))
    }

    /// What is known of a run on this head before it starts; without a script, of what is typed.
    pub(crate) fn about(
        &self,
        prepared: Option<&Prepared>,
        script: &str,
        at_most: Option<f64>,
    ) -> About {
        let programs = prepared.into_iter().flat_map(|prepared| &prepared.program);
        let params = programs.flat_map(|program| &program.params);
        About {
            script: script.to_string(),
            head: self.head.clone(),
            address: String::new(),
            elsewhere: false,
            seed: self.seed,
            faults: self.faults.clone(),
            operator: None,
            named: Vec::new(),
            params: params.map(|p| (p.name.to_string(), p.text.clone())).collect(),
            at_most,
            replay: self.replay.is_some(),
            again: Vec::new(),
            files: self.files.clone(),
        }
    }

    /// The pages that were exposed.
    pub(crate) fn sheets(&self) -> Vec<Sheet> {
        self.medium.as_ref().map(Medium::take).unwrap_or_default()
    }
}

/// What a head says of itself, and what injects faults into it.
pub(crate) struct Described {
    pub head: Description,
    /// None for a head into which nothing can be injected.
    link: Option<RefCell<Box<dyn Link>>>,
    /// Nothing turns before a script starts, as on a simulated head of this process.
    at_rest: bool,
}

impl From<Description> for Described {
    fn from(head: Description) -> Described {
        Described { head, link: None, at_rest: false }
    }
}

impl Described {
    /// Asks an opened head what it is, with its fixtures.
    pub(crate) fn of(opened: Opened, fixtures: &OpenFixtures) -> Result<Described, Error> {
        let at_rest = opened.is_at_rest();
        let mut opened = fixtures.described(opened)?;
        let head = opened.link.describe().map_err(Error::HeadFailed)?;
        Ok(Described { head, link: Some(RefCell::new(opened.link)), at_rest })
    }

    /// Reports what a script names by plain text and this head does not have, and what surely fails on it.
    pub(crate) fn unfit(&self, prepared: &Prepared) -> Vec<Diagnostic> {
        prepared.unfit(&self.head, self.at_rest, &|fault| self.check_can_inject(fault))
    }

    /// Reports params that may be set so that a script surely fails on this head.
    pub(crate) fn risky(&self, prepared: &Prepared) -> Vec<Diagnostic> {
        prepared.risky(&self.head, &mut || true).unwrap_or_default()
    }

    /// Whether a script may run on this head, as far as that can be told without running it.
    pub(crate) fn admit(&self, prepared: &Prepared) -> Result<(), Vec<Diagnostic>> {
        let check_fault = |fault: &str| self.check_can_inject(fault);
        prepared.admit(&self.head, self.at_rest, &check_fault, Vec::new()).map(|_| ())
    }

    fn check_can_inject(&self, fault: &str) -> Result<(), Fault> {
        match &self.link {
            Some(link) => link.borrow_mut().check_can_inject(fault),
            None => Err(not_simulated()),
        }
    }
}
