//! The plain data of a record.

use crate::head::SafeState;
use crate::head::safe::left;
use crate::optics::Banding;
use crate::program::show::Shown;
use crate::record::checks::CheckRow;
use crate::record::curve::Curve;
use crate::record::manifest::hexadecimal;
use crate::record::rounds::Rounds;
use crate::session::Verdict;
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::rc::Rc;

/// What a run was, known before it starts.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Identity {
    /// Version of spintrue.
    pub spintrue: String,
    /// The script as it was named.
    pub script: String,
    /// The script and each file it uses.
    pub sources: Vec<SourceDigest>,
    /// Kind of head.
    pub model: String,
    /// Its serial number.
    pub serial: String,
    /// Nothing real moved.
    pub simulated: bool,
    /// Seed of a simulated head.
    pub seed: Option<u64>,
    /// A recording was played back, so this is no fresh run.
    pub replay: bool,
    /// What was to go wrong on purpose.
    pub faults: Vec<String>,
    /// What the script itself made go wrong, as it happened.
    pub provoked: Vec<String>,
    /// Arguments of the program that make the run again, its sources being where they were.
    pub again: Vec<String>,
    /// Name and value of each param.
    pub params: Vec<(String, String)>,
    /// Who ran it, if they said.
    pub operator: Option<String>,
    /// When it started, by RFC 3339.
    pub started: String,
    /// The longest that it could take, in words.
    pub at_most: Option<String>,
    /// What the head said of itself, in groups of words and values.
    pub head: Vec<(String, Vec<(String, String)>)>,
}

/// A text that was run.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct SourceDigest {
    /// Its path.
    pub name: String,
    /// SHA-256 in hexadecimal.
    pub sha256: String,
    /// What stands in it.
    #[serde(skip)]
    pub content: Vec<u8>,
}

impl SourceDigest {
    /// Of a file that was read.
    pub fn new(name: String, content: Vec<u8>) -> SourceDigest {
        let sha256 = hexadecimal(&Sha256::digest(&content));
        SourceDigest { name, sha256, content }
    }
}

/// What was kept of a run.
#[derive(Clone, Debug, Default)]
pub struct Record {
    /// What it was.
    pub identity: Identity,
    /// Checks in their order.
    pub checks: Capped<CheckRow>,
    /// Further checks, of which only the outcomes are kept.
    pub more: [usize; 3],
    /// Recorded values in their order.
    pub recorded: Capped<Recorded>,
    /// The operator's answers in their order.
    pub answers: Capped<Answered>,
    /// What the script said.
    pub log: Capped<LogLine>,
    /// Speed of the polygon as it was measured.
    pub curve: Curve,
    /// Test lines, by the trims that they were measured under.
    pub rounds: Rounds,
    /// Pages that were exposed.
    pub pages: Vec<Page>,
    /// How it ended.
    pub end: Option<End>,
}

/// A list that takes no more than so many.
#[derive(Clone, Debug)]
pub struct Capped<T> {
    /// What it took.
    pub items: Vec<T>,
    /// How many it did not.
    pub left_out: usize,
    most: usize,
}

impl<T> Default for Capped<T> {
    fn default() -> Self {
        Capped { items: Vec::new(), left_out: 0, most: ITEMS_MOST }
    }
}

/// Most checks, values and lines of the log that are kept.
const ITEMS_MOST: usize = 10_000;

impl<T> Capped<T> {
    /// Takes one more, or counts it.
    pub fn push(&mut self, item: T) {
        if self.items.len() < self.most {
            self.items.push(item);
        } else {
            self.left_out += 1;
        }
    }
}

/// A recorded value.
#[derive(Clone, Debug, PartialEq)]
pub struct Recorded {
    /// Head time in s.
    pub time: f64,
    /// Its name.
    pub label: String,
    /// The value.
    pub shown: Shown,
    /// The expression that it was the value of.
    pub text: Rc<str>,
}

/// An answer of the operator.
#[derive(Clone, Debug, PartialEq)]
pub struct Answered {
    /// Head time in s.
    pub time: f64,
    /// What was asked.
    pub question: String,
    /// The answer.
    pub shown: Shown,
    /// Who answered, in words.
    pub who: String,
}

/// A line of the log.
#[derive(Clone, Debug, PartialEq)]
pub struct LogLine {
    /// Head time in s.
    pub time: f64,
    /// What was said.
    pub text: String,
}

/// An exposed page.
#[derive(Clone, Debug)]
pub struct Page {
    /// Which one, from 1.
    pub number: usize,
    /// Lines drawn.
    pub lines: usize,
    /// Its banding, where there are lines enough.
    pub banding: Option<Banding>,
    /// What the medium would show; or why there is no picture.
    pub picture: Result<Picture, String>,
}

/// A picture as a PNG file.
#[derive(Clone, Debug)]
pub struct Picture {
    /// The file.
    pub png: Vec<u8>,
    /// Pixels across.
    pub width: u32,
    /// Pixels down.
    pub height: u32,
}

/// How a run ended.
#[derive(Clone, Debug)]
pub struct End {
    /// What it came to.
    pub verdict: Verdict,
    /// What stopped it: kind, message, place, and the calls that led there.
    pub failure: Option<FailureText>,
    /// How the head was left.
    pub safe: SafeState,
    /// Head time from start to safe in s.
    pub took: f64,
    /// Checks that conform, that do not, and that are undecided.
    pub outcomes: [usize; 3],
    /// Checks that were planned and not reached.
    pub unreached: usize,
}

/// A failure in words.
#[derive(Clone, Debug, PartialEq)]
pub struct FailureText {
    /// Its kind.
    pub kind: String,
    /// What went wrong.
    pub message: String,
    /// Where.
    pub place: String,
    /// The calls that led there, innermost first.
    pub calls: Vec<String>,
}

impl End {
    /// Why the run as a whole is no success, other than by its checks; none where it ran to its end
    /// and left the head safe.
    pub fn trouble(&self) -> Option<String> {
        if let Some(failure) = &self.failure {
            return Some(format!("{}: {} ({})", failure.kind, failure.message, failure.place));
        }
        if !self.safe.laser_off {
            return Some("the laser is not known to be off".to_string());
        }
        self.safe.trouble().map(|trouble| format!("not left safe: {trouble}"))
    }

    /// How the head was left, in words.
    pub fn left(&self) -> String {
        left(&self.safe)
    }
}
