//! Writes a record during the run: calls and events go to the disk at once, everything else is written at
//! the end.

use crate::error::{Error, invalid};
use crate::record::about::{About, texts};
use crate::record::collect::Collector;
use crate::record::data::{End, Identity, Page};
use crate::record::events::{self, moment};
use crate::record::folder::{Folder, Stream, sync, unmark};
use crate::record::html::page;
use crate::record::junit::junit;
use crate::record::lines::LINES_HEADER;
use crate::record::looks::Watched;
use crate::record::manifest::Manifest;
use crate::record::scans::ScannedSheet;
use crate::record::signature::PrivateKey;
use crate::record::sources::sources as sources_json;
use crate::record::tables::Tables;
use crate::record::tap::tap;
use crate::record::values::{answers, values};
use serde::Serialize;
use serde_json::{Value, json};
use spintrue_head::{CallListener, Heard};
use spintrue_language::{Event, Finished, Looks, Observer, SourceMap};
use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// A record that is being written.
#[derive(Default)]
pub(crate) struct Recorder {
    collector: Collector,
    /// Calls before the record was started.
    early: Vec<Heard>,
    files: Option<Files>,
    /// The first write error.
    trouble: Option<Error>,
    /// The line that is being written.
    buffer: Vec<u8>,
    /// Every call goes to the disk at once: the calls of a real head cannot be repeated.
    eager: bool,
    /// Stops the run.
    stop: Arc<AtomicBool>,
    at_most: Option<f64>,
    watched: Watched,
    /// Head time in s at which a wait was told last, and the time that it had waited.
    waited: (f64, f64),
}

/// Longest head time in s for which nothing is told of a wait.
const MAX_SILENCE: f64 = 10.0;

/// What a record is bound to.
#[derive(Default)]
pub(crate) struct Bound<'a> {
    /// Digest of the archive's row of the run.
    pub row: Option<&'a str>,
    /// The key that signs it.
    pub key: Option<&'a PrivateKey>,
}

/// A record with all its files, and its mark.
pub(crate) struct Sealed {
    path: PathBuf,
    /// Digest of `record.json`.
    pub digest: String,
}

impl Sealed {
    /// Waits until the names of its files are on the disk.
    pub(crate) fn sync(&self) -> Result<(), Error> {
        sync(&self.path)
    }

    /// Removes the mark: the record counts as finished.
    pub(crate) fn finish(&self) -> Result<(), Error> {
        unmark(&self.path)
    }
}

struct Files {
    folder: Folder,
    events: Stream,
    lines: Stream,
    tables: Tables,
}

impl Files {
    fn flush(&mut self) -> Result<(), Error> {
        self.events.flush()?;
        self.lines.flush()?;
        self.tables.flush()
    }
}

/// A call as a line of events.jsonl.
#[derive(Serialize)]
struct CallLine {
    event: &'static str,
    #[serde(flatten)]
    heard: Heard,
}

impl Recorder {
    /// A recorder that listens and writes nothing yet. `stop` ends the run should writing fail.
    pub(crate) fn new(stop: Arc<AtomicBool>) -> Recorder {
        Recorder { stop, ..Recorder::default() }
    }

    /// Sets what tells which calls are looks; without it every call is written.
    pub(crate) fn set_looks(&mut self, looks: Rc<Looks>) {
        self.watched.set_looks(looks);
    }

    /// Nothing runs from now on, or something does: a status meanwhile is a look.
    pub(crate) fn set_idle(&mut self, idle: bool) {
        self.watched.idle = idle;
    }

    /// Notes what happens beside a script.
    pub(crate) fn note(&mut self, time: f64, text: String) {
        self.event(time, &Event::Note(text), &SourceMap::default());
    }

    /// Adds texts that were not known when the record was started.
    pub(crate) fn add_texts(&mut self, sources: &SourceMap) {
        self.collector.add_sources(texts(sources));
    }

    /// Adds the sheets that were scanned.
    pub(crate) fn add_scans(&mut self, scans: Vec<ScannedSheet>) {
        self.collector.add_scans(scans);
    }

    /// Takes the folder and starts the record.
    pub(crate) fn start(
        &mut self,
        path: &Path,
        about: &About,
        identity: Identity,
    ) -> Result<(), Error> {
        let folder = Folder::take(path)?;
        let events = folder.stream("events.jsonl")?;
        let mut lines = folder.stream("lines.csv")?;
        lines.write(LINES_HEADER.as_bytes())?;
        self.files = Some(Files { folder, events, lines, tables: Tables::default() });
        self.at_most = about.at_most;
        self.eager = !about.head.simulated;
        self.collector.start(identity);
        self.line(&events::start(about));
        for heard in std::mem::take(&mut self.early) {
            self.heard(&heard);
        }
        self.trouble.take().map_or(Ok(()), Err)
    }

    /// Writes something, unless there was an error before.
    fn with(&mut self, work: impl FnOnce(&mut Files) -> Result<(), Error>) {
        if self.trouble.is_some() {
            return;
        }
        if let Some(files) = &mut self.files
            && let Err(why) = work(files)
        {
            self.trouble = Some(why);
            self.stop.store(true, Ordering::SeqCst);
        }
    }

    fn line(&mut self, value: &Value) {
        let decided = self.watched.decided();
        self.with(|files| {
            files.events.write(&decided)?;
            files.events.write(format!("{value}\n").as_bytes())?;
            files.flush()
        });
    }

    fn event(&mut self, time: f64, event: &Event, sources: &SourceMap) {
        self.collector.event(time, event, &|span| sources.place(span));
        if let Event::Recorded { label, shown, .. } = event {
            self.with(|files| files.tables.add(&files.folder, label, shown));
        }
        let value = match event {
            Event::Progress { elapsed, .. } if !self.is_news(time, *elapsed) => None,
            Event::Progress { text, elapsed, limit } => Some(json!({
                "event": "waiting", "time": moment(time), "text": text.as_ref(),
                "elapsed": moment(*elapsed), "limit": limit,
            })),
            other => events::event(time, other),
        };
        if let Some(value) = value {
            self.line(&value);
        }
    }

    /// Whether a wait that goes on is to be told: when it begins, and from time to time.
    fn is_news(&mut self, time: f64, elapsed: f64) -> bool {
        let (told, waited) = self.waited;
        let is_news = elapsed <= waited || time - told >= MAX_SILENCE;
        self.waited = if is_news { (time, elapsed) } else { (told, elapsed) };
        is_news
    }

    /// Writes all files and leaves the mark, for a caller that has more to do before the record counts
    /// as finished. Fails where something could not be written, now or before.
    pub(crate) fn seal(
        &mut self,
        finished: &Finished,
        sources: &SourceMap,
        pages: Vec<Page>,
        bound: &Bound<'_>,
    ) -> Result<Option<Sealed>, Error> {
        let mut end = events::end(finished, sources, self.at_most);
        if let Some(end) = end.as_object_mut() {
            end.insert("looks_left_out".to_string(), json!(self.watched.left_out));
        }
        self.line(&end);
        let rest = self.collector.end_lines();
        self.with(|files| files.lines.write(rest.as_bytes()));
        if let Some(trouble) = self.trouble.take() {
            return Err(trouble);
        }
        let Some(Files { mut folder, events, lines, tables }) = self.files.take() else {
            return Ok(None);
        };
        self.collector.end(finished, sources, pages);
        let (record, end) = (self.collector.record(), End::new(finished, sources));
        folder.end_packed(events)?;
        folder.end_packed(lines)?;
        tables.into_files().try_for_each(|table| folder.end(table))?;
        folder.put("values.toml", &values(record).map_err(|e| invalid!("{e}"))?)?;
        if let Some(answers) = answers(record).map_err(|e| invalid!("{e}"))? {
            folder.put("answers.toml", &answers)?;
        }
        folder.put_packed("sources.json", sources_json(&record.identity).as_bytes())?;
        folder.put("junit.xml", &junit(record, &end).map_err(|e| invalid!("{e}"))?)?;
        folder.put("results.tap", tap(record, &end))?;
        folder.put("report.html", page(record, &end))?;
        for scan in &record.scans {
            scan.files()?.into_iter().try_for_each(|(name, bytes)| folder.put(&name, bytes))?;
        }
        let verdict = finished.verdict();
        let (word, code) = (verdict.kept_as(), verdict.exit_code());
        let Bound { row, key } = bound;
        let public = key.map(PrivateKey::public);
        let files = folder.files();
        let (manifest, digest) =
            Manifest::written(&record.identity, (&word, code), files, *row, public.as_ref());
        let path = folder.path().to_path_buf();
        let signature = key.map(|key| key.sign(manifest.as_bytes()));
        folder.seal(&manifest, signature.as_ref().map(|bytes| bytes.as_slice()))?;
        Ok(Some(Sealed { path, digest }))
    }
}

impl CallListener for Recorder {
    fn heard(&mut self, heard: &Heard) {
        if self.files.is_none() {
            self.early.push(heard.clone());
            return;
        }
        let cells = self.collector.heard(heard);
        let mut line = std::mem::take(&mut self.buffer);
        line.clear();
        let mut written = Ok(());
        if !cells.is_whole {
            let told = Heard { time: moment(heard.time), ..heard.clone() };
            written = serde_json::to_writer(&mut line, &CallLine { event: "call", heard: told });
            line.push(b'\n');
        }
        let eager = self.eager;
        let lines = self.watched.take(heard, &line);
        self.with(|files| {
            written.map_err(|e| invalid!("{e}"))?;
            files.events.write(&lines)?;
            files.lines.write(cells.text.as_bytes())?;
            if eager { files.flush() } else { Ok(()) }
        });
        self.buffer = line;
    }
}

/// Passes on the events of a script, and records them.
pub(crate) struct Recording<'a> {
    pub inner: &'a mut dyn Observer,
    pub recorder: Rc<RefCell<Recorder>>,
    pub sources: &'a SourceMap,
}

impl Observer for Recording<'_> {
    fn event(&mut self, time: f64, event: Event) {
        self.recorder.borrow_mut().event(time, &event, self.sources);
        self.inner.event(time, event);
    }
}
