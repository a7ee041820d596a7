//! Scripts in memory and on disk, stations on simulated heads, and what a run tells.

use crate::support::root;
use spintrue_head::Rig;
use spintrue_language::{
    Event, FileError, Files, Finished, Observer, Prepared, SourceText, Station, run_script,
};
use spintrue_sim::open;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A script in memory or none, and files on disk, from the folder of the file that names them.
pub struct Sources<'a> {
    script: Option<&'a str>,
    folder: PathBuf,
    image: Option<Vec<u8>>,
}

impl<'a> Sources<'a> {
    /// Files below a folder of the repository.
    pub fn below(folder: &str) -> Sources<'a> {
        Sources { script: None, folder: root().join(folder), image: None }
    }

    /// A script that uses the files of the shipped ones.
    pub fn of(script: &'a str) -> Sources<'a> {
        Sources { script: Some(script), ..Sources::below("scripts") }
    }

    /// The same with one image of every name.
    pub fn with_image(script: &'a str, image: Vec<u8>) -> Sources<'a> {
        Sources { image: Some(image), ..Sources::of(script) }
    }
}

fn beside(from: Option<&str>, path: &str) -> PathBuf {
    from.and_then(|from| Path::new(from).parent()).unwrap_or(Path::new("")).join(path)
}

impl Files for Sources<'_> {
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<SourceText, FileError> {
        if let (Some(text), None) = (self.script, from) {
            return Ok(SourceText { name: path.to_string(), text: text.to_string() });
        }
        let name = beside(from, path);
        let text = fs::read_to_string(self.folder.join(&name)).map_err(|why| why.to_string())?;
        Ok(SourceText { name: name.display().to_string(), text })
    }

    fn bytes(&mut self, from: &str, path: &str) -> Result<Vec<u8>, FileError> {
        if let Some(image) = &self.image {
            return Ok(image.clone());
        }
        Ok(fs::read(self.folder.join(beside(Some(from), path))).map_err(|why| why.to_string())?)
    }
}

/// What a run tells, with the head time, which never goes back; without the steps of its progress.
#[derive(Default)]
pub struct Events(pub Vec<(f64, Event)>, f64);

impl Events {
    pub fn notes(&self) -> Vec<&str> {
        let notes = self.0.iter().filter_map(|(_, event)| match event {
            Event::Note(text) => Some(text.as_str()),
            _ => None,
        });
        notes.collect()
    }
}

impl Observer for Events {
    fn event(&mut self, time: f64, event: Event) {
        assert!(time >= self.1, "an event at {time} s after one at {} s", self.1);
        self.1 = time;
        if !matches!(event, Event::Progress { .. }) {
            self.0.push((time, event));
        }
    }
}

/// A station with a simulated head and its gauge.
pub fn station(description: Option<&str>, seed: u64) -> Station {
    let (head, gauge) = open(description.map(|text| ("head.toml", text)), seed).unwrap();
    let injector = Box::new(head.injector());
    let rig = Rig::new(Box::new(head), Some(Box::new(gauge))).with_injector(injector);
    Station::open(Box::new(rig), Arc::default()).unwrap()
}

/// Runs a script that fits the head.
pub fn run(prepared: &Prepared, station: &mut Station) -> (Finished, Events) {
    let mut events = Events::default();
    let description = station.description().clone();
    let runnable =
        prepared.admit(&description, false, &|fault| station.check_can_inject(fault), Vec::new());
    let finished = run_script(runnable.ok().unwrap(), station, &mut events);
    (finished, events)
}
