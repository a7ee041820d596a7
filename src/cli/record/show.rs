//! `record show`: shows the content of a record, finished or not, and whether it was changed.

use crate::cli::summary;
use crate::disk::read_text;
use crate::error::{Error, FAILED, invalid};
use crate::record::read::{Events, read, text};
use crate::record::{FOUND_NAMES, MANIFEST, Origin, State, examine};
use crate::terminal;
use crate::terminal::told::{check_line, shortened, stamped};
use crate::terminal::{BOLD, DIM, RED, YELLOW, counted, show, styled, verdict_style, wrapped};
use clap::Args;
use serde_json::{Value, json};
use spintrue_head::{Dimension, show_quantity, visible_line};
use spintrue_language::answer_line;
use std::path::PathBuf;

#[derive(Args)]
pub(crate) struct Options {
    /// The folder of the record
    folder: PathBuf,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Stands for a blank that does not break a line.
const TOGETHER: char = '\u{1f}';

fn together(text: &str) -> String {
    text.replace(' ', &TOGETHER.to_string())
}

/// A record with all that is known of it.
struct Shown {
    kept: Events,
    /// The identity in `record.json`; null where there is none.
    identity: Value,
    /// `whole`, `unfinished` or `changed`.
    state: &'static str,
    /// Why it is not whole.
    problems: Vec<String>,
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let (state, problems, code) = match examine(&options.folder) {
        State::None(error) => return Err(error),
        State::Unfinished(why) => ("unfinished", vec![why], FAILED),
        State::Changed(lines) => ("changed", lines, FAILED),
        State::Whole(_) => ("whole", Vec::new(), 0),
    };
    let kept = read(&options.folder).map_err(|error| {
        invalid!("{error}; `spintrue record verify` tells what is left of the record")
    })?;
    let text = read_text(&options.folder.join(MANIFEST)).unwrap_or_default();
    let manifest = serde_json::from_str::<Value>(&text).unwrap_or_default();
    let identity = manifest.get("identity").cloned().unwrap_or_default();
    let shown = Shown { kept, identity, state, problems };
    show(options.json, &shown.json(), &shown.text(options));
    Ok(code)
}

impl Shown {
    fn json(&self) -> Value {
        let kept = &self.kept;
        json!({
            "state": self.state,
            "problems": self.problems,
            "identity": self.identity,
            "provoked": kept.provoked,
            "start": kept.start,
            "checks": kept.check_lines,
            "answers": kept.answer_lines,
            "held": kept.held_lines,
            "recorded": kept.recorded_lines,
            "left_out": kept.left_out,
            "reached": {"value": kept.reached, "unit": "s"},
            "end": kept.end,
        })
    }

    fn text(&self, options: &Options) -> String {
        let colour = terminal::colour_output();
        let name = options.folder.display().to_string();
        let mut out = format!("{}\n", styled(&name, BOLD, colour));
        let mut fact = |word: &str, what: String, style: &str| {
            if !what.is_empty() {
                let lines = wrapped(&what, &" ".repeat(12)).replace(TOGETHER, " ");
                let lines = lines.trim().lines().map(|line| styled(line.trim(), style, colour));
                let lines = lines.collect::<Vec<_>>().join(&format!("\n{}", " ".repeat(12)));
                out.push_str(&format!("  {word:<8}  {lines}\n"));
            }
        };
        let start = &self.kept.start;
        fact("script", text(start, "script").to_string(), "");
        fact("head", self.head(), "");
        fact("faults", self.origin().faults_text(), YELLOW);
        fact("started", self.started(), "");
        fact("identity", self.named(), "");
        fact("params", self.params(), "");
        match self.state {
            "whole" => fact("record", "whole and as it was written".to_string(), ""),
            "unfinished" => {
                fact("record", format!("UNFINISHED: {}", self.problems.join("; ")), YELLOW);
            }
            _ => fact("record", "NOT AS IT WAS WRITTEN".to_string(), RED),
        }
        if self.state == "changed" {
            for problem in &self.problems {
                fact("", problem.clone(), RED);
            }
        }
        if self.kept.strange > 0 {
            let lines = counted(self.kept.strange as usize, "line");
            fact("", format!("{lines} of the events cannot be read"), RED);
        }
        out.push('\n');
        out.push_str(&self.checks(colour));
        out.push_str(&self.ending(colour));
        out
    }

    fn head(&self) -> String {
        let Some(head) = self.kept.start.get("head") else { return String::new() };
        let replay = if self.origin().replay { "replay of " } else { "" };
        let (model, serial) = (text(head, "model"), text(head, "serial"));
        let head = format!("{replay}{model} {serial}");
        match (self.origin().simulated, self.origin().seed) {
            (Some(true), Some(seed)) => {
                format!("{head}, {}", together(&format!("simulated (seed {seed})")))
            }
            (Some(true), None) => format!("{head}, simulated"),
            (Some(false), _) => head,
            (None, _) => format!("{head}, not known whether simulated"),
        }
    }

    /// Where its numbers come from: what the head said at the start, and what was provoked since.
    fn origin(&self) -> Origin {
        let head = self.kept.start.get("head").unwrap_or(&Value::Null);
        Origin { provoked: Some(self.kept.provoked.clone()), ..Origin::of(head) }
    }

    fn started(&self) -> String {
        let by = match self.identity.get("operator").and_then(Value::as_str) {
            Some(operator) => format!(" by {operator}"),
            None => String::new(),
        };
        format!("{}{by}", text(&self.identity, "started"))
    }

    /// What took part, but for what every run has.
    fn named(&self) -> String {
        let named = self.identity.get("named").and_then(Value::as_object).into_iter().flatten();
        let named = named.filter(|(name, _)| !FOUND_NAMES.contains(&name.as_str()));
        let named = named.map(|(name, value)| {
            together(&format!("{name} {}", visible_line(value.as_str().unwrap_or(""))))
        });
        named.collect::<Vec<_>>().join(", ")
    }

    /// In the order of the script, where `record.json` has it.
    fn params(&self) -> String {
        let pair = |pair: &Value| {
            let text = |at: usize| pair.get(at).and_then(Value::as_str);
            Some(format!("{} = {}", text(0)?, shortened(text(1)?)))
        };
        let ordered = self.identity.get("params").and_then(Value::as_array);
        let params: Vec<String> = match (ordered, self.kept.start.get("params")) {
            (Some(ordered), _) => ordered.iter().filter_map(pair).collect(),
            (None, Some(Value::Object(params))) => params
                .iter()
                .map(|(name, value)| {
                    format!("{name} = {}", shortened(value.as_str().unwrap_or("")))
                })
                .collect(),
            _ => Vec::new(),
        };
        params.iter().map(|param| together(param)).collect::<Vec<_>>().join(", ")
    }

    fn checks(&self, colour: bool) -> String {
        let mut out = String::new();
        let mut answers = self.kept.answers.iter().peekable();
        let mut answered = |before: usize, out: &mut String| {
            while let Some((_, time, question, shown, who)) = answers.next_if(|a| a.0 <= before) {
                out.push_str(&stamped(*time, &answer_line(question, shown, who), colour));
            }
        };
        for (at, (time, check)) in self.kept.checks.iter().enumerate() {
            answered(at, &mut out);
            out.push_str(&stamped(*time, &check_line(check, colour), colour));
            let margin = check.measured.as_ref().and_then(|measured| measured.margin.as_ref());
            if let Some(margin) = margin {
                let line = format!("{:13}margin {margin}", "");
                out.push_str(&format!("{}\n", styled(&line, DIM, colour)));
            }
        }
        answered(usize::MAX, &mut out);
        for label in self.kept.not_reached() {
            let said = format!("{:13}check {}: not reached", "", visible_line(&label));
            out.push_str(&format!("{}\n", styled(&said, YELLOW, colour)));
        }
        if self.kept.left_out > 0 {
            let more = self.kept.left_out;
            out.push_str(&format!(
                "  ... and {more} more checks, answers and values in events.jsonl.gz\n"
            ));
        }
        out
    }

    fn ending(&self, colour: bool) -> String {
        let kept = &self.kept;
        let mut out = String::new();
        if !kept.recorded.is_empty() {
            out.push_str(&format!("\n{}\n", styled("Recorded", BOLD, colour)));
            out.push_str(&summary::values(&kept.recorded, colour));
        }
        if !kept.holds.items.is_empty() {
            out.push_str(&format!("\n{}", summary::held(&kept.holds, colour)));
        }
        let gap = if out.ends_with("\n\n") { "" } else { "\n" };
        let end = &kept.end;
        let verdict = visible_line(text(end, "verdict")).to_uppercase();
        if verdict.is_empty() {
            let reached = show_quantity(kept.reached, Dimension::TIME, None, None);
            let said = format!("NO VERDICT: nothing is known behind {reached} of head time");
            out.push_str(&format!("\n{}\n", styled(&said, YELLOW, colour)));
            return out;
        }
        if let Some(failure) = end.get("failure").filter(|failure| failure.is_object()) {
            let (kind, what) = (text(failure, "kind"), visible_line(text(failure, "message")));
            out.push_str(&format!("\n{}: {what}\n", styled(&visible_line(kind), RED, colour)));
            out.push_str(&format!("  at {}\n", visible_line(text(failure, "place"))));
        }
        if let Some(took) = end.pointer("/took/value").and_then(Value::as_f64) {
            let took = show_quantity(took, Dimension::TIME, None, None);
            out.push_str(&format!("{gap}  took      {took} of head time\n"));
        }
        let style = verdict_style(&verdict);
        out.push_str(&format!("\n{}\n", styled(&verdict, &format!("{BOLD};{style}"), colour)));
        out
    }
}
