//! The trend of a value over the runs of an archive: read from it, worked out, and shown as text or as
//! a page.

mod html;
mod series;
mod text;

pub(crate) use html::page;
pub(crate) use series::{Trend, day_and_minute, decimals};
pub(crate) use text::{cut, text};

use crate::archive::filter::Filter;
use crate::archive::open::open_to_read;
use crate::archive::sql::{Store, Value};
use crate::archive::trend::series::{Limits, Point, Series, runs};
use crate::error::{Error, invalid};
use clap::Args;
use spintrue_head::{
    Dimension, UnitText, letter_distance, parse_quantity, parse_unit, visible_line,
};
use std::path::Path;

/// Labels that are suggested for an unknown one.
const MAX_SUGGESTIONS: usize = 5;

// What a trend is asked for.
#[derive(Args)]
pub(crate) struct Query {
    /// Label of a recorded quantity, or else of a check with a value
    value: String,
    #[command(flatten)]
    filter: Filter,
    /// Include runs on simulated heads, which are rehearsals
    #[arg(long)]
    with_simulated: bool,
    /// Lowest allowed value, such as 4.75V: shows capability
    #[arg(long, value_name = "QUANTITY", allow_hyphen_values = true)]
    low: Option<String>,
    /// Highest allowed value
    #[arg(long, value_name = "QUANTITY", allow_hyphen_values = true)]
    high: Option<String>,
    /// Show capability over time for blocks of N runs
    #[arg(long, value_name = "N", default_value_t = 25,
        value_parser = clap::value_parser!(u32).range(2..))]
    every: u32,
}

/// Reads the trend of a value from an archive.
pub(crate) fn trend(place: &Path, query: &Query) -> Result<Trend, Error> {
    let mut archive = open_to_read(place)?;
    let (mut found, mut rehearsals) = (Vec::new(), 0);
    // A quantity comes first: a check of the same label decides on it.
    for table in ["quantities", "checks"] {
        let (values, left_out) =
            read(&mut *archive, table, &query.value, &query.filter, query.with_simulated)?;
        (found, rehearsals) = (values, left_out.max(rehearsals));
        if !found.is_empty() {
            rehearsals = left_out;
            break;
        }
    }
    if found.is_empty() && rehearsals == 0 {
        let near = near(&mut *archive, &query.value)?;
        return Err(unknown(&query.value, &near));
    }
    let (mut series, unit) = series(&query.value, found)?;
    series.rehearsals = rehearsals;
    let count = series.points.len();
    let limits = if count < 2 { None } else { limits(query, unit.as_ref())? };
    Trend::new(series, limits, query.every as usize).ok_or_else(|| {
        let left_out = match rehearsals {
            0 => String::new(),
            out => format!(
                "; {} on simulated heads left out: `--with-simulated` includes them",
                runs(out)
            ),
        };
        invalid!("a trend of `{}` needs at least two runs; found {count}{left_out}", query.value)
    })
}

/// A value as it was stored.
pub(crate) struct Stored {
    run: i64,
    place: i64,
    unit: String,
    shown_unit: String,
    /// Its value in SI, or NaN.
    point: Point,
}

/// The last value of each run, newest run first; and how many were left out as rehearsals.
pub(crate) fn read(
    archive: &mut dyn Store,
    table: &str,
    label: &str,
    filter: &Filter,
    with_simulated: bool,
) -> Result<(Vec<Stored>, usize), Error> {
    let (conditions, mut more) = filter.conditions(1);
    let mut values = vec![Value::from(label)];
    values.append(&mut more);
    let sql = format!(
        "SELECT runs.id, runs.started, runs.serial, of.place, of.value, of.unit, of.shown_unit,
            runs.simulated
        FROM {table} AS of JOIN runs ON runs.id = of.run
        WHERE of.label = $1 AND of.unit IS NOT NULL AND {conditions}"
    );
    let mut found = Vec::new();
    archive.query(&sql, &values, &mut |row| {
        found.push(Stored {
            run: row.value(0).whole(),
            place: row.value(3).whole(),
            unit: row.value(5).text(),
            shown_unit: row.value(6).text(),
            point: Point {
                started: row.value(1).text(),
                serial: row.value(2).text(),
                value: row.value(4).real().unwrap_or(f64::NAN),
                simulated: row.value(7).whole() != 0,
            },
        });
    })?;
    found.sort_by(|one, other| {
        let key = |stored: &Stored| (stored.run, stored.place);
        other.point.started.cmp(&one.point.started).then(key(other).cmp(&key(one)))
    });
    found.dedup_by_key(|stored| stored.run);
    let all = found.len();
    found.retain(|stored| with_simulated || !stored.point.simulated);
    let rehearsals = all - found.len();
    found.truncate(filter.most().map_or(usize::MAX, |most| most as usize));
    Ok((found, rehearsals))
}

/// Labels that are similar to one, the nearest first.
fn near(archive: &mut dyn Store, label: &str) -> Result<Vec<String>, Error> {
    let sql = "SELECT label FROM quantities UNION SELECT label FROM checks WHERE unit IS NOT NULL";
    let mut labels = Vec::new();
    archive.query(sql, &[], &mut |row| labels.push(row.value(0).text()))?;
    labels.sort_by_cached_key(|known| (letter_distance(known, label), known.clone()));
    labels.truncate(MAX_SUGGESTIONS);
    Ok(labels)
}

fn unknown(label: &str, near: &[String]) -> Error {
    if near.is_empty() {
        return invalid!("no run recorded `{label}`, or any other value");
    }
    let near: Vec<String> = near.iter().map(|label| format!("`{}`", visible_line(label))).collect();
    invalid!("no such run recorded `{}`; labels like it: {}", visible_line(label), near.join(", "))
}

/// The values oldest first, in the unit that the newest was shown in; none of plain numbers.
pub(crate) fn series(
    label: &str,
    stored: Vec<Stored>,
) -> Result<(Series, Option<UnitText>), Error> {
    let unit = stored.first().and_then(|newest| {
        parse_unit(&newest.shown_unit).or_else(|_| parse_unit(&newest.unit)).ok()
    });
    let si = stored.first().map(|newest| newest.unit.clone()).unwrap_or_default();
    // Older versions wrote derived units in base units.
    let dimension = |unit: &str| parse_unit(unit).map(|unit| unit.dimension).ok();
    let mut series = Series { label: label.to_string(), ..Series::default() };
    if let Some(unit) = &unit {
        series.unit.clone_from(&unit.text);
    }
    for Stored { unit: own, mut point, .. } in stored.into_iter().rev() {
        if own != si && dimension(&own) != dimension(&si) {
            return Err(invalid!(
                "`{}` was recorded in {own} and in {si}: narrow the runs with --script or --since",
                visible_line(label)
            ));
        }
        point.value = in_unit(point.value, unit.as_ref());
        if point.value.is_finite() {
            series.points.push(point);
        } else {
            series.left_out += 1;
        }
    }
    Ok((series, unit))
}

/// A value in SI, in a unit.
fn in_unit(value: f64, unit: Option<&UnitText>) -> f64 {
    unit.map_or(value, |unit| unit.from_si(value))
}

/// The limits in the unit of the series.
fn limits(query: &Query, unit: Option<&UnitText>) -> Result<Option<Limits>, Error> {
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
    Ok((low.is_some() || high.is_some()).then_some(Limits { low, high }))
}

#[cfg(test)]
mod tests {
    use super::{Point, Stored, series};

    fn stored(value: f64, unit: &str, shown_unit: &str) -> Stored {
        let (unit, shown_unit) = (unit.to_string(), shown_unit.to_string());
        let (started, serial) = (String::new(), String::new());
        let point = Point { started, serial, value, simulated: false };
        Stored { run: 0, place: 0, unit, shown_unit, point }
    }

    #[test]
    fn values_are_told_in_the_newest_unit_and_never_mixed() {
        let (told, _) =
            series("x", vec![stored(2e-6, "m", "um"), stored(3e-6, "m", "nm")]).unwrap();
        let values: Vec<f64> = told.points.iter().map(|point| point.value).collect();
        assert_eq!((values.as_slice(), told.unit.as_str()), (&[3.0, 2.0][..], "um"));
        assert!(series("x", vec![stored(1.0, "m", "m"), stored(1.0, "s", "s")]).is_err());
        let older = stored(1.0, "kg*m^2/A/s^3", "V");
        let (volts, _) = series("x", vec![stored(2.0, "V", "V"), older]).unwrap();
        assert_eq!((volts.points.len(), volts.unit.as_str()), (2, "V"));
        let (plain, _) = series("x", vec![stored(0.5, "", "")]).unwrap();
        assert_eq!((plain.points[0].value, plain.unit.as_str()), (0.5, ""));
    }
}
