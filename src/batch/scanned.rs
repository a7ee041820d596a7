//! Serial numbers that are scanned while a batch runs: which are taken into the queue, and which head is to be mounted
//! at which station.

use crate::batch::Early;
use crate::batch::plan::{plan, unfit_serial};
use crate::batch::queue::{Entry, MAX_HEADS};
use crate::batch::sheets;
use crate::batch::stations::{Doing, Drive, Station, Waiting};
use crate::batch::summary::State;
use crate::error::invalid;
use crate::setup::is_elsewhere;
use std::collections::HashSet;
use thiserror::Error;

/// Why a line is not taken into the queue.
#[derive(Debug, Error)]
enum NotTaken {
    #[error("not taken: scan or type it again")]
    Unreadable,
    #[error("not taken, since the batch ends")]
    Ending,
    #[error("not taken: {MAX_HEADS} heads are the most; name another folder")]
    Full,
    #[error("not taken: {what}; {way}")]
    Unfit { what: String, way: &'static str },
    #[error("not taken: no pattern of `--sheet` fits it")]
    NoSheet,
    #[error("is in the queue already")]
    Waits,
    #[error("runs already at {station}")]
    Runs { station: String },
    #[error("has its result, {verdict}: `--retest REASON` tests heads again")]
    Done { verdict: String },
    #[error("the batch ends")]
    Unrunnable,
}

impl Drive<'_, '_> {
    /// Takes a line of the queue, or tells why not.
    pub(super) fn entered(&mut self, entry: Entry) {
        let (text, told) = match entry {
            Entry::Wrong(what) => (what, Err(NotTaken::Unreadable)),
            Entry::Serial(serial) => (serial.clone(), self.take(&serial)),
        };
        match told {
            Ok(at) => {
                self.assign();
                let is_assigned = self.stations.iter().any(|station| station.wanted == Some(at));
                if !is_assigned {
                    self.batch.summary.tell_queue(&text, "waits for a free station");
                }
            }
            Err(why) => self.batch.summary.tell_queue(&text, &why.to_string()),
        }
    }

    /// Takes a serial number into the queue; its index, or why it is not taken.
    fn take(&mut self, serial: &str) -> Result<usize, NotTaken> {
        if self.early.is_some() {
            return Err(NotTaken::Ending);
        }
        let heads = &self.batch.heads;
        if let Some(at) = heads.iter().position(|head| head.serial == serial) {
            return self.take_again(at);
        }
        if heads.len() >= MAX_HEADS {
            return Err(NotTaken::Full);
        }
        if let Some((what, way)) = unfit_serial(serial) {
            return Err(NotTaken::Unfit { what, way });
        }
        let options = self.batch.options;
        if !options.sheets.is_empty() && sheets::of_serial(options, serial).is_none() {
            return Err(NotTaken::NoSheet);
        }
        let row = heads.len();
        let added = self.queue.as_mut().map_or(Ok(()), |queue| queue.add(serial));
        let planned = added.and_then(|()| plan(options, Some(row)));
        let planned = planned.map(|plan| plan.heads.into_iter().next());
        let planned =
            planned.and_then(|head| head.ok_or_else(|| invalid!("the queue has changed")));
        match planned {
            Ok(head) => {
                let at = self.batch.add(head);
                self.waiting.push(Waiting { at, tried: HashSet::new() });
                Ok(at)
            }
            Err(error) => {
                let why = format!("{serial} cannot be run: {error}");
                self.early = Some(Early::Stopped(why, error.exit_code()));
                Err(NotTaken::Unrunnable)
            }
        }
    }

    /// Takes a head of the queue again, if it waits for nothing else but a station that was tried already.
    fn take_again(&mut self, at: usize) -> Result<usize, NotTaken> {
        if let Some(head) = self.waiting.iter_mut().find(|head| head.at == at) {
            if head.tried.is_empty() {
                return Err(NotTaken::Waits);
            }
            head.tried.clear();
            return Ok(at);
        }
        let runs = |station: &&Station<'_>| matches!(&station.doing, Doing::Running(it) if it.head.at == at);
        if let Some(station) = self.stations.iter().find(runs) {
            return Err(NotTaken::Runs { station: station.name.to_string() });
        }
        let state = self.batch.summary.rows.get(at).map(|row| &row.state);
        if let Some(State::Done(done, _)) = state {
            return Err(NotTaken::Done { verdict: done.verdict.to_string() });
        }
        self.waiting.push(Waiting { at, tried: HashSet::new() });
        Ok(at)
    }

    /// Tells which head of the queue is to be mounted at which station: at the first that is free.
    pub(super) fn assign(&mut self) {
        if self.queue.is_none() {
            return;
        }
        for Waiting { at, tried } in &self.waiting {
            if self.stations.iter().any(|station| station.wanted == Some(*at)) {
                continue;
            }
            let is_free = |(number, station): &(usize, &mut Station<'_>)| {
                let is_idle = matches!(station.doing, Doing::Nothing | Doing::Asking);
                is_idle && station.wanted.is_none() && !tried.contains(number)
            };
            let free = self.stations.iter_mut().enumerate().find(is_free);
            let (Some((_, station)), Some(head)) = (free, self.batch.heads.get(*at)) else {
                continue;
            };
            station.wanted = Some(*at);
            if is_elsewhere(station.address) {
                let what = format!("mount {}", head.serial);
                self.batch.summary.tell(station.name, &what);
            }
        }
    }
}
