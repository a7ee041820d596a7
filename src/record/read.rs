//! Reads the events of a record, finished or not, line by line and up to a limit: `events.jsonl.gz`, or
//! `events.jsonl` of a run that goes on or of an older version.

use crate::error::{Error, invalid};
use crate::record::{Capped, HeldRow};
use flate2::read::MultiGzDecoder;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use spintrue_head::{io_reason, parse_quantity, visible_line};
use spintrue_language::{
    Budget, CheckBound, CheckEvent, Component, DecisionRule, HeldBlock, HeldCondition, Measured,
    Outcome, Shown, Span,
};
use std::fs::File;
use std::io::{BufRead, BufReader, ErrorKind, Read};
use std::path::Path;
use std::rc::Rc;
use std::sync::Arc;

/// The file that is read, and where it is compressed.
const FILE: &str = "events.jsonl";
const PACKED_FILE: &str = "events.jsonl.gz";

/// Most checks, answers and values that are kept.
const MAX_ITEMS: usize = 10_000;

/// Longest line in bytes.
const MAX_LINE: u64 = 64 << 20;

/// The events of a run, as far as they were written.
#[derive(Default)]
pub(crate) struct Events {
    /// Script, head and params.
    pub start: Value,
    /// Checks with their head time in s.
    pub checks: Vec<(f64, CheckEvent)>,
    /// The same as in the file.
    pub check_lines: Vec<Value>,
    /// Answers: number of checks before, head time in s, question, answer, operator.
    pub answers: Vec<(usize, f64, String, Shown, String)>,
    /// The same as in the file.
    pub answer_lines: Vec<Value>,
    /// Recorded values by their labels.
    pub recorded: Vec<(String, Shown)>,
    /// The same as in the file.
    pub recorded_lines: Vec<Value>,
    /// Conditions that had to hold, those in the same words together.
    pub holds: Capped<HeldRow>,
    /// The same as in the file.
    pub held_lines: Vec<Value>,
    /// Faults that the script injected.
    pub provoked: Vec<String>,
    /// The last event; null where the run did not end.
    pub end: Value,
    /// Head time of the last line in s.
    pub reached: f64,
    /// Complete lines.
    pub lines: u64,
    /// Lines that are no events.
    pub strange: u64,
    /// Checks, answers and values beyond the limit.
    pub left_out: u64,
}

/// The name of planned checks that were not made.
pub(crate) const NOT_REACHED: &str = "not reached";

/// Most checks that were not reached that a screen names.
const MAX_NAMED: usize = 3;

/// Labels of the checks that keep a head from passing, each once.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "UnmetFile")]
pub(crate) struct Unmet {
    pub does_not_conform: Vec<String>,
    pub undecided: Vec<String>,
    /// Planned and not made.
    pub not_reached: Vec<String>,
    /// Any of these: an older version did not tell them apart.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub not_told_apart: Vec<String>,
}

/// As files hold it: in groups, or as the plain list of an older version.
#[derive(Deserialize)]
#[serde(untagged)]
enum UnmetFile {
    Labels(Vec<String>),
    Groups {
        does_not_conform: Vec<String>,
        undecided: Vec<String>,
        not_reached: Vec<String>,
        #[serde(default)]
        not_told_apart: Vec<String>,
    },
}

impl From<UnmetFile> for Unmet {
    fn from(written: UnmetFile) -> Unmet {
        match written {
            UnmetFile::Labels(not_told_apart) => Unmet { not_told_apart, ..Unmet::default() },
            UnmetFile::Groups { does_not_conform, undecided, not_reached, not_told_apart } => {
                Unmet { does_not_conform, undecided, not_reached, not_told_apart }
            }
        }
    }
}

impl Unmet {
    /// There are none.
    pub(crate) fn is_empty(&self) -> bool {
        self.groups().iter().all(|(_, labels)| labels.is_empty())
    }

    /// Adds a check, unless it conforms.
    pub(crate) fn add(&mut self, check: &CheckEvent) {
        let labels = match check.outcome {
            Outcome::Conforms => return,
            Outcome::Fails => &mut self.does_not_conform,
            Outcome::Undecided => &mut self.undecided,
        };
        if !labels.contains(&check.label) {
            labels.push(check.label.clone());
        }
    }

    /// Names and labels of the groups.
    pub(crate) fn groups(&self) -> [(&'static str, &[String]); 4] {
        [
            ("does not conform", &self.does_not_conform),
            ("undecided", &self.undecided),
            (NOT_REACHED, &self.not_reached),
            ("not met or not decided", &self.not_told_apart),
        ]
    }

    /// On a screen: many that were not reached are counted, so that they do not hide why the run failed.
    pub(crate) fn brief(&self, has_failure: bool) -> String {
        let groups = self.groups().into_iter().filter(|(_, labels)| !labels.is_empty());
        let groups = groups.map(|(name, labels)| match name {
            NOT_REACHED if has_failure && labels.len() > MAX_NAMED => {
                format!("{} checks {name}", labels.len())
            }
            _ => format!("{name}: {}", labels.join(", ")),
        });
        groups.collect::<Vec<_>>().join("; ")
    }

    /// As text; empty where there are none.
    pub(crate) fn text(&self) -> String {
        let groups = self.groups().into_iter().filter(|(_, labels)| !labels.is_empty());
        let groups = groups.map(|(name, labels)| format!("{name}: {}", labels.join(", ")));
        groups.collect::<Vec<_>>().join("; ")
    }
}

/// Reads the events of a record.
pub(crate) fn read(folder: &Path) -> Result<Events, Error> {
    let packed = folder.join(PACKED_FILE);
    let is_packed = packed.symlink_metadata().is_ok();
    let path = if is_packed { packed } else { folder.join(FILE) };
    let failed = |error: std::io::Error| match error.kind() {
        ErrorKind::NotFound => invalid!("there is no {}", path.display()),
        _ => invalid!("{} cannot be read: {}", path.display(), io_reason(&error)),
    };
    // Anything but a plain file, such as a pipe, could block for ever.
    if !path.metadata().map_err(failed)?.is_file() {
        return Err(invalid!("{} is no plain file", path.display()));
    }
    let file = File::open(&path).map_err(failed)?;
    let file: Box<dyn Read> =
        if is_packed { Box::new(MultiGzDecoder::new(file)) } else { Box::new(file) };
    let mut file = BufReader::with_capacity(1 << 16, file);
    let mut kept = Events::default();
    let mut line = Vec::new();
    loop {
        line.clear();
        let read = match file.by_ref().take(MAX_LINE).read_until(b'\n', &mut line) {
            // What was cut off or edited is read as far as it goes.
            Err(_) if is_packed => return Ok(kept),
            read => read.map_err(failed)?,
        };
        if read == 0 || line.last() != Some(&b'\n') {
            return Ok(kept);
        }
        kept.lines += 1;
        kept.line(&line);
    }
}

impl Events {
    fn line(&mut self, line: &[u8]) {
        let Ok(value) = serde_json::from_slice::<Value>(line) else {
            self.strange += 1;
            return;
        };
        let time = value.get("time").and_then(Value::as_f64);
        self.reached = time.unwrap_or(self.reached);
        match text(&value, "event") {
            "start" => self.start = value,
            "end" => self.end = value,
            kind @ ("check" | "recorded" | "answered" | "held" | "provoked") => {
                let kept = match kind {
                    "check" => self.checks.len(),
                    "recorded" => self.recorded.len(),
                    "answered" => self.answers.len(),
                    "held" => self.held_lines.len(),
                    _ => self.provoked.len(),
                };
                if kept >= MAX_ITEMS {
                    self.left_out += 1;
                } else if self.keep(time.unwrap_or(0.0), value).is_none() {
                    self.strange += 1;
                }
            }
            _ => {}
        }
    }

    /// Keeps a check, a value, an answer, held conditions or a fault; none where it is no such event.
    fn keep(&mut self, time: f64, value: Value) -> Option<()> {
        let said = |key| visible_line(text(&value, key));
        match text(&value, "event") {
            "check" => {
                self.checks.push((time, check(&value)?));
                self.check_lines.push(value);
            }
            "recorded" => {
                let name = value.get("name")?.as_str()?;
                self.recorded.push((visible_line(name), shown(value.get("value")?)?));
                self.recorded_lines.push(value);
            }
            "answered" => {
                let answer = shown(value.get("answer")?)?;
                let before = self.checks.len();
                self.answers.push((before, time, said("question"), answer, said("who")));
                self.answer_lines.push(value);
            }
            "held" => {
                self.holds.add_block(&held(&value)?);
                self.held_lines.push(value);
            }
            _ => self.provoked.push(said("fault")),
        }
        Some(())
    }

    /// The labels of checks that do not conform, are undecided, or were not reached.
    pub(crate) fn unmet(&self) -> Unmet {
        let mut unmet = Unmet::default();
        for (_, check) in &self.checks {
            unmet.add(check);
        }
        unmet.not_reached = self.not_reached();
        unmet
    }

    /// The labels of checks that were planned and not reached.
    pub(crate) fn not_reached(&self) -> Vec<String> {
        let listed = self.end.pointer("/checks/not_reached").and_then(Value::as_array);
        let labels = listed.into_iter().flatten().filter_map(Value::as_str);
        labels.map(str::to_string).collect()
    }
}

/// A text by its key; empty where there is none.
pub(crate) fn text<'a>(value: &'a Value, key: &str) -> &'a str {
    value.get(key).and_then(Value::as_str).unwrap_or("")
}

fn check(value: &Value) -> Option<CheckEvent> {
    let outcomes = [Outcome::Conforms, Outcome::Fails, Outcome::Undecided];
    let outcome = outcomes.into_iter().find(|known| known.text() == text(value, "outcome"))?;
    let measured = match value.get("measured") {
        None | Some(Value::Null) => None,
        Some(measured) => Some(Measured {
            value: measured.get("value").and_then(shown)?,
            uncertainty: measured.get("uncertainty").and_then(shown),
            coverage: measured.get("coverage").and_then(Value::as_f64).unwrap_or(2.0),
            budget: measured.get("budget").and_then(budget),
            rule: DecisionRule::Simple,
            margin: measured.get("margin").and_then(shown),
            probability: measured.get("probability").and_then(Value::as_f64),
            low: measured.get("low").and_then(bound),
            high: measured.get("high").and_then(bound),
        }),
    };
    Some(CheckEvent {
        // An edited file must not steer the terminal.
        label: visible_line(text(value, "label")),
        text: Rc::from(visible_line(text(value, "condition"))),
        number: 0,
        measured,
        outcome,
        span: Span::default(),
    })
}

fn budget(value: &Value) -> Option<Budget> {
    let degrees = |of: &Value| of.get("degrees_of_freedom").and_then(Value::as_f64);
    let component = |part: &Value| {
        let said = |key| visible_line(text(part, key));
        let (name, source) = (said("name"), said("source"));
        Some(Component { name, source, u: shown(part.get("u")?)?, degrees: degrees(part)? })
    };
    let components = value.get("components")?.as_array()?.iter().map(component);
    Some(Budget { degrees: degrees(value)?, components: components.collect::<Option<_>>()? })
}

fn held(value: &Value) -> Option<HeldBlock> {
    let time = |name: &str| value.get(name)?.get("value")?.as_f64();
    let condition = |seen: &Value| {
        let ends = [seen.get("smallest").and_then(shown), seen.get("largest").and_then(shown)];
        Some(HeldCondition {
            text: Rc::from(visible_line(seen.get("condition")?.as_str()?)),
            range: match ends {
                [Some(least), Some(most)] => Some([least, most]),
                _ => None,
            },
            low: seen.get("low").and_then(bound),
            high: seen.get("high").and_then(bound),
            breaks: seen.get("broke").and_then(Value::as_str).map(visible_line),
            span: Span::default(),
        })
    };
    Some(HeldBlock {
        conditions: value
            .get("conditions")?
            .as_array()?
            .iter()
            .map(condition)
            .collect::<Option<_>>()?,
        began: time("began")?,
        ended: time("ended")?,
        looks: value.get("looks")?.as_u64()?,
        longest_gap: time("longest_gap")?,
        span: Span::default(),
    })
}

fn bound(value: &Value) -> Option<CheckBound> {
    let at = value.get("at").and_then(shown)?;
    let closed = value.get("conforms_at_limit").and_then(Value::as_bool)?;
    Some(CheckBound { at, closed })
}

fn shown(value: &Value) -> Option<Shown> {
    Some(match value {
        Value::Null | Value::Number(_) => return None,
        Value::Bool(flag) => Shown::Flag(*flag),
        Value::String(text) => Shown::Text(visible_line(text)),
        Value::Array(items) => Shown::List(items.iter().map(shown).collect::<Option<Vec<_>>>()?),
        Value::Object(fields) => match (fields.get("unit"), fields.get("text")) {
            (Some(Value::String(unit)), Some(Value::String(text))) => Shown::Quantity {
                // What is not finite has no number in JSON.
                value: fields.get("value").and_then(Value::as_f64).unwrap_or(f64::NAN),
                unit: unit.clone(),
                asked: parse_quantity(text).ok().and_then(|(_, unit)| unit).map(Rc::new),
                text: visible_line(text),
            },
            _ => {
                let named = |(name, field): (&String, &Value)| {
                    Some((Arc::from(name.as_str()), shown(field)?))
                };
                Shown::Record(fields.iter().map(named).collect::<Option<Vec<_>>>()?)
            }
        },
    })
}
