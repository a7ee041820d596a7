//! Stores a run in an archive: in one transaction, or not at all.

use crate::archive::chain::{CHAIN, Kind, append, of_run};
use crate::archive::open::{open, open_to_read};
use crate::archive::rows::{PARTS, RUNS, Rows, Stored, check_row, stored};
use crate::archive::sql::{Lost, Purpose, Store, Table, Value, insertion};
use crate::error::{Error, invalid};
use jiff::Timestamp;
use spintrue_head::{parse_unit, suited_unit};
use spintrue_language::{Event, Observer, Shown};
use std::path::Path;

/// What is kept of a run in progress. Its rows begin behind the run and their place in it.
pub(crate) struct Heard {
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
        let heard = Heard { checks: Vec::new(), quantities: Vec::new() };
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

/// Day and minute of a time, for people.
pub(crate) fn day_and_minute(moment: &str) -> String {
    moment.chars().take(16).map(|c| if c == 'T' { ' ' } else { c }).collect()
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
                "place" | "simulated" | "exit_code" | "subject" => Value::from(0_i64),
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

    /// Verdicts of earlier runs of a script on a head, real or simulated, in the order in which they were stored:
    /// a clock may step back.
    pub(crate) fn earlier(
        &mut self,
        serial: &str,
        script: &str,
        simulated: bool,
    ) -> Result<Vec<String>, Error> {
        self.store.begin(Purpose::Read)?;
        let asked = "SELECT verdict FROM runs WHERE serial = $1 AND script = $2 AND simulated = $3 \
            ORDER BY id";
        let mut verdicts = Vec::new();
        let values = [serial.into(), script.into(), simulated.into()];
        self.store.query(asked, &values, &mut |row| verdicts.push(row.value(0).text()))?;
        self.store.roll_back()?;
        self.store.close_connection();
        Ok(verdicts)
    }

    /// Stores a run, with the digest of its record where there is one.
    pub(crate) fn store(&mut self, rows: &Rows, record: Option<&str>) -> Result<(), Error> {
        let written = self.written(rows, record);
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

    fn written(&mut self, rows: &Rows, record: Option<&str>) -> Result<(), Error> {
        self.store.begin(Purpose::Write)?;
        let columns = format!("{}, row_digest, record_digest", RUNS.columns);
        let mut row = rows.run.clone();
        let digest = rows.digest();
        row.extend([digest.as_str().into(), record.into()]);
        let (statement, values) = insertion(&Table { name: RUNS.name, columns: &columns }, &[row]);
        let mut number = 0;
        let statement = format!("{statement} RETURNING id");
        self.store.query(&statement, &values, &mut |row| number = row.value(0).whole())?;
        for (table, rows) in PARTS.iter().zip(&rows.parts) {
            let rows = (0_i64..).zip(rows).map(|(place, row)| {
                [Value::from(number), place.into()].iter().chain(row).cloned().collect()
            });
            self.store.add(table, &rows.collect::<Vec<_>>())?;
        }
        append(&mut *self.store, Kind::Run, number, &of_run(Some(&digest), record))
    }

    /// Hands over what each row of an archive says of its digests, oldest first.
    pub(crate) fn each_stored(place: &Path, each: &mut dyn FnMut(Stored)) -> Result<(), Error> {
        let mut store = open_to_read(place)?;
        let mut ids = Vec::new();
        store.query("SELECT id FROM runs ORDER BY id", &[], &mut |row| {
            ids.push(row.value(0).whole());
        })?;
        for ids in ids.chunks(CHUNK) {
            stored(&mut *store, ids)?.into_iter().for_each(&mut *each);
        }
        store.roll_back()
    }
}

/// Runs that are read at once.
pub(super) const CHUNK: usize = 200;

/// The row that is tried: every column that must not be NULL.
const TRIAL: [Table<'_>; 6] = [
    CHAIN,
    Table {
        name: "runs",
        columns: "id, started, script, digest, version, serial, model, simulated, faults, operator, \
            verdict, exit_code, not_reached",
    },
    Table { name: "identity", columns: "run, place, name, value" },
    Table { name: "params", columns: "run, place, name, value" },
    Table { name: "checks", columns: "run, place, time, label, condition, outcome" },
    Table { name: "quantities", columns: "run, place, time, label, unit, shown_unit" },
];
