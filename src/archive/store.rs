//! Stores a run in an archive: in one transaction, or not at all.

use crate::archive::open::{open, open_to_read};
use crate::archive::sql::{Lost, Purpose, Store, Table, Value, insertion};
use crate::error::{Error, invalid};
use crate::record::About;
use jiff::Timestamp;
use serde_json::json;
use spintrue_head::{parse_unit, suited_unit};
use spintrue_language::{CheckBound, CheckEvent, Event, Finished, Measured, Observer, Shown};
use std::path::Path;

/// What is kept of a run in progress. Its rows begin behind the run and their place in it.
pub(crate) struct Heard {
    started: String,
    pub(crate) checks: Vec<Vec<Value>>,
    pub(crate) quantities: Vec<Vec<Value>>,
}

/// Passes on the events of a script; for an archive it keeps checks and quantities.
pub(crate) struct Keeper<'a> {
    inner: &'a mut dyn Observer,
    heard: Heard,
    keeping: bool,
}

impl<'a> Keeper<'a> {
    pub(crate) fn new(inner: &'a mut dyn Observer, keeping: bool) -> Self {
        let started = moment(Timestamp::now());
        let heard = Heard { started, checks: Vec::new(), quantities: Vec::new() };
        Keeper { inner, heard, keeping }
    }

    pub(crate) fn heard(self) -> Heard {
        self.heard
    }
}

impl Observer for Keeper<'_> {
    fn event(&mut self, time: f64, event: Event) {
        match &event {
            Event::Check(check) if self.keeping => self.heard.checks.push(check_row(time, check)),
            Event::Recorded { label, shown, .. } if self.keeping => {
                self.heard.quantities.extend(quantity(shown).map(|(value, unit, shown_unit)| {
                    let label = label.as_str();
                    vec![time.into(), label.into(), value.into(), unit.into(), shown_unit.into()]
                }));
            }
            _ => {}
        }
        self.inner.event(time, event);
    }
}

/// A time as the archive writes it, so that order by text is order in time.
pub(crate) fn moment(at: Timestamp) -> String {
    format!("{at:.3}")
}

/// Value and unit in SI, and the unit that it is shown in.
pub(crate) fn quantity(shown: &Shown) -> Option<(f64, &str, String)> {
    let Shown::Quantity { value, unit, asked, .. } = shown else { return None };
    let usual = || suited_unit(*value, parse_unit(unit).ok()?.dimension).map(|unit| unit.text);
    let shown = asked.as_ref().map(|asked| asked.text.clone()).or_else(usual);
    Some((*value, unit, shown.unwrap_or_else(|| unit.clone())))
}

/// An archive that proved writable before anything moved.
pub(crate) struct Archive {
    pub(crate) store: Box<dyn Store>,
}

impl Archive {
    /// Opens an archive, and tries to store a run, which is then rolled back.
    pub(crate) fn open(place: &Path) -> Result<Archive, Error> {
        let mut archive = Archive { store: open(place, Purpose::Write)? };
        archive.try_run()?;
        archive.store.close_connection();
        Ok(archive)
    }

    fn try_run(&mut self) -> Result<(), Error> {
        self.store.begin(Purpose::Write)?;
        // No number of a run is used up, and no other process tries this one.
        let run = -1 - i64::from(std::process::id());
        for table in TRIAL {
            // The last row lies where the next would be written.
            let last = format!("SELECT * FROM {} ORDER BY 1 DESC LIMIT 1", table.name);
            self.store.query(&last, &[], &mut |_| ())?;
            let row = table.columns.split(", ").map(|column| match column {
                "id" | "run" => Value::from(run),
                "place" | "simulated" | "exit_code" => Value::from(0_i64),
                "time" => Value::from(0.0),
                _ => Value::from(""),
            });
            self.store.add(&table, &[row.collect()])?;
        }
        self.store.roll_back()
    }

    /// Whether an archive has a run of this head and these scripts since a time of day, as it
    /// writes them.
    pub(crate) fn holds(
        place: &Path,
        serial: &str,
        digest: &str,
        since: &str,
    ) -> Result<bool, Error> {
        let mut store = open_to_read(place)?;
        let asked = "SELECT COUNT(*) FROM runs WHERE serial = $1 AND digest = $2 AND started >= $3";
        let mut count = 0;
        let values = [serial, digest, since].map(Value::from);
        store.query(asked, &values, &mut |row| count = row.value(0).whole())?;
        store.roll_back()?;
        Ok(count > 0)
    }

    /// Stores a run; `digest` is that of the script and what it uses.
    pub(crate) fn store(
        &mut self,
        about: &About,
        digest: &str,
        heard: &Heard,
        finished: &Finished,
    ) -> Result<(), Error> {
        let written = self.written(about, digest, heard, finished);
        let lost = match written {
            Ok(()) => self.store.commit().err(),
            Err(why) => {
                // Where this fails too, the archive rolls back by itself.
                let _ = self.store.roll_back();
                Some(Lost::Whole(why))
            }
        };
        match lost {
            None => Ok(()),
            Some(Lost::Whole(why)) => {
                Err(invalid!("this run is not in the archive, whose other runs stay: {why}"))
            }
            Some(Lost::Unknown(why)) => Err(invalid!(
                "it is not known whether this run is in the archive, see `spintrue history`; its other \
                 runs stay: {why}"
            )),
        }
    }

    fn written(
        &mut self,
        about: &About,
        digest: &str,
        heard: &Heard,
        finished: &Finished,
    ) -> Result<(), Error> {
        self.store.begin(Purpose::Write)?;
        let row = [run(about, digest, heard, finished)];
        let (statement, values) = insertion(&RUNS, &row);
        let mut number = 0;
        let statement = format!("{statement} RETURNING id");
        self.store.query(&statement, &values, &mut |row| number = row.value(0).whole())?;
        let params = about.params.iter();
        let params = params.map(|(name, value)| vec![name.as_str().into(), value.as_str().into()]);
        let params: Vec<Vec<Value>> = params.collect();
        let parts =
            [(&PARAMS, &params), (&CHECKS, &heard.checks), (&QUANTITIES, &heard.quantities)];
        for (table, rows) in parts {
            let rows = (0_i64..).zip(rows).map(|(place, row)| {
                [Value::from(number), place.into()].iter().chain(row).cloned().collect()
            });
            self.store.add(table, &rows.collect::<Vec<_>>())?;
        }
        Ok(())
    }
}

const RUNS: Table<'_> = Table {
    name: "runs",
    columns: "started, script, digest, version, serial, model, simulated, seed, faults, operator, \
        verdict, exit_code, failure, not_reached, took, provoked",
};

const PARAMS: Table<'_> = Table { name: "params", columns: "run, place, name, value" };

const CHECKS: Table<'_> = Table {
    name: "checks",
    columns: "run, place, time, label, condition, value, unit, shown_unit, uncertainty, coverage, \
        rule, low, low_conforms, high, high_conforms, margin, probability, outcome",
};

const QUANTITIES: Table<'_> =
    Table { name: "quantities", columns: "run, place, time, label, value, unit, shown_unit" };

/// The row that is tried: every column that must not be NULL.
const TRIAL: [Table<'_>; 4] = [
    Table {
        name: "runs",
        columns: "id, started, script, digest, version, serial, model, simulated, faults, operator, \
            verdict, exit_code, not_reached",
    },
    PARAMS,
    Table { name: "checks", columns: "run, place, time, label, condition, outcome" },
    Table { name: "quantities", columns: "run, place, time, label, unit, shown_unit" },
];

/// The row of a run.
fn run(about: &About, digest: &str, heard: &Heard, finished: &Finished) -> Vec<Value> {
    let head = &about.head;
    let verdict = finished.verdict();
    let unreached: Vec<&str> = finished.unreached.iter().map(|c| c.label.as_ref()).collect();
    vec![
        heard.started.as_str().into(),
        about.script.as_str().into(),
        digest.into(),
        env!("CARGO_PKG_VERSION").into(),
        head.serial.as_str().into(),
        head.model.as_str().into(),
        head.simulated.into(),
        // A seed may be larger than any whole number of a store.
        head.simulated.then(|| about.seed.to_string()).into(),
        json!(about.faults).to_string().into(),
        about.operator.as_deref().into(),
        verdict.text().to_lowercase().into(),
        i64::from(verdict.exit_code()).into(),
        finished.failure.as_ref().map(|failure| failure.message.as_str()).into(),
        json!(unreached).to_string().into(),
        finished.took.into(),
        json!(finished.provoked).to_string().into(),
    ]
}

/// The row of a check, behind its run and place.
fn check_row(time: f64, check: &CheckEvent) -> Vec<Value> {
    let measured = check.measured.as_ref();
    let (value, unit, shown_unit) = match measured.and_then(|m| quantity(&m.value)) {
        Some((value, unit, shown)) => (value.into(), unit.into(), shown.into()),
        None => (Value::Nothing, Value::Nothing, Value::Nothing),
    };
    let sure = measured.filter(|m| m.uncertainty.is_some());
    let limit = |of: fn(&Measured) -> Option<&CheckBound>| measured.and_then(of);
    let (low, high) = (limit(|m| m.low.as_ref()), limit(|m| m.high.as_ref()));
    vec![
        time.into(),
        check.label.as_str().into(),
        check.text.as_ref().into(),
        value,
        unit,
        shown_unit,
        sure.and_then(|m| si(m.uncertainty.as_ref()?)).into(),
        sure.map(|m| m.coverage).into(),
        sure.map(|m| m.rule.text()).into(),
        low.and_then(|low| si(&low.at)).into(),
        low.map(|low| low.closed).into(),
        high.and_then(|high| si(&high.at)).into(),
        high.map(|high| high.closed).into(),
        measured.and_then(|m| si(m.margin.as_ref()?)).into(),
        measured.and_then(|m| m.probability).into(),
        check.outcome.text().into(),
    ]
}

fn si(shown: &Shown) -> Option<f64> {
    quantity(shown).map(|(value, ..)| value)
}
