//! `history trend`: reads a value of each run from an archive, and has it drawn.

use crate::cli::history::filter::Filter;
use crate::cli::history::schema::{open_to_read, trouble};
use crate::cli::history::series::{Limits, Point, Series, trend as worked_out};
use crate::cli::history::text::plain;
use crate::cli::history::{html, text};
use crate::terminal::{colour_output, say};
use crate::units::{Dimension, UnitText, parse_quantity, parse_unit};
use clap::Args;
use rusqlite::{Connection, Error, params_from_iter};
use std::path::PathBuf;

/// Labels that are offered where one is unknown.
const OFFERED: usize = 5;

#[derive(Args)]
pub(super) struct Options {
    /// The archive
    file: PathBuf,
    /// Label of a recorded quantity, or else of a check with a value
    value: String,
    #[command(flatten)]
    filter: Filter,
    /// The least value that is allowed, such as 4.75V: tells capability
    #[arg(long, value_name = "QUANTITY", allow_hyphen_values = true)]
    low: Option<String>,
    /// The largest value that is allowed
    #[arg(long, value_name = "QUANTITY", allow_hyphen_values = true)]
    high: Option<String>,
    /// Capability over time is told for so many runs at once
    #[arg(long, value_name = "N", default_value_t = 25,
        value_parser = clap::value_parser!(u32).range(2..))]
    every: u32,
    /// Draws the charts into a page of its own
    #[arg(long, value_name = "OUT.html")]
    html: Option<PathBuf>,
}

pub(super) fn trend(options: &Options) -> Result<(), String> {
    let archive = open_to_read(&options.file)?;
    let wrong = |error: Error| trouble(&options.file, &error);
    let mut found = None;
    // A quantity comes first: a check of the same label decides on it.
    for table in ["quantities", "checks"] {
        let values = read(&archive, table, &options.value, &options.filter).map_err(wrong)?;
        if !values.is_empty() {
            found = Some(values);
            break;
        }
    }
    let Some(values) = found else {
        let near = near(&archive, &options.value).map_err(wrong)?;
        return Err(unknown(&options.value, &near));
    };
    let (series, unit) = series(&options.value, values)?;
    let limits = limits(options, unit.as_ref())?;
    let count = series.points.len();
    let Some(trend) = worked_out(series, limits, options.every as usize) else {
        return Err(format!(
            "a trend needs two runs with a number `{}` or more, and there {} {count}",
            options.value,
            if count == 1 { "is" } else { "are" }
        ));
    };
    if let Some(path) = &options.html {
        std::fs::write(path, html::page(&trend))
            .map_err(|error| format!("{} cannot be written: {error}", path.display()))?;
    }
    say(&text::trend(&trend, colour_output()));
    Ok(())
}

/// A value as it was stored.
struct Stored {
    started: String,
    serial: String,
    value: Option<f64>,
    unit: String,
    shown_unit: String,
}

/// The last value of each run, newest run first.
fn read(
    archive: &Connection,
    table: &str,
    label: &str,
    filter: &Filter,
) -> Result<Vec<Stored>, Error> {
    let (conditions, values) = filter.conditions();
    // The pluses have the label's own index used, which holds all that is read of the table.
    let sql = format!(
        "SELECT runs.id, runs.started, runs.serial, of.value, of.unit, of.shown_unit
        FROM {table} AS of JOIN runs ON runs.id = of.run
        WHERE of.label = ? AND of.unit IS NOT NULL AND {conditions}
        ORDER BY +runs.started DESC, +runs.id DESC, of.place DESC"
    );
    let mut query = archive.prepare(&sql)?;
    let bound = std::iter::once(label).chain(values.iter().map(String::as_str));
    let mut rows = query.query(params_from_iter(bound))?;
    let most = usize::try_from(filter.most()).unwrap_or(usize::MAX);
    let (mut found, mut last) = (Vec::new(), None);
    while let Some(row) = rows.next()? {
        let run: i64 = row.get(0)?;
        if last == Some(run) {
            continue;
        }
        if found.len() == most {
            break;
        }
        last = Some(run);
        found.push(Stored {
            started: row.get(1)?,
            serial: row.get(2)?,
            value: row.get(3)?,
            unit: row.get(4)?,
            shown_unit: row.get(5)?,
        });
    }
    Ok(found)
}

/// Labels that look like one, the nearest first.
fn near(archive: &Connection, label: &str) -> Result<Vec<String>, Error> {
    let sql = "SELECT label FROM quantities UNION SELECT label FROM checks WHERE unit IS NOT NULL";
    let mut query = archive.prepare(sql)?;
    let labels = query.query_map([], |row| row.get(0))?;
    let mut labels: Vec<String> = labels.collect::<Result<_, _>>()?;
    labels.sort_by_cached_key(|known| strsim::osa_distance(known, label));
    labels.truncate(OFFERED);
    Ok(labels)
}

fn unknown(label: &str, near: &[String]) -> String {
    if near.is_empty() {
        return format!("no run recorded `{label}`, or any other value");
    }
    let near: Vec<String> = near.iter().map(|label| format!("`{}`", plain(label))).collect();
    format!("no such run recorded `{}`; labels like it: {}", plain(label), near.join(", "))
}

/// The values oldest first, in the unit that the newest was shown in; none of plain numbers.
fn series(label: &str, stored: Vec<Stored>) -> Result<(Series, Option<UnitText>), String> {
    let unit = stored.first().and_then(|newest| {
        parse_unit(&newest.shown_unit).or_else(|_| parse_unit(&newest.unit)).ok()
    });
    let si = stored.first().map(|newest| newest.unit.clone()).unwrap_or_default();
    let mut series =
        Series { label: label.to_string(), unit: String::new(), points: Vec::new(), left_out: 0 };
    if let Some(unit) = &unit {
        series.unit.clone_from(&unit.text);
    }
    for Stored { started, serial, value, unit: own, .. } in stored.into_iter().rev() {
        if own != si {
            return Err(format!(
                "`{}` was recorded in {own} and in {si}: narrow the runs with --script or --since",
                plain(label)
            ));
        }
        match value.map(|value| counted(value, unit.as_ref())).filter(|value| value.is_finite()) {
            Some(value) => series.points.push(Point { started, serial, value }),
            None => series.left_out += 1,
        }
    }
    Ok((series, unit))
}

/// A value in SI as its unit counts it.
fn counted(value: f64, unit: Option<&UnitText>) -> f64 {
    unit.map_or(value, |unit| unit.from_si(value))
}

/// The limits in the unit of the series.
fn limits(options: &Options, unit: Option<&UnitText>) -> Result<Option<Limits>, String> {
    let kind = |unit: Option<&UnitText>| {
        unit.map_or((Dimension::NUMBER, false), |unit| (unit.dimension, unit.is_absolute()))
    };
    let limit = |name: &str, text: &Option<String>| {
        let Some(text) = text else { return Ok(None) };
        let (value, own) = parse_quantity(text).map_err(|error| format!("{name}: {error}"))?;
        if kind(own.as_ref()) != kind(unit) {
            let of = kind(unit).0.name(&[]);
            return Err(format!("{name}: `{text}` does not fit a value of kind {of}"));
        }
        Ok(Some(counted(value, unit)))
    };
    let (low, high) = (limit("--low", &options.low)?, limit("--high", &options.high)?);
    if low.zip(high).is_some_and(|(low, high)| low >= high) {
        return Err("--low must be less than --high".to_string());
    }
    Ok((low.is_some() || high.is_some()).then_some(Limits { low, high }))
}

#[cfg(test)]
mod tests {
    use super::{Stored, series};

    fn stored(value: f64, unit: &str, shown_unit: &str) -> Stored {
        let (unit, shown_unit) = (unit.to_string(), shown_unit.to_string());
        let (started, serial) = (String::new(), String::new());
        Stored { started, serial, value: Some(value), unit, shown_unit }
    }

    #[test]
    fn values_are_told_in_the_newest_unit_and_never_mixed() {
        let (told, _) =
            series("x", vec![stored(2e-6, "m", "um"), stored(3e-6, "m", "nm")]).unwrap();
        let values: Vec<f64> = told.points.iter().map(|point| point.value).collect();
        assert_eq!((values.as_slice(), told.unit.as_str()), (&[3.0, 2.0][..], "um"));
        assert!(series("x", vec![stored(1.0, "m", "m"), stored(1.0, "s", "s")]).is_err());
        let (plain, _) = series("x", vec![stored(0.5, "", "")]).unwrap();
        assert_eq!((plain.points[0].value, plain.unit.as_str()), (0.5, ""));
    }
}
