//! `gauge keep`: puts what a gauge study found into the file of the gauge.

use crate::disk::{Place, read_text};
use crate::error::{Error, invalid};
use crate::record::{MANIFEST, State, examine};
use crate::setup::check_gauge_file;
use crate::terminal::say;
use clap::{Args, Subcommand};
use jiff::civil::Date;
use spintrue_language::Verdict;
use std::path::{Path, PathBuf};
use toml::{Table, Value};

#[derive(Subcommand)]
pub(super) enum Command {
    /// Keep the result of a gauge study in the file of the gauge
    #[command(after_help = include_str!("help/gauge_keep.txt"))]
    Keep(Options),
}

#[derive(Args)]
pub(super) struct Options {
    /// The folder of the record of the study
    record: PathBuf,
    /// The file of the gauge, which is changed
    file: PathBuf,
    /// Name of the station at which the study was made
    #[arg(long, value_name = "NAME")]
    station: String,
    /// Until when the study is valid, such as 2027-05-01
    #[arg(long, value_name = "DATE")]
    due: Date,
}

pub(super) fn run(command: &Command) -> Result<u8, Error> {
    let Command::Keep(options) = command;
    let (record, file) = (&options.record, &options.file);
    let study = study(options)?;
    check_gauge_file(file)?;
    let text = read_text(file)?;
    let mut wanted = without_study(&text);
    wanted.push_str("\n[study]\n");
    wanted.push_str(&study.to_string());
    Place::replace(file, &wanted)?;
    check_gauge_file(file)?;
    say(&format!("{}: the study of {} is kept\n", file.display(), record.display()));
    Ok(0)
}

/// The table of a study that passed.
fn study(options: &Options) -> Result<Table, Error> {
    let name = options.record.display();
    let refused = |why: &str| invalid!("the study of {name} is not kept: {why}");
    let verdict = match examine(&options.record) {
        State::Whole(manifest) => manifest.verdict,
        State::None(why) => return Err(why),
        State::Unfinished(_) => return Err(refused("it was never finished")),
        State::Changed(_) => return Err(refused("its record is not as it was written")),
    };
    if verdict != Verdict::Passed.kept_as() {
        return Err(refused(&format!("its verdict is {verdict}")));
    }
    let file = options.record.join("values.toml");
    let values: Table =
        read_text(&file)?.parse().map_err(|_| refused("its values cannot be read"))?;
    let share = |axis: &str| {
        let value = values.get("values")?.get(format!("gauge share {axis}"))?;
        value.as_str()?.parse::<f64>().ok()
    };
    let (Some(along), Some(across)) = (share("in-scan"), share("cross-scan")) else {
        return Err(refused("it is not the record of scripts/gauge_study.spt"));
    };
    let made = made(&options.record).ok_or_else(|| refused("it does not say when it was made"))?;
    if options.due <= made {
        return Err(invalid!("--due {} must be after the study of {made}", options.due));
    }
    let percent = |share: f64| Value::String(format!("{:.2} %", share * 100.0));
    let text = |text: &str| Value::String(text.to_string());
    let fields = [
        ("station", text(&options.station)),
        ("made", text(&made.to_string())),
        ("due", text(&options.due.to_string())),
        ("in_scan", percent(along)),
        ("cross_scan", percent(across)),
    ];
    Ok(fields.into_iter().map(|(key, value)| (key.to_string(), value)).collect())
}

/// The day on which a run started.
fn made(record: &Path) -> Option<Date> {
    let text = read_text(&record.join(MANIFEST)).ok()?;
    let manifest: serde_json::Value = serde_json::from_str(&text).ok()?;
    let started = manifest.pointer("/identity/started")?.as_str()?;
    started.split('T').next()?.parse().ok()
}

/// The file up to its table of a study, and what follows behind that.
fn without_study(text: &str) -> String {
    let is_study = |line: &str| line.split('#').next().is_some_and(|line| line.trim() == "[study]");
    let mut kept = String::new();
    let mut inside = false;
    for line in text.lines() {
        if line.trim_start().starts_with('[') {
            inside = is_study(line);
        }
        if !inside {
            kept.push_str(line);
            kept.push('\n');
        }
    }
    format!("{}\n", kept.trim_end())
}

#[cfg(test)]
mod tests {
    use super::without_study;

    #[test]
    fn only_the_study_goes() {
        let text =
            "[gauge]\nid = \"a\"\n\n[study] # old\nstation = \"b\"\n\n[along]\nplace = \"1 um\"\n";
        assert_eq!(without_study(text), "[gauge]\nid = \"a\"\n\n[along]\nplace = \"1 um\"\n");
    }
}
