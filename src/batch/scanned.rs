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

impl Drive<'_, '_> {
    /// Takes a line of the queue, or tells why not.
    pub(super) fn entered(&mut self, entry: Entry) {
        let (text, told) = match entry {
            Entry::Wrong(what) => (what, Err("not taken: scan or type it again".to_string())),
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
            Err(why) => self.batch.summary.tell_queue(&text, &why),
        }
    }

    /// Takes a serial number into the queue; its index, or why it is not taken.
    fn take(&mut self, serial: &str) -> Result<usize, String> {
        if self.early.is_some() {
            return Err("not taken, since the batch ends".to_string());
        }
        let heads = &self.batch.heads;
        if let Some(at) = heads.iter().position(|head| head.serial == serial) {
            return self.take_again(at);
        }
        if heads.len() >= MAX_HEADS {
            return Err(format!("not taken: {MAX_HEADS} heads are the most; name another folder"));
        }
        if let Some((what, way)) = unfit_serial(serial) {
            return Err(format!("not taken: {what}; {way}"));
        }
        let options = self.batch.options;
        if !options.sheets.is_empty() && sheets::of_serial(options, serial).is_none() {
            return Err("not taken: no pattern of `--sheet` fits it".to_string());
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
                Err("the batch ends".to_string())
            }
        }
    }

    /// Takes a head of the queue again, if it waits for nothing else but a station that was tried already.
    fn take_again(&mut self, at: usize) -> Result<usize, String> {
        if let Some(head) = self.waiting.iter_mut().find(|head| head.at == at) {
            if head.tried.is_empty() {
                return Err("is in the queue already".to_string());
            }
            head.tried.clear();
            return Ok(at);
        }
        let runs = |station: &&Station<'_>| matches!(&station.doing, Doing::Running(it) if it.head.at == at);
        if let Some(station) = self.stations.iter().find(runs) {
            return Err(format!("runs already at {}", station.name));
        }
        let state = self.batch.summary.rows.get(at).map(|row| &row.state);
        if let Some(State::Done(done, _)) = state {
            let verdict = &done.verdict;
            return Err(format!("has its result, {verdict}: `--retest REASON` tests heads again"));
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
