//! What is kept of a run, and how it gets into an archive: in one transaction, or not at all.

use crate::cli::history::schema::{open_to_write, trouble};
use crate::cli::run::About;
use crate::interpret::{Bound, Check, Event, Measured, Observer};
use crate::program::show::Shown;
use crate::session::Finished;
use crate::units::{parse_unit, suited};
use jiff::Timestamp;
use rusqlite::{Connection, Error, Transaction, TransactionBehavior, params};
use serde_json::json;
use std::path::{Path, PathBuf};

/// What is kept of a run while it goes on.
pub(in crate::cli) struct Heard {
    started: String,
    checks: Vec<(f64, Check)>,
    quantities: Vec<Quantity>,
}

/// A recorded quantity, with the head time at which it was.
struct Quantity {
    time: f64,
    label: String,
    value: f64,
    unit: String,
    shown_unit: String,
}

/// Passes on what a script says; where an archive is to have it, keeps checks and quantities.
pub(in crate::cli) struct Keeper<'a> {
    inner: &'a mut dyn Observer,
    heard: Heard,
    keeping: bool,
}

impl<'a> Keeper<'a> {
    pub(in crate::cli) fn new(inner: &'a mut dyn Observer, keeping: bool) -> Self {
        let started = moment(Timestamp::now());
        let heard = Heard { started, checks: Vec::new(), quantities: Vec::new() };
        Keeper { inner, heard, keeping }
    }

    pub(in crate::cli) fn heard(self) -> Heard {
        self.heard
    }
}

impl Observer for Keeper<'_> {
    fn event(&mut self, time: f64, event: Event) {
        match &event {
            Event::Check(check) if self.keeping => {
                self.heard.checks.push((time, (**check).clone()));
            }
            Event::Recorded { label, shown, .. } if self.keeping => {
                if let Some((value, unit, shown_unit)) = quantity(shown) {
                    let (label, unit) = (label.clone(), unit.to_string());
                    let quantity = Quantity { time, label, value, unit, shown_unit };
                    self.heard.quantities.push(quantity);
                }
            }
            _ => {}
        }
        self.inner.event(time, event);
    }
}

/// A time as the archive writes it, so that order by text is order in time.
pub(super) fn moment(at: Timestamp) -> String {
    format!("{at:.3}")
}

/// Value and unit in SI, and the unit that people are shown.
fn quantity(shown: &Shown) -> Option<(f64, &str, String)> {
    let Shown::Quantity { value, unit, asked, .. } = shown else { return None };
    let usual = || {
        let dimension = parse_unit(unit).ok()?.dimension;
        Some(suited(*value, dimension)?.text)
    };
    let shown = match asked {
        Some(asked) => Some(asked.text.clone()),
        None => usual(),
    };
    Some((*value, unit, shown.unwrap_or_else(|| unit.clone())))
}

/// An archive that proved usable before anything moved.
pub(in crate::cli) struct Archive {
    path: PathBuf,
    file: Connection,
}

impl Archive {
    /// Opens an archive, and tries a run in it that it then takes back.
    pub(in crate::cli) fn open(path: &Path) -> Result<Archive, String> {
        let mut archive = Archive { path: path.to_path_buf(), file: open_to_write(path)? };
        archive.tried().map_err(|error| trouble(path, &error))?;
        Ok(archive)
    }

    fn tried(&mut self) -> Result<(), Error> {
        let transaction = self.file.transaction_with_behavior(TransactionBehavior::Immediate)?;
        for table in ["runs", "params", "checks", "quantities"] {
            // The last row lies where the next would be written.
            let last = format!("SELECT * FROM {table} ORDER BY 1 DESC LIMIT 1");
            transaction.prepare(&last)?.query([])?.next()?;
        }
        transaction.execute(
            RUN,
            params![
                "",
                "",
                "",
                "",
                "",
                "",
                false,
                None::<String>,
                "[]",
                "",
                0,
                None::<String>,
                "[]",
                0.0
            ],
        )?;
        transaction.rollback()
    }

    /// Stores a run; `digest` is that of the script and what it uses.
    pub(in crate::cli) fn store(
        &mut self,
        about: &About<'_>,
        digest: &str,
        heard: &Heard,
        finished: &Finished,
    ) -> Result<(), String> {
        self.stored(about, digest, heard, finished).map_err(|error| {
            let why = trouble(&self.path, &error);
            format!("this run is not in the archive, whose other runs stay: {why}")
        })
    }

    fn stored(
        &mut self,
        about: &About<'_>,
        digest: &str,
        heard: &Heard,
        finished: &Finished,
    ) -> Result<(), Error> {
        let transaction = self.file.transaction_with_behavior(TransactionBehavior::Immediate)?;
        insert(&transaction, about, digest, heard, finished)?;
        transaction.commit()
    }
}

const RUN: &str = "INSERT INTO runs (started, script, digest, version, serial, model, simulated,
    seed, faults, verdict, exit_code, failure, not_reached, took)
    VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)";

const PARAM: &str = "INSERT INTO params (run, place, name, value) VALUES (?1, ?2, ?3, ?4)";

const CHECK: &str = "INSERT INTO checks (run, place, time, label, condition, value, unit,
    shown_unit, uncertainty, coverage, rule, low, low_conforms, high, high_conforms, margin,
    probability, outcome)
    VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18)";

const QUANTITY: &str = "INSERT INTO quantities (run, place, time, label, value, unit, shown_unit)
    VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";

fn insert(
    transaction: &Transaction<'_>,
    about: &About<'_>,
    digest: &str,
    heard: &Heard,
    finished: &Finished,
) -> Result<(), Error> {
    let head = about.head;
    let verdict = finished.verdict();
    let unreached: Vec<&str> = finished.unreached.iter().map(|c| c.label.as_ref()).collect();
    transaction.prepare(RUN)?.execute(params![
        heard.started,
        about.script,
        digest,
        env!("CARGO_PKG_VERSION"),
        head.serial,
        head.model,
        head.simulated,
        // A seed may be larger than any whole number of SQLite.
        head.simulated.then(|| about.seed.to_string()),
        json!(about.faults).to_string(),
        verdict.text().to_lowercase(),
        verdict.exit_code(),
        finished.failure.as_ref().map(|failure| &failure.message),
        json!(unreached).to_string(),
        finished.took,
    ])?;
    let run = transaction.last_insert_rowid();
    let mut insert = transaction.prepare(PARAM)?;
    for (place, (name, value)) in (0_i64..).zip(&about.params) {
        insert.execute(params![run, place, name, value])?;
    }
    let mut insert = transaction.prepare(CHECK)?;
    for (place, (time, check)) in (0_i64..).zip(&heard.checks) {
        let measured = check.measured.as_ref();
        let value = measured.and_then(|m| quantity(&m.value));
        let sure = measured.filter(|m| m.uncertainty.is_some());
        let limit = |of: fn(&Measured) -> Option<&Bound>| measured.and_then(of);
        let (low, high) = (limit(|m| m.low.as_ref()), limit(|m| m.high.as_ref()));
        insert.execute(params![
            run,
            place,
            time,
            check.label,
            check.text.as_ref(),
            value.as_ref().map(|(value, ..)| value),
            value.as_ref().map(|(_, unit, _)| unit),
            value.as_ref().map(|(.., shown)| shown),
            sure.and_then(|m| si(m.uncertainty.as_ref()?)),
            sure.map(|m| m.coverage),
            sure.map(|m| m.rule.text()),
            low.and_then(|low| si(&low.at)),
            low.map(|low| low.closed),
            high.and_then(|high| si(&high.at)),
            high.map(|high| high.closed),
            measured.and_then(|m| si(m.margin.as_ref()?)),
            measured.and_then(|m| m.probability),
            check.outcome.text(),
        ])?;
    }
    let mut insert = transaction.prepare(QUANTITY)?;
    for (place, quantity) in (0_i64..).zip(&heard.quantities) {
        let Quantity { time, label, value, unit, shown_unit } = quantity;
        insert.execute(params![run, place, time, label, value, unit, shown_unit])?;
    }
    Ok(())
}

fn si(shown: &Shown) -> Option<f64> {
    quantity(shown).map(|(value, ..)| value)
}

#[cfg(test)]
mod tests {
    use super::{Archive, Keeper};
    use crate::cli::address;
    use crate::cli::files::Disk;
    use crate::cli::run::About;
    use crate::head::station::Station;
    use crate::interpret::{Event, Observer};
    use crate::session::{self, prepare};
    use std::time::Instant;

    struct Deaf;

    impl Observer for Deaf {
        fn event(&mut self, _: f64, _: Event) {}
    }

    /// A measurement, not a check: how many runs a second one core stores, each in a transaction
    /// of its own. `cargo test --release --lib -- --ignored --nocapture how_fast`
    #[test]
    #[ignore = "a measurement"]
    fn how_fast_runs_are_stored() {
        const RUNS: u32 = 2000;
        let prepared = prepare(&mut Disk, "scripts/bring_up.spt", &[]).unwrap();
        let program = prepared.program.as_ref().unwrap();
        let opened = address::open("sim", None).unwrap();
        let stop = std::sync::Arc::default();
        let mut station = Station::open(opened.head, opened.gauge, stop).unwrap();
        let head = station.description().clone();
        let mut deaf = Deaf;
        let mut keeper = Keeper::new(&mut deaf, true);
        let finished = session::run(program, &prepared.sources, &mut station, &mut keeper);
        let heard = keeper.heard();
        assert_eq!((heard.checks.len(), heard.quantities.len()), (7, 4));
        let script = "scripts/bring_up.spt";
        let params: Vec<(String, String)> =
            program.params.iter().map(|p| (p.name.to_string(), p.text.clone())).collect();
        let about = About {
            script,
            head: &head,
            seed: 1,
            faults: Vec::new(),
            params,
            at_most: None,
            replay: false,
        };
        let folder = std::env::temp_dir().join(format!("spintrue-speed-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let mut archive = Archive::open(&folder.join("archive.sqlite")).unwrap();
        let since = Instant::now();
        for _ in 0..RUNS {
            archive.store(&about, "digest", &heard, &finished).unwrap();
        }
        let rate = f64::from(RUNS) / since.elapsed().as_secs_f64();
        println!("{rate:.0} runs a second");
        let count = archive.file.query_row("SELECT count(*) FROM runs", [], |row| row.get(0));
        assert_eq!(count, Ok(RUNS));
        drop(archive);
        let _ = std::fs::remove_dir_all(folder);
    }
}
