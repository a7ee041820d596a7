//! Selects runs of an archive and keeps them apart, by what they were run on, with, by and when.

use crate::archive::sql::{Row, Values};
use crate::archive::store::moment;
use crate::error::{Error, invalid};
use clap::Args;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

/// Verdicts as options name them.
const VERDICTS: [&str; 7] =
    ["passed", "failed", "undecided", "script-wrong", "head-failed", "unanswered", "interrupted"];

/// Names of what the table of runs says itself; every other name is one of an identity.
const COLUMNS: [(&str, &str); 9] = [
    ("day", "substr(runs.started, 1, 10)"),
    ("month", "substr(runs.started, 1, 7)"),
    ("serial", "runs.serial"),
    ("model", "runs.model"),
    ("script", "runs.script"),
    ("operator", "runs.operator"),
    ("verdict", "runs.verdict"),
    ("version", "runs.version"),
    ("digest", "runs.digest"),
];

/// Most names that runs are kept apart by.
const MAX_NAMES: usize = 4;

/// The value of a name in the table of runs, if it is there.
fn column(name: &str) -> Option<&'static str> {
    COLUMNS.iter().find(|(known, _)| *known == name).map(|(_, expression)| *expression)
}

#[derive(Args, Default)]
pub(crate) struct Filter {
    /// Only runs on the head of this serial number
    #[arg(long, value_name = "SERIAL")]
    serial: Option<String>,
    /// Only runs on heads of this model
    #[arg(long, value_name = "MODEL")]
    model: Option<String>,
    /// Only runs of this script, as `run` was given it
    #[arg(long, value_name = "SCRIPT")]
    script: Option<String>,
    /// Only runs of this operator, as `run --operator` named them
    #[arg(long, value_name = "NAME")]
    operator: Option<String>,
    /// Only runs in which this took part, such as station=S3, as `run --identity` named it; also host,
    /// version, day and the other names of `--by`. May be repeated
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
    /// What all the runs have in common, by its name.
    pub(crate) fn pairs(&self) -> Vec<(String, String)> {
        // As the archive has it.
        let verdict = self.verdict.as_ref().map(|verdict| verdict.replace('-', " "));
        let own = [
            ("serial", &self.serial),
            ("model", &self.model),
            ("script", &self.script),
            ("operator", &self.operator),
            ("verdict", &verdict),
        ];
        let own = own.into_iter().filter_map(|(name, value)| Some((name, value.as_ref()?)));
        let own = own.map(|(name, value)| (name.to_string(), value.clone()));
        own.chain(self.identity.iter().cloned()).collect()
    }

    /// Conditions on the table of runs.
    pub(crate) fn conditions(&self, values: &mut Values) -> String {
        let mut text = "TRUE".to_string();
        for (name, value) in self.pairs() {
            text.push_str(&match column(&name) {
                Some(column) => format!(" AND {column} = {}", values.bind(value)),
                None => format!(
                    " AND EXISTS (SELECT 1 FROM identity WHERE run = runs.id AND name = {} AND value = {})",
                    values.bind(name),
                    values.bind(value)
                ),
            });
        }
        for (compare, moment) in [(">=", &self.since), ("<", &self.until)] {
            if let Some(moment) = moment {
                let moment = values.bind(moment.as_str());
                text.push_str(&format!(" AND runs.started {compare} {moment}"));
            }
        }
        text
    }

    /// Refuses what leaves out attempts in the middle.
    pub(crate) fn check_whole(&self) -> Result<(), Error> {
        match self.verdict.is_some() || self.limit.is_some() {
            true => Err(invalid!(
                "runs of every verdict are counted here: leave `--verdict` and `--limit` out"
            )),
            false => Ok(()),
        }
    }

    /// How many at most, where that is limited.
    pub(crate) fn most(&self) -> Option<u32> {
        self.limit
    }
}

/// What runs are kept apart by.
#[derive(Args, Clone, Default)]
pub(crate) struct Grouping {
    /// Keep runs apart by these, such as station or model,station: names of `run --identity`, or day, month,
    /// serial, model, script, operator, verdict, version
    #[arg(long, value_name = "NAME,...", value_delimiter = ',',
        value_parser = clap::builder::NonEmptyStringValueParser::new())]
    pub by: Vec<String>,
}

/// A group of runs: the value of each name, empty where a run has none.
pub(crate) type Group = Vec<String>;

/// How a statement on runs finds their groups.
pub(crate) struct Grouped {
    /// The first columns of its result, each followed by a comma.
    pub columns: String,
    /// Follows the table of runs.
    pub joins: String,
    /// How many columns there are.
    pub count: usize,
}

impl Grouping {
    /// The groups of a statement, whose parameters so far are `values`.
    pub(crate) fn grouped(&self, values: &mut Values) -> Result<Grouped, Error> {
        let count = self.by.len();
        if count > MAX_NAMES {
            return Err(invalid!("`--by` takes {MAX_NAMES} names at most, and these are {count}"));
        }
        let (mut columns, mut joins) = (String::new(), String::new());
        for (at, name) in self.by.iter().enumerate() {
            let value = match column(name) {
                Some(column) => column.to_string(),
                None => {
                    let name = values.bind(name.as_str());
                    joins.push_str(&format!(
                        " LEFT JOIN identity AS of{at} ON of{at}.run = runs.id AND of{at}.name = {name}"
                    ));
                    format!("of{at}.value")
                }
            };
            columns.push_str(&format!("COALESCE({value}, ''), "));
        }
        Ok(Grouped { columns, joins, count })
    }

    /// What a group is called, such as `model X, station S3`; empty without names.
    pub(crate) fn name(&self, group: &Group) -> String {
        let names = self.by.iter().zip(group).map(|(name, value)| match value.as_str() {
            "" => format!("no {name}"),
            value => format!("{name} {value}"),
        });
        names.collect::<Vec<_>>().join(", ")
    }
}

impl Grouped {
    /// The clause that makes a row of each group and of the next `more` columns.
    pub(crate) fn clause(&self, more: usize) -> String {
        let columns: Vec<String> = (1..=self.count + more).map(|at| at.to_string()).collect();
        format!("GROUP BY {}", columns.join(", "))
    }

    /// The group of a row.
    pub(crate) fn of(&self, row: &dyn Row) -> Group {
        (0..self.count).map(|at| row.text(at).into_owned()).collect()
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
