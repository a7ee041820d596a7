//! One head of a batch: a run with its record. It is stored in the archive before its record counts as
//! finished, so that neither exists twice.

use crate::archive::{Archive, Keeper, Rows};
use crate::batch::journal::{Done, now};
use crate::batch::options::Options;
use crate::batch::place::Place;
use crate::batch::plan::Planned;
use crate::batch::resume::sha256;
use crate::error::{Error, invalid};
use crate::record;
use crate::record::{About, Again, Bound, PrivateKey, Recording, Sealed, Unmet};
use crate::setup::{Attempt, NoAttempt, OpenFixtures, Retest, Stage};
use spintrue_language::{Event, Given, Observer, Prepared, Verdict, run_script};
use spintrue_sim::Showing;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// What the run of each head needs.
pub(super) struct Run<'a> {
    pub options: &'a Options,
    pub fixtures: &'a OpenFixtures,
    /// Of the script and what it uses.
    pub digest: &'a str,
    /// Stops the run.
    pub stop: &'a Arc<AtomicBool>,
    pub archive: Option<&'a mut Archive>,
    pub named: &'a [(String, String)],
    pub retest: &'a Retest,
    /// Notes that the run begins.
    pub begin: &'a mut dyn FnMut() -> Result<(), Error>,
    /// Signs the records.
    pub key: Option<&'a PrivateKey>,
}

/// Why a run did not start, or left nothing.
pub(super) enum Lost {
    /// The head does not answer, or not as expected; nothing was started.
    NoAnswer(Error),
    /// The head may not be tested again.
    Refused(NoAttempt),
    /// Record or archive cannot be written, so the batch cannot go on.
    Record(Error),
}

impl Observer for Unmet {
    fn event(&mut self, _: f64, event: Event) {
        if let Event::Check(check) = event {
            self.add(&check);
        }
    }
}

impl Run<'_> {
    /// Runs the script on a head and keeps a record of it; how it ended.
    pub(super) fn on(
        mut self,
        planned: &Planned,
        prepared: &Prepared,
        given: Given,
        folder: &Path,
    ) -> Result<(Verdict, Done), Lost> {
        let Options { script, .. } = self.options;
        let mut opened = planned.place.open(self.fixtures, self.stop).map_err(Lost::NoAnswer)?;
        opened.stop = Arc::clone(self.stop);
        let (opened, recorder) = opened.recorded();
        let mut stage = Stage::open(opened, script).map_err(Lost::NoAnswer)?;
        stage.station.set_operator(Box::new(given));
        recorder.borrow_mut().set_looks(stage.station.looks());
        if stage.head.serial != planned.serial {
            let other = &stage.head.serial;
            return Err(Lost::NoAnswer(invalid!("the head says that it is {other}")));
        }
        let (runnable, most) =
            stage.admit(prepared, Some(&self.options.limits)).map_err(|reports| {
                reports.print();
                let why = "the script cannot be run on this head, for the reasons above";
                Lost::NoAnswer(Error::Invalid(why.to_string()))
            })?;
        let attempt = self.attempt(planned, stage.head.simulated)?;
        let named = self.named.iter().cloned().chain(attempt.named());
        let about = About {
            address: planned.place.address(),
            elsewhere: matches!(planned.place, Place::Address(_)),
            operator: self.options.archiving.operator.clone(),
            named: named.collect(),
            again: self.again(planned, &stage),
            ..stage.about(Some(prepared), script, most).with_files(self.options.fixtures.texts())
        };
        let identity = record::identity(&about, Some(prepared));
        (self.begin)().map_err(Lost::Record)?;
        let started = recorder.borrow_mut().start(folder, &about, identity.clone());
        started.map_err(Lost::Record)?;
        let mut unmet = Unmet::default();
        let mut recording =
            Recording { inner: &mut unmet, recorder: recorder.clone(), sources: &prepared.sources };
        let mut keeper = Keeper::new(&mut recording, self.archive.is_some());
        let finished = run_script(runnable, &mut stage.station, &mut keeper);
        let heard = keeper.heard();
        let pages = record::pages(&stage.sheets(), &Showing { scale: 1, spot: None });
        let verdict = finished.verdict();
        // An interrupted run is repeated; the archive holds no run twice.
        let archive = self.archive.filter(|_| verdict != Verdict::Interrupted);
        let archive =
            archive.map(|archive| (archive, Rows::new(&identity, self.digest, heard, &finished)));
        let row = archive.as_ref().map(|(_, rows)| rows.digest());
        let bound = Bound { row: row.as_deref(), key: self.key };
        let sealed = recorder.borrow_mut().seal(&finished, &prepared.sources, pages, &bound);
        let sealed = sealed.map_err(Lost::Record)?;
        if let Some((archive, rows)) = archive {
            sealed.iter().try_for_each(Sealed::sync).map_err(Lost::Record)?;
            let digest = sealed.as_ref().map(|sealed| sealed.digest.as_str());
            archive.store(&rows, digest).map_err(Lost::Record)?;
        }
        sealed.iter().try_for_each(Sealed::finish).map_err(Lost::Record)?;
        unmet.not_reached =
            finished.unreached.iter().map(|check| check.label.to_string()).collect();
        let failure = finished.failure.map(|failure| failure.message);
        let done = Done {
            serial: planned.serial.clone(),
            verdict: verdict.kept_as(),
            exit_code: verdict.exit_code(),
            unmet,
            failure: failure.or_else(|| finished.safe.trouble()),
            took: finished.took,
            left_safe: Some(finished.safe.is_safe()),
            attempt: attempt.number,
            record: sha256(&folder.join("record.json")).unwrap_or_default(),
            at: now(),
        };
        Ok((verdict, done))
    }

    /// Which attempt this is; an archive may know of some in other batches.
    fn attempt(&mut self, planned: &Planned, simulated: bool) -> Result<Attempt, Lost> {
        let mut earlier = planned.earlier.clone();
        if let Some(archive) = &mut self.archive {
            let stored = archive.earlier(&planned.serial, &self.options.script, simulated);
            let stored = stored.map_err(Lost::Record)?;
            earlier = if stored.len() > earlier.len() { stored } else { earlier };
        }
        // A head of the list that was never tested is no re-test.
        let reason = planned.reason.as_ref().or(self.retest.reason.as_ref());
        let reason = reason.filter(|_| !earlier.is_empty());
        self.retest.attempt(&earlier, reason).map_err(Lost::Refused)
    }

    /// Arguments that repeat the run.
    fn again(&self, planned: &Planned, stage: &Stage) -> Vec<String> {
        let faults = match &planned.place {
            Place::Simulated(head) => head.faults.as_slice(),
            Place::Address(_) => &[],
        };
        let again = Again {
            script: &self.options.script,
            address: &planned.place.address(),
            seed: stage.medium.is_some().then_some(stage.seed),
            faults,
            fixtures: self.options.fixtures.paths().collect(),
            answers: self.options.answers.file.as_deref(),
            print: Vec::new(),
        };
        again.arguments()
    }
}
