//! The plain data of a record.

use crate::disk::sha256;
use crate::record::checks::CheckRow;
use crate::record::curve::Curve;
use crate::record::holds::HeldRow;
use crate::record::rounds::Rounds;
use crate::record::scans::ScannedSheet;
use serde::{Serialize, Serializer};
use spintrue_head::left_text;
use spintrue_language::{Banding, Finished, Outcome, PlotOf, Shown, SourceMap};
use std::rc::Rc;
use std::sync::Arc;

/// The identity of a run, known before it starts.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub(crate) struct Identity {
    /// Version of spintrue.
    pub spintrue: String,
    /// The script as it was named.
    pub script: String,
    /// The script and each file it uses.
    pub sources: Vec<SourceDigest>,
    /// Model of the head.
    pub model: String,
    /// Its serial number.
    pub serial: String,
    /// The head is simulated.
    pub simulated: bool,
    /// Seed of a simulated head.
    pub seed: Option<u64>,
    /// A recording was played back: no fresh run.
    pub replay: bool,
    /// Faults injected from outside the script.
    pub faults: Vec<String>,
    /// Faults that the script itself provoked, in order.
    pub provoked: Vec<String>,
    /// Arguments of the program that repeat the run, given the same sources.
    pub again: Vec<String>,
    /// Name and value of each param.
    pub params: Vec<(String, String)>,
    /// Name of the operator, if given.
    pub operator: Option<String>,
    /// What else took part, by its name: station, fixture, gauge, host, the address of the head and so on.
    #[serde(serialize_with = "object")]
    pub named: Vec<(String, String)>,
    /// When it started, by RFC 3339.
    pub started: String,
    /// The longest time that it could take, in words.
    pub at_most: Option<String>,
    /// The description of the head, in groups of names and values.
    pub head: Vec<(String, Vec<(String, String)>)>,
}

/// Names and values as an object.
fn object<S: Serializer>(pairs: &[(String, String)], to: S) -> Result<S::Ok, S::Error> {
    to.collect_map(pairs.iter().map(|(name, value)| (name, value)))
}

/// A source file of the run.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub(crate) struct SourceDigest {
    /// Its path.
    pub name: String,
    /// SHA-256 in hexadecimal.
    pub sha256: String,
    /// Its content.
    #[serde(skip)]
    pub content: Vec<u8>,
}

impl SourceDigest {
    /// Of a file that was read.
    pub(crate) fn new(name: String, content: Vec<u8>) -> SourceDigest {
        let sha256 = sha256(&content);
        SourceDigest { name, sha256, content }
    }
}

/// The record of a run.
#[derive(Clone, Debug, Default)]
pub(crate) struct Record {
    /// Its identity.
    pub identity: Identity,
    /// Checks in order.
    pub checks: Capped<CheckRow>,
    /// Conditions that had to hold, in the order in which their first blocks ended.
    pub holds: Capped<HeldRow>,
    /// The values of the params.
    pub params: Vec<(Arc<str>, Shown)>,
    /// Recorded values in order.
    pub recorded: Capped<Recorded>,
    /// The operator's answers in order.
    pub answers: Capped<Answer>,
    /// The log.
    pub log: Capped<LogLine>,
    /// Speed of the polygon as it was measured.
    pub curve: Curve,
    /// Relative errors of the times of turns, against the speed asked for, of the longest series.
    pub turns: Vec<f64>,
    /// Test lines, by the trims that they were measured under.
    pub rounds: Rounds,
    /// Pages that were exposed.
    pub pages: Vec<Page>,
    /// Sheets that were scanned.
    pub scans: Vec<ScannedSheet>,
}

/// A list with a limit on its length.
#[derive(Clone, Debug)]
pub(crate) struct Capped<T> {
    /// The items that fit.
    pub items: Vec<T>,
    /// How many did not fit.
    pub left_out: usize,
}

impl<T> Default for Capped<T> {
    fn default() -> Self {
        Capped { items: Vec::new(), left_out: 0 }
    }
}

/// Most checks, values and log entries.
const MAX_ITEMS: usize = 10_000;

impl<T> Capped<T> {
    /// Adds an item, or counts it as left out.
    pub(crate) fn push(&mut self, item: T) {
        if self.items.len() < MAX_ITEMS {
            self.items.push(item);
        } else {
            self.left_out += 1;
        }
    }
}

/// A recorded value.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Recorded {
    /// Head time in s.
    pub time: f64,
    /// Its name.
    pub label: String,
    /// The value.
    pub shown: Shown,
    /// How it is drawn, if it is.
    pub plot: Option<PlotOf>,
    /// The expression that it was the value of.
    pub text: Rc<str>,
}

/// An answer of the operator.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Answer {
    /// Head time in s.
    pub time: f64,
    /// What was asked.
    pub question: String,
    /// The answer.
    pub shown: Shown,
    /// Who answered, in words.
    pub who: String,
}

/// An entry of the log.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct LogLine {
    /// The script said it.
    pub is_note: bool,
    /// Head time in s.
    pub time: f64,
    /// What happened.
    pub text: String,
}

/// An exposed page.
#[derive(Clone, Debug)]
pub(crate) struct Page {
    /// Its number, from 1.
    pub number: usize,
    /// Lines drawn.
    pub lines: usize,
    /// What there is to say of its exposure.
    pub exposure: Option<String>,
    /// Its banding, where there are lines enough.
    pub banding: Option<Banding>,
    /// What the medium would show.
    pub picture: Picture,
}

/// A picture of a page.
#[derive(Clone, Debug)]
pub(crate) enum Picture {
    /// A picture as a PNG file.
    Png {
        /// The file.
        png: Vec<u8>,
        /// Pixels across.
        width: u32,
        /// Pixels down.
        height: u32,
    },
    /// There is none; why.
    Missing(String),
}

/// How a run ended.
pub(crate) struct End<'a> {
    pub finished: &'a Finished,
    /// Where it failed; empty where it did not.
    pub place: String,
    /// The calls that led there, innermost first.
    pub calls: Vec<String>,
}

impl<'a> End<'a> {
    /// With places of a script.
    pub(crate) fn new(finished: &'a Finished, sources: &SourceMap) -> End<'a> {
        let failure = finished.failure.as_ref();
        let calls = failure.into_iter().flat_map(|failure| &failure.calls).take(20);
        End {
            finished,
            place: failure.map(|failure| sources.place(failure.place)).unwrap_or_default(),
            calls: calls.map(|call| sources.place(*call)).collect(),
        }
    }

    /// Why the run as a whole is no success, other than by its checks; none where it ran to its end
    /// and left the head safe.
    pub(crate) fn trouble(&self) -> Option<String> {
        let safe = &self.finished.safe;
        if let Some(failure) = &self.finished.failure {
            let kind = failure.kind.text();
            return Some(format!("{kind}: {} ({})", failure.message, self.place));
        }
        if !safe.laser_off {
            return Some("the laser is not known to be off".to_string());
        }
        safe.trouble().map(|trouble| format!("not left safe: {trouble}"))
    }

    /// How the head was left, in words.
    pub(crate) fn left(&self) -> String {
        left_text(&self.finished.safe)
    }

    /// Checks that the record left out: those that conform, that do not, and that are undecided or were
    /// not reached.
    pub(crate) fn left_out(&self, checks: &Capped<CheckRow>) -> [usize; 3] {
        let Finished { conforming, failing, undecided, unreached, .. } = self.finished;
        let rest = |all: usize, outcome| {
            let kept = checks.items.iter().filter(|check| check.outcome == outcome).count();
            all.saturating_sub(kept)
        };
        [
            rest(*conforming, Outcome::Conforms),
            rest(*failing, Outcome::Fails),
            rest(undecided + unreached.len(), Outcome::Undecided),
        ]
    }
}
