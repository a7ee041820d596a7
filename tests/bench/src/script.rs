//! Runs a script of ours on a simulated head, for the number that it records.

use spintrue_head::Rig;
use spintrue_language::{
    Event, FileError, Files, Observer, Prepared, Shown, SourceText, Station, prepare, run_script,
};
use spintrue_sim::open;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// The one script, from memory.
struct Only<'a>(&'a str);

impl Files for Only<'_> {
    fn read(&mut self, _: Option<&str>, path: &str) -> Result<SourceText, FileError> {
        Ok(SourceText { name: path.to_string(), text: self.0.to_string() })
    }
}

/// Keeps the last number that was recorded.
struct Last(f64);

impl Observer for Last {
    fn event(&mut self, _: f64, event: Event) {
        if let Event::Recorded { shown: Shown::Quantity { value, .. }, .. } = event {
            self.0 = value;
        }
    }
}

/// A station with a simulated head. Opening it is no part of what is timed.
pub fn station() -> Station {
    let (head, _) = open(None, 1).expect("the simulated head opens");
    let stop = Arc::new(AtomicBool::new(false));
    Station::open(Box::new(Rig::new(Box::new(head), None)), stop).expect("the head says what it is")
}

/// Parses and checks a script, which must be sound.
pub fn checked(script: &str) -> Prepared {
    let prepared = prepare(&mut Only(script), "kernel.spt", &[]).expect("the script is read");
    assert!(prepared.diagnostics.is_empty(), "{:?}", prepared.diagnostics.first());
    prepared
}

/// Parses, checks and runs a script.
pub fn result(script: &str, station: &mut Station) -> f64 {
    let prepared = checked(script);
    let head = station.description().clone();
    let admitted =
        prepared.admit(&head, true, &|fault| station.check_can_inject(fault), Vec::new());
    let runnable = admitted.ok().expect("the script is sound");
    let mut last = Last(f64::NAN);
    let finished = run_script(runnable, station, &mut last);
    assert_eq!(finished.failure, None);
    last.0
}
