//! Selects runs of an archive.

use crate::archive::sql::Value;
use crate::archive::store::moment;
use crate::error::{Error, invalid};
use clap::Args;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

/// Verdicts as options name them.
const VERDICTS: [&str; 7] =
    ["passed", "failed", "undecided", "script-wrong", "head-failed", "unanswered", "interrupted"];

#[derive(Args, Default)]
pub(crate) struct Filter {
    /// Only runs on the head of this serial number
    #[arg(long, value_name = "SERIAL")]
    serial: Option<String>,
    /// Only runs of this script, as `run` was given it
    #[arg(long, value_name = "SCRIPT")]
    script: Option<String>,
    /// Only runs of this operator, as `run --operator` named them
    #[arg(long, value_name = "NAME")]
    operator: Option<String>,
    /// Only runs in which this took part, such as station=S3, as `run --identity` named it. May be repeated
    #[arg(long, value_name = "NAME=VALUE", value_parser = pair)]
    identity: Vec<(String, String)>,
    /// Only runs with this verdict
    #[arg(long, value_name = "VERDICT", value_parser = VERDICTS)]
    verdict: Option<String>,
    /// Only runs since this day (UTC) or time, such as 2026-03-31 or 2026-03-31T08:00:00+02:00
    #[arg(long, value_name = "DATE", value_parser = |text: &str| time(text, 0))]
    since: Option<String>,
    /// Only runs up to the end of this day (UTC), or before this time
    #[arg(long, value_name = "DATE", value_parser = |text: &str| time(text, 1))]
    until: Option<String>,
    /// Only the newest N
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    limit: Option<u32>,
}

impl Filter {
    /// Conditions on the table of runs, numbered after `others` parameters, and their values.
    pub(crate) fn conditions(&self, others: usize) -> (String, Vec<Value>) {
        // As the archive has it.
        let verdict = self.verdict.as_ref().map(|verdict| verdict.replace('-', " "));
        let parts = [
            ("runs.serial =", self.serial.as_deref()),
            ("runs.script =", self.script.as_deref()),
            ("runs.operator =", self.operator.as_deref()),
            ("runs.verdict =", verdict.as_deref()),
            ("runs.started >=", self.since.as_deref()),
            ("runs.started <", self.until.as_deref()),
        ];
        let mut text = "TRUE".to_string();
        let mut values = Vec::new();
        for (condition, value) in parts {
            if let Some(value) = value {
                values.push(Value::from(value));
                text.push_str(&format!(" AND {condition} ${}", others + values.len()));
            }
        }
        for (name, value) in &self.identity {
            let first = others + values.len() + 1;
            values.extend([Value::from(name.as_str()), Value::from(value.as_str())]);
            text.push_str(&format!(
                " AND EXISTS (SELECT 1 FROM identity WHERE run = runs.id AND name = ${first} AND value = ${})",
                first + 1
            ));
        }
        (text, values)
    }

    /// Refuses what leaves out attempts in the middle.
    pub(crate) fn check_whole(&self) -> Result<(), Error> {
        match self.verdict.is_some() || self.limit.is_some() {
            true => Err(invalid!(
                "a yield counts runs of every verdict: leave `--verdict` and `--limit` out"
            )),
            false => Ok(()),
        }
    }

    /// How many at most, where that is limited.
    pub(crate) fn most(&self) -> Option<u32> {
        self.limit
    }
}

fn pair(text: &str) -> Result<(String, String), Error> {
    let pair = text.split_once('=').map(|(name, value)| (name.to_string(), value.to_string()));
    pair.ok_or_else(|| invalid!("write a name and its value, such as station=S3"))
}

/// A time as the archive writes it; a day counts from its start, `days` later.
fn time(text: &str, days: i64) -> Result<String, Error> {
    if let Ok(date) = text.parse::<Date>()
        && !text.contains(['T', 't', ' '])
    {
        let day = date.checked_add(days.days());
        return day
            .and_then(|day| TimeZone::UTC.to_timestamp(day.at(0, 0, 0, 0)))
            .map(moment)
            .map_err(|_| invalid!("`{text}` is too far away"));
    }
    text.parse::<Timestamp>().map(moment).map_err(|_| {
        invalid!(
            "give a day, such as 2026-03-31, or a time with its offset, such as \
             2026-03-31T08:00:00Z"
        )
    })
}

#[cfg(test)]
mod tests {
    use super::time;

    #[test]
    fn a_day_is_whole_and_a_time_has_its_offset() {
        assert_eq!(time("2026-03-31", 0).unwrap(), "2026-03-31T00:00:00.000Z");
        assert_eq!(time("2026-03-31", 1).unwrap(), "2026-04-01T00:00:00.000Z");
        assert_eq!(time("2026-03-31T08:00:00+02:00", 1).unwrap(), "2026-03-31T06:00:00.000Z");
        for wrong in ["yesterday", "2026-02-30", "2026-03-31T08:00:00", "31.3.2026", ""] {
            assert!(time(wrong, 0).is_err(), "{wrong}");
        }
    }
}
