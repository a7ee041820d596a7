//! What a running script tells the outside: notes, records, checks and progress.

use crate::acceptance::decision::{Outcome, Rule};
use crate::program::failure::Failure;
use crate::program::plot::PlotOf;
use crate::program::show::Shown;
use crate::source::Span;
use spintrue_head::show_number;
use std::rc::Rc;
use std::sync::Arc;

/// Hears what a script says while it runs.
pub trait Observer {
    /// Called at once, in the order of the script; `time` is the head time in s.
    fn event(&mut self, time: f64, event: Event);

    /// Only what checks come to and single values that are recorded are of use: params, lists and records
    /// need not be told, nor what a check has measured.
    fn is_brief(&self) -> bool {
        false
    }
}

/// Something a script says.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// The values of the params, before anything else.
    Params(Vec<(Arc<str>, Shown)>),
    /// A line for the reader.
    Note(String),
    /// A value for the record.
    Recorded {
        /// Its name.
        label: String,
        /// The value.
        shown: Shown,
        /// How it is drawn, if it is.
        plot: Option<PlotOf>,
        /// The expression in the words of the script, without the unit that it is shown in.
        text: Rc<str>,
        /// Where it was recorded.
        span: Span,
    },
    /// A check was decided.
    Check(Box<Check>),
    /// The operator is asked.
    Asked {
        /// What.
        question: String,
        /// What the answer must be, in words.
        wanted: String,
        /// How long an answer is waited for, in s.
        limit: f64,
        /// Where it is asked.
        span: Span,
    },
    /// The operator has answered.
    Answered {
        /// What was asked.
        question: String,
        /// The answer.
        shown: Shown,
        /// Who answered, in words: `at the terminal`.
        who: String,
        /// Where it was asked.
        span: Span,
    },
    /// A wait goes on; told at most once in 0.1 s of head time.
    Progress {
        /// What is waited for, in the script's words.
        text: Rc<str>,
        /// Head time since the wait began, in s.
        elapsed: f64,
        /// When the wait gives up, in s.
        limit: f64,
    },
    /// A block ended during which conditions had to hold.
    Held(Box<HeldBlock>),
    /// The script made a fault of a simulated head: its kind and when it strikes, as `--fault` takes
    /// it.
    Provoked(String),
    /// Something failed on the way out of another failure, which stays the one reported.
    AlsoFailed(Failure),
}

/// An answer of the operator on one line: `spacer fitted: yes (at the terminal)`.
pub fn answer_line(question: &str, shown: &Shown, who: &str) -> String {
    let colon = if question.ends_with('?') { "" } else { ":" };
    format!("{question}{colon} {} ({who})", answer_text(shown))
}

/// An answer as people say it.
pub fn answer_text(shown: &Shown) -> String {
    match shown {
        Shown::Flag(true) => "yes".to_string(),
        Shown::Flag(false) => "no".to_string(),
        other => other.to_string(),
    }
}

/// A decided check.
#[derive(Clone, Debug, PartialEq)]
pub struct Check {
    /// Its label.
    pub label: String,
    /// The condition in the script's words.
    pub text: Rc<str>,
    /// Its place in the plan of the program.
    pub number: usize,
    /// The value and its limits, unless the condition is a plain flag.
    pub measured: Option<Measured>,
    /// What it came to.
    pub outcome: Outcome,
    /// The place in the script.
    pub span: Span,
}

/// A block during which conditions had to hold.
#[derive(Clone, Debug, PartialEq)]
pub struct HeldBlock {
    /// What had to hold.
    pub conditions: Vec<HeldCondition>,
    /// Head time in s.
    pub began: f64,
    /// Head time in s.
    pub ended: f64,
    /// How often all of them were looked at.
    pub looks: u64,
    /// Longest time between two looks, in s.
    pub longest_gap: f64,
    /// The place in the script.
    pub span: Span,
}

/// A condition that had to hold.
#[derive(Clone, Debug, PartialEq)]
pub struct HeldCondition {
    /// In the script's words.
    pub text: Rc<str>,
    /// The smallest and the largest value that was seen; none of a plain flag.
    pub range: Option<[Shown; 2]>,
    /// The lower limit, as last seen.
    pub low: Option<Bound>,
    /// The upper limit, as last seen.
    pub high: Option<Bound>,
    /// What broke, when; none where it held.
    pub breaks: Option<String>,
    /// The place in the script.
    pub span: Span,
}

/// A value that was held against limits.
#[derive(Clone, Debug, PartialEq)]
pub struct Measured {
    /// The value.
    pub value: Shown,
    /// Its expanded uncertainty, if one was stated.
    pub uncertainty: Option<Shown>,
    /// The factor by which that is expanded.
    pub coverage: f64,
    /// What it is made of, where that was stated.
    pub budget: Option<Budget>,
    /// By which rule it was decided.
    pub rule: Rule,
    /// From the value to the nearer acceptance limit, the guard band included, negative beyond it; none where
    /// the value is no number.
    pub margin: Option<Shown>,
    /// Probability that the true value conforms; none without an uncertainty.
    pub probability: Option<f64>,
    /// The lower limit.
    pub low: Option<Bound>,
    /// The upper limit.
    pub high: Option<Bound>,
}

impl Measured {
    /// The probability of conformance in words, `> 99.99 %` where more digits would say nothing;
    /// none without an uncertainty.
    pub fn sureness(&self) -> Option<String> {
        self.probability.map(|p| match p {
            p if p > 0.9999 => "> 99.99 %".to_string(),
            p if p < 0.0001 => "< 0.01 %".to_string(),
            p => format!("{:.2} %", p * 100.0),
        })
    }
}

/// What an uncertainty is made of.
#[derive(Clone, Debug, PartialEq)]
pub struct Budget {
    /// Effective degrees of freedom; 1e9 where they are beyond doubt.
    pub degrees: f64,
    /// Its components.
    pub components: Vec<Component>,
}

/// A component of an uncertainty.
#[derive(Clone, Debug, PartialEq)]
pub struct Component {
    /// What it is.
    pub name: String,
    /// `A`, or `B` and where it is known from.
    pub source: String,
    /// Standard uncertainty.
    pub u: Shown,
    /// Degrees of freedom; 1e9 where they are beyond doubt.
    pub degrees: f64,
}

impl std::fmt::Display for Budget {
    /// In one line: each with its size, source and degrees of freedom.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (at, part) in self.components.iter().enumerate() {
            let between = if at == 0 { "" } else { "; " };
            write!(f, "{between}{} {} ({}", part.name, part.u, part.source)?;
            if part.degrees < DOUBTLESS {
                write!(f, ", {} degrees of freedom", show_number(part.degrees, Some(0)))?;
            }
            write!(f, ")")?;
        }
        Ok(())
    }
}

/// Degrees of freedom from which on they change no factor that is shown.
const DOUBTLESS: f64 = 1e6;

/// A limit as shown.
#[derive(Clone, Debug, PartialEq)]
pub struct Bound {
    /// The limit.
    pub at: Shown,
    /// A value right at the limit conforms.
    pub closed: bool,
}
