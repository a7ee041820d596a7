//! `head trace`: shows a recording, one call per line.

use crate::error::{Error, FAILED, invalid};
use crate::setup::options::time;
use crate::setup::{reader, surveyed};
use crate::terminal::show;
use crate::terminal::told::shortened;
use crate::terminal::{DIM, RED, colour_output, emit, styled};
use clap::Args;
use serde_json::{Value, json};
use spintrue_head::{
    Heard, Reply, TraceEntry, TraceHeader, TraceSurvey, call_words, reply_words, visible_line,
};

#[derive(Args)]
pub(crate) struct Options {
    /// The recording
    file: String,
    /// Show only these calls, such as spin,load_trims
    #[arg(long, value_name = "CALLS", value_delimiter = ',')]
    only: Vec<String>,
    /// Show only calls that were refused or failed
    #[arg(long)]
    faults: bool,
    /// Show calls from this head time on
    #[arg(long, value_name = "TIME", value_parser = time)]
    from: Option<f64>,
    /// Show calls up to this head time
    #[arg(long, value_name = "TIME", value_parser = time)]
    to: Option<f64>,
    /// Print JSON Lines with every value
    #[arg(long)]
    json: bool,
}

/// Calls by their names in recordings.
const CALLS: &str = "describe, status, spin, halt, steer, turns, trims, load_trims, store_trims, arm, \
    disarm, expose, expose_page, draw_steadily, drawing_steadily, signal, switch, channel, set_channel, \
    sleep, make_safe, measure";

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let is_unknown = |name: &&String| !CALLS.split(", ").any(|known| known == name.as_str());
    if let Some(wrong) = options.only.iter().find(is_unknown) {
        return Err(invalid!("`--only` knows no call `{wrong}`; it knows {CALLS}"));
    }
    // The whole first, so that nothing is shown of a recording that was changed.
    let survey = surveyed(&options.file)?;
    let colour = colour_output();
    show(options.json, &header_json(&survey), &header_text(&survey));
    let is_whole = options.only.is_empty() && !options.faults;
    let line = |json: Value, text: String| show(options.json, &json, &format!("{text}\n"));
    let mut number = 0_u64;
    for entry in reader(&options.file)? {
        match entry.map_err(|why| invalid!("{} {why}", options.file))? {
            TraceEntry::Heard(heard) => {
                number += 1;
                if options.wants(&heard) {
                    line(call_json(number, &heard), call_text(number, &heard, colour));
                }
            }
            TraceEntry::Provoked { fault, after, refused } if is_whole => line(
                json!({"event": "provoked", "fault": fault, "after": after, "refused": refused}),
                format!("{:>24}provoke {} after {after} s", "", visible_line(&fault)),
            ),
            TraceEntry::Mended if is_whole => {
                line(json!({"event": "mended"}), format!("{:>24}mend", ""));
            }
            TraceEntry::Provoked { .. }
            | TraceEntry::Mended
            | TraceEntry::Now { .. }
            | TraceEntry::End { .. } => {}
        }
    }
    if options.json {
        emit(&format!("{}\n", json!({"event": "end", "verdict": survey.verdict})));
    }
    Ok(if survey.verdict.is_none() { FAILED } else { 0 })
}

impl Options {
    fn wants(&self, heard: &Heard) -> bool {
        let name = heard.call.row().name;
        (self.only.is_empty() || self.only.iter().any(|only| only == name))
            && (!self.faults || matches!(heard.reply, Reply::Fault(_)))
            && self.from.is_none_or(|from| heard.time >= from)
            && self.to.is_none_or(|to| heard.time <= to)
    }
}

fn call_text(number: u64, heard: &Heard, colour: bool) -> String {
    let reply = visible_line(&reply_words(&heard.reply));
    let fault = matches!(heard.reply, Reply::Fault(_));
    let reply = if fault { styled(&reply, RED, colour) } else { reply };
    let stamp = format!("{number:>7}  {:>11.6} s", heard.time);
    format!("{}  {}: {reply}", styled(&stamp, DIM, colour), visible_line(&call_words(&heard.call)))
}

fn call_json(number: u64, heard: &Heard) -> Value {
    let mut line = serde_json::to_value(heard).unwrap_or_default();
    if let Some(fields) = line.as_object_mut() {
        fields.insert("event".to_string(), json!("call"));
        fields.insert("number".to_string(), json!(number));
    }
    line
}

fn header_text(survey: &TraceSurvey) -> String {
    let TraceHeader { spintrue, head, gauge, seed, faults, scripts, params, .. } = &survey.header;
    let kind = if head.simulated { "simulated head" } else { "head" };
    let seed = seed.map_or_else(String::new, |seed| format!(" (seed {seed})"));
    let gauge = if *gauge { "" } else { ", without a gauge" };
    let of = visible_line(&format!("{} {}", head.model, head.serial));
    let mut text = format!("{kind} {of}{seed}{gauge}\n");
    let mut row = |what: &str, said: String| {
        text.push_str(&format!("{what:<9}  {}\n", visible_line(&said)));
    };
    row("written", format!("by spintrue {spintrue}"));
    for fault in faults {
        row("fault", fault.clone());
    }
    for script in scripts {
        let digest: String = script.sha256.chars().take(12).collect();
        row("script", format!("{} (SHA-256 {digest}…)", script.name));
    }
    for (name, value) in params {
        row("param", format!("{name} = {}", shortened(value)));
    }
    row("calls", survey.calls.to_string());
    match &survey.verdict {
        Some(verdict) => row("ended", verdict.clone()),
        None => row("ended", "NOT: the recording was cut off, and holds what was known".into()),
    }
    text.push('\n');
    text
}

fn header_json(survey: &TraceSurvey) -> Value {
    let header = serde_json::to_value(&survey.header).unwrap_or_default();
    json!({
        "event": "recording", "header": header, "calls": survey.calls, "verdict": survey.verdict,
    })
}
