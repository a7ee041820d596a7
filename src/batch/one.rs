//! One head of a batch: a run with its record. It is stored in the archive before its record counts as
//! finished, so that neither exists twice.

use crate::archive::{Archive, Keeper, Rows, archive_name};
use crate::batch::journal::{Done, Subject, now};
use crate::batch::options::Options;
use crate::batch::place::Place;
use crate::batch::plan::Planned;
use crate::batch::resume::file_sha256;
use crate::batch::sheets::{Script, Scripts};
use crate::disk::{Disk, digest_of, read_text, sha256};
use crate::error::Error;
use crate::record;
use crate::record::{About, Again, Bound, PrivateKey, Recording, Sealed, Unmet};
use crate::setup::{Attempt, OpenFixtures, Stage};
use serde::{Deserialize, Serialize};
use spintrue_head::WireControl;
use spintrue_language::{Event, Observer, Series, Verdict, run_script};
use spintrue_sim::Showing;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// What runs heads: in the process of the batch, or in one of its own at a station.
pub(super) struct Runner<'a> {
    options: &'a Options,
    pub scripts: Scripts,
    fixtures: OpenFixtures,
    /// What is run on every head.
    pub subject: Subject,
    /// Of the script and what it uses.
    pub digest: String,
    /// Stops the run of a head.
    pub stop: Arc<AtomicBool>,
    archive: Option<Archive>,
    named: Vec<(String, String)>,
    /// Signs the records.
    key: Option<PrivateKey>,
}

/// Why a run did not start, or left nothing.
#[derive(Debug, Serialize, Deserialize)]
pub(super) enum Lost {
    /// The head does not answer, or not as expected; nothing was started.
    NoAnswer(String),
    /// The head may not be tested again.
    Refused(String),
    /// The batch cannot go on, for example since a record cannot be written.
    Batch(String),
}

impl Lost {
    fn no_answer(error: Error) -> Lost {
        Lost::NoAnswer(error.to_string())
    }

    fn record(error: Error) -> Lost {
        Lost::Batch(format!("{error}; what was written of it is still there"))
    }
}

impl Observer for Unmet {
    fn event(&mut self, _: f64, event: Event) {
        if let Event::Check(check) = event {
            self.add(&check);
        }
    }
}

impl<'a> Runner<'a> {
    pub(super) fn new(
        options: &'a Options,
        scripts: Scripts,
        fixtures: OpenFixtures,
    ) -> Result<Runner<'a>, Error> {
        let key = options.archiving.key()?;
        let named = options.archiving.named(fixtures.gauge())?;
        let place = options.archiving.archive.as_deref();
        let series = scripts.get(&None).map(|script| &script.series);
        let subject = Subject::new(
            &options.script,
            series.map_or(Ok(Vec::new()), |series| sources(options, series))?,
            &options.settings.settings,
            place.map(archive_name).transpose()?,
        );
        let digest = series.map_or_else(String::new, |series| digest_of(series.scripts()));
        let (stop, archive) = (Arc::default(), None);
        Ok(Runner { options, scripts, fixtures, subject, digest, stop, archive, named, key })
    }

    /// Opens the archive, where there is one.
    pub(super) fn open_archive(&mut self) -> Result<(), Error> {
        let place = self.options.archiving.archive.as_deref();
        self.archive = place.map(Archive::open).transpose()?;
        Ok(())
    }

    /// Runs the script on a head and keeps a record of it; how it ended. `begin` notes that the run begins.
    pub(super) fn on(
        &mut self,
        planned: &Planned,
        begin: &mut dyn FnMut() -> Result<(), Error>,
    ) -> Result<Done, Lost> {
        let changed = |what: &str| Lost::Batch(format!("{what} has changed"));
        let Some(Script { series, .. }) = self.scripts.get_mut(&planned.sheet) else {
            return Err(changed("its data sheet"));
        };
        let row = series.list().rows.get(planned.row).cloned();
        let prepared = &mut series.prepared(&mut Disk, &row.ok_or(changed("the list"))?);
        let given = self.options.answers.read(prepared, false);
        let given = given.map_err(|_| changed("the answers file"))?.unwrap_or_default();
        let folder = &self.options.record.join(&planned.folder);
        let Options { script, .. } = self.options;
        let opened = planned.place.open(&self.fixtures, &self.stop);
        let mut opened = opened.map_err(Lost::no_answer)?;
        opened.stop = Arc::clone(&self.stop);
        let control = opened.control.take();
        let (opened, recorder) = opened.recorded();
        let mut stage = Stage::open(opened, script).map_err(Lost::no_answer)?;
        stage.station.set_operator(Box::new(given));
        recorder.borrow_mut().set_looks(stage.station.looks());
        if stage.head.serial != planned.serial {
            let other = &stage.head.serial;
            return Err(Lost::NoAnswer(format!("the head says that it is {other}")));
        }
        let (runnable, most) =
            stage.admit(prepared, Some(&self.options.limits)).map_err(|reports| {
                reports.print();
                let why = "the script cannot be run on this head, for the reasons above";
                Lost::NoAnswer(why.to_string())
            })?;
        let attempt = self.attempt(planned, stage.head.simulated)?;
        let named = self.named.iter().cloned().chain(attempt.named());
        let about = About {
            address: planned.place.address(),
            elsewhere: matches!(planned.place, Place::Address(_)),
            operator: self.options.archiving.operator.clone(),
            named: named.collect(),
            again: self.again(planned, &stage),
            ..stage
                .about(Some(prepared), script, most)
                .with_files(self.options.around_all().texts())
        };
        let identity = record::identity(&about, Some(prepared));
        // A head that another client moves is not touched, so it has no result.
        let taken = control.as_ref().map_or(Ok(()), WireControl::take);
        taken.map_err(|fault| Lost::NoAnswer(fault.to_string()))?;
        let started =
            begin().and_then(|()| recorder.borrow_mut().start(folder, &about, identity.clone()));
        started.map_err(|error| Lost::Batch(error.to_string()))?;
        let mut unmet = Unmet::default();
        let mut recording =
            Recording { inner: &mut unmet, recorder: recorder.clone(), sources: &prepared.sources };
        let mut keeper = Keeper::new(&mut recording, self.archive.is_some());
        let mut finished = run_script(runnable, &mut stage.station, &mut keeper);
        // Hands are in it next, so the polygon is brought to rest.
        if finished.safe.kept_spinning {
            finished.safe = stage.station.finish(false);
        }
        let heard = keeper.heard();
        let pages = record::pages(&stage.sheets(), &Showing { scale: 1, spot: None });
        let verdict = finished.verdict();
        // An interrupted run is repeated; the archive holds no run twice.
        let archive = self.archive.as_mut().filter(|_| verdict != Verdict::Interrupted);
        let archive =
            archive.map(|archive| (archive, Rows::new(&identity, &self.digest, heard, &finished)));
        let row = archive.as_ref().map(|(_, rows)| rows.digest());
        let bound = Bound { row: row.as_deref(), key: self.key.as_ref() };
        let sealed = recorder.borrow_mut().seal(&finished, &prepared.sources, pages, &bound);
        let sealed = sealed.map_err(Lost::record)?;
        if let Some((archive, rows)) = archive {
            sealed.iter().try_for_each(Sealed::sync).map_err(Lost::record)?;
            let digest = sealed.as_ref().map(|sealed| sealed.digest.as_str());
            archive.store(&rows, digest).map_err(Lost::record)?;
        }
        sealed.iter().try_for_each(Sealed::finish).map_err(Lost::record)?;
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
            record: file_sha256(&folder.join("record.json")).unwrap_or_default(),
            at: now(),
        };
        Ok(done)
    }

    /// Which attempt this is; an archive may know of some in other batches.
    fn attempt(&mut self, planned: &Planned, simulated: bool) -> Result<Attempt, Lost> {
        let mut earlier = planned.earlier.clone();
        if let Some(archive) = &mut self.archive {
            let stored = archive.earlier(&planned.serial, &self.options.script, simulated);
            let stored = stored.map_err(Lost::record)?;
            earlier = if stored.len() > earlier.len() { stored } else { earlier };
        }
        // A head of the list that was never tested is no re-test.
        let reason = planned.reason.as_ref().or(self.options.archiving.retest.as_ref());
        let reason = reason.filter(|_| !earlier.is_empty());
        let Some(Script { retest, .. }) = self.scripts.get(&planned.sheet) else {
            return Err(Lost::Batch("its data sheet has changed".to_string()));
        };
        retest.attempt(&earlier, reason).map_err(|why| Lost::Refused(why.to_string()))
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
            fixtures: self.options.around_all().paths().collect(),
            answers: self.options.answers.file.as_deref(),
            print: Vec::new(),
        };
        again.arguments()
    }
}

/// Name and SHA-256 of the script, what it uses, data sheets and answers.
fn sources(options: &Options, series: &Series) -> Result<Vec<(String, String)>, Error> {
    let list = series.list_name();
    let sources = series.sources().iter().map(|(_, source)| source);
    let sources = sources.filter(|source| !source.name.starts_with("--set") && source.name != list);
    let mut sources: Vec<(String, String)> =
        sources.map(|source| (source.name.clone(), sha256(source.text.as_bytes()))).collect();
    let answers = options.answers.file.iter().map(PathBuf::from);
    for path in answers.chain(options.fixtures.paths().map(|(_, path)| path.clone())) {
        sources.push((path.display().to_string(), sha256(read_text(&path)?)));
    }
    Ok(sources)
}
