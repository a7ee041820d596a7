//! The trend of a value over the runs of an archive: read from it, worked out, and shown as text or as
//! a page.

mod freeze;
mod html;
mod read;
mod series;
mod text;

pub(crate) use freeze::freeze;
pub(crate) use html::page;
pub(crate) use read::Selection;
pub(crate) use series::decimals;
pub(crate) use text::text;

use crate::archive::decisions::Decisions;
use crate::archive::open::open_to_read;
use crate::archive::trend::read::{AllBounds, find, groups, in_unit};
use crate::archive::trend::series::{Limits, Tolerance, Trend, Trends};
use crate::error::{Error, invalid};
use crate::terminal::counted;
use clap::{Args, ValueEnum};
use spintrue_head::{Dimension, UnitText, parse_quantity};
use std::path::Path;

// What a trend is asked for.
#[derive(Args)]
pub(crate) struct Query {
    #[command(flatten)]
    selection: Selection,
    /// Lowest allowed value, such as 4.75V; without `--low` and `--high`, those of the check in the newest run
    #[arg(long, value_name = "QUANTITY", allow_hyphen_values = true)]
    low: Option<String>,
    /// Highest allowed value
    #[arg(long, value_name = "QUANTITY", allow_hyphen_values = true)]
    high: Option<String>,
    /// Show capability over time for blocks of N runs
    #[arg(long, value_name = "N", default_value_t = 25,
        value_parser = clap::value_parser!(u32).range(2..))]
    every: u32,
    /// Exit with code 1 if the newest run of a chart breaks a rule, or if any does
    #[arg(long, value_name = "WHICH")]
    fail_on: Option<Signal>,
}

/// Whose rule violations make an exit code.
#[derive(Clone, Copy, PartialEq, ValueEnum)]
pub(crate) enum Signal {
    Newest,
    Any,
}

impl Query {
    /// Whether there is a rule violation that the exit code shall tell.
    pub(crate) fn fails(&self, trends: &Trends) -> bool {
        trends.all.iter().any(|trend| match self.fail_on {
            None => false,
            Some(Signal::Newest) => trend.newest_signals(),
            Some(Signal::Any) => !trend.violations.is_empty(),
        })
    }
}

/// Reads the trends of a value from an archive.
pub(crate) fn trends(place: &Path, query: &Query) -> Result<Trends, Error> {
    let mut archive = open_to_read(place)?;
    let Query { selection, .. } = query;
    let decisions = Decisions::read(&mut *archive)?;
    let found = find(&mut *archive, selection)?;
    let is_given = query.low.is_some() || query.high.is_some();
    let bounds = match is_given {
        true => AllBounds::default(),
        false => AllBounds::read(&mut *archive, &selection.value, &found)?,
    };
    let mut trends = Trends { all: Vec::new(), without: Vec::new() };
    for group in groups(selection, found, &bounds, &decisions)? {
        let series = &group.series;
        let (name, count) = (series.group.clone(), series.points.len());
        let left_out = match series.rehearsals {
            0 => String::new(),
            out => format!(
                "; {} on simulated heads left out: `--with-simulated` includes them",
                counted(out, "run")
            ),
        };
        let tolerance = if is_given && count > 0 {
            limits(query, group.unit.as_ref())?
        } else {
            group.tolerance
        };
        match Trend::new(group.series, tolerance, group.frozen, query.every as usize) {
            Some(trend) => trends.all.push(trend),
            None => trends.without.push(format!(
                "a trend{} needs at least two runs; found {count}{left_out}",
                if name.is_empty() {
                    format!(" of `{}`", selection.value)
                } else {
                    format!(" of {name}")
                }
            )),
        }
    }
    match trends.all.is_empty() {
        true => Err(invalid!("{}", trends.without.join("\n"))),
        false => Ok(trends),
    }
}

/// The limits that are given, in the unit of the series.
fn limits(query: &Query, unit: Option<&UnitText>) -> Result<Option<Tolerance>, Error> {
    let kind = |unit: Option<&UnitText>| {
        unit.map_or((Dimension::NUMBER, false), |unit| (unit.dimension, unit.is_absolute()))
    };
    let limit = |name: &str, text: &Option<String>| {
        let Some(text) = text else { return Ok(None) };
        let (value, own) = parse_quantity(text).map_err(|error| invalid!("{name}: {error}"))?;
        if kind(own.as_ref()) != kind(unit) {
            let of = kind(unit).0.name(&[]);
            return Err(invalid!("{name}: `{text}` does not fit a value of kind {of}"));
        }
        Ok(Some(in_unit(value, unit)))
    };
    let (low, high) = (limit("--low", &query.low)?, limit("--high", &query.high)?);
    if low.zip(high).is_some_and(|(low, high)| low >= high) {
        return Err(invalid!("--low must be less than --high"));
    }
    Ok(Some(Tolerance { limits: Limits { low, high }, stored: false, changes: None }))
}
