//! An archive in an SQLite file: opening it for writing or reading, and migrating it.

use crate::archive::schema::{STEPS, State, version_of};
use crate::archive::sql::{LOCK_TIMEOUT, Lost, Purpose, Row, Store, Value};
use crate::archive::trouble::{Trouble, busy};
use crate::error::{Error, invalid};
use rusqlite::types::{ToSqlOutput, ValueRef};
use rusqlite::{Connection, Error as SqlError, OpenFlags, ToSql, TransactionBehavior};
use std::borrow::Cow;
use std::path::{Path, PathBuf};
use std::thread::sleep;
use std::time::{Duration, Instant};

/// Tells an archive from other databases: "SpnT" in ASCII.
const APPLICATION: i32 = 0x5370_6e54;

/// An open file.
pub(crate) struct File {
    path: PathBuf,
    archive: Connection,
}

impl File {
    pub(crate) fn open_to_write(path: &Path) -> Result<File, Error> {
        let name = path.display();
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
        if let Some(folder) = folder.filter(|folder| !folder.is_dir()) {
            return Err(invalid!(
                "the archive {name} cannot be made: there is no folder {}; make it first",
                folder.display()
            ));
        }
        is_file(path)?;
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
            | OpenFlags::SQLITE_OPEN_CREATE
            | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let open = || {
            let mut archive = Connection::open_with_flags(path, flags)?;
            prepare(&mut archive, STEPS)?;
            Ok(archive)
        };
        let archive = open().map_err(|trouble| told(path, &trouble))?;
        Ok(File { path: path.to_path_buf(), archive })
    }

    pub(crate) fn open_to_read(path: &Path) -> Result<File, Error> {
        let (version, file) = File::open_as_it_is(path, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
        if version < version_of(STEPS) {
            // Only a writer may migrate it.
            drop(file);
            return File::open_to_write(path);
        }
        Ok(file)
    }

    /// Takes the steps to the newest schema, or only tries them. Gives the version before.
    pub(crate) fn upgrade(path: &Path, keep: bool) -> Result<i64, Error> {
        let (_, mut file) = File::open_as_it_is(path, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
        step_up(&mut file.archive, STEPS, keep).map_err(|trouble| told(path, &trouble))
    }

    /// Opens an archive of any version up to the newest; gives the version.
    fn open_as_it_is(path: &Path, access: OpenFlags) -> Result<(i64, File), Error> {
        if !path.exists() {
            return Err(invalid!(
                "there is no archive {}: `spintrue run SCRIPT --archive FILE` makes one",
                path.display()
            ));
        }
        is_file(path)?;
        let open = || {
            let archive =
                Connection::open_with_flags(path, access | OpenFlags::SQLITE_OPEN_NO_MUTEX)?;
            archive.busy_timeout(LOCK_TIMEOUT)?;
            match state(&archive)? {
                State::Empty => Err(Trouble::Foreign(None)),
                state => Ok((state.steps_done(version_of(STEPS))?, archive)),
            }
        };
        let (version, archive) = open().map_err(|trouble| told(path, &trouble))?;
        Ok((version, File { path: path.to_path_buf(), archive }))
    }

    fn run(&self, statement: &str) -> Result<(), Error> {
        self.archive.execute_batch(statement).map_err(|error| told(&self.path, &error.into()))
    }
}

impl Store for File {
    fn begin(&mut self, purpose: Purpose) -> Result<(), Error> {
        self.run(if purpose == Purpose::Read { "BEGIN" } else { "BEGIN IMMEDIATE" })
    }

    fn commit(&mut self) -> Result<(), Lost> {
        self.run("COMMIT").map_err(Lost::Whole)
    }

    fn roll_back(&mut self) -> Result<(), Error> {
        self.run("ROLLBACK")
    }

    fn query(
        &mut self,
        statement: &str,
        values: &[Value],
        each: &mut dyn FnMut(&dyn Row),
    ) -> Result<(), Error> {
        let mut query = || {
            let mut query = self.archive.prepare_cached(statement)?;
            let mut rows = query.query(rusqlite::params_from_iter(values))?;
            while let Some(row) = rows.next()? {
                each(row);
            }
            Ok(())
        };
        query().map_err(|error: SqlError| told(&self.path, &error.into()))
    }
}

impl Row for rusqlite::Row<'_> {
    fn value(&self, at: usize) -> Value {
        match self.get_ref(at) {
            Ok(ValueRef::Integer(number)) => Value::Whole(number),
            Ok(ValueRef::Real(number)) => Value::Real(number),
            Ok(ValueRef::Text(text)) => Value::Text(String::from_utf8_lossy(text).into_owned()),
            _ => Value::Nothing,
        }
    }

    fn text(&self, at: usize) -> Cow<'_, str> {
        match self.get_ref(at) {
            Ok(ValueRef::Text(text)) => String::from_utf8_lossy(text),
            _ => Cow::Borrowed(""),
        }
    }
}

impl ToSql for Value {
    fn to_sql(&self) -> Result<ToSqlOutput<'_>, SqlError> {
        Ok(ToSqlOutput::Borrowed(match self {
            Value::Nothing => ValueRef::Null,
            Value::Whole(number) => ValueRef::Integer(*number),
            Value::Real(number) => ValueRef::Real(*number),
            Value::Text(text) => ValueRef::Text(text.as_bytes()),
        }))
    }
}

fn is_file(path: &Path) -> Result<(), Error> {
    if path.is_dir() {
        return Err(invalid!("{} is a folder: name a file for the archive", path.display()));
    }
    Ok(())
}

/// What a file holds.
fn state(archive: &Connection) -> Result<State, SqlError> {
    let number = |sql: &str| archive.query_row(sql, [], |row| row.get::<_, i64>(0));
    let version = number("PRAGMA user_version")?;
    if number("PRAGMA application_id")? == i64::from(APPLICATION) && version > 0 {
        return Ok(State::Version(version));
    }
    let things = number("SELECT count(*) FROM sqlite_schema")?;
    Ok(if things == 0 && version == 0 { State::Empty } else { State::Foreign(None) })
}

/// Takes the steps to the newest schema, or rolls them back again. Gives the version before.
fn step_up(archive: &mut Connection, steps: &[&str], keep: bool) -> Result<i64, Trouble> {
    archive.busy_timeout(LOCK_TIMEOUT)?;
    let transaction = archive.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let newest = version_of(steps);
    // Inside the transaction, since another program may have migrated it meanwhile.
    let version = state(&transaction)?.steps_done(newest)?;
    for step in steps.iter().skip(version as usize) {
        transaction.execute_batch(step)?;
    }
    if version < newest {
        transaction.pragma_update(None, "application_id", APPLICATION)?;
        transaction.pragma_update(None, "user_version", newest)?;
    }
    if keep {
        transaction.commit()?;
    } else {
        transaction.rollback()?;
    }
    Ok(version)
}

/// Migrates an archive to the newest schema, and lets several programs share it.
fn prepare(archive: &mut Connection, steps: &[&str]) -> Result<(), Trouble> {
    step_up(archive, steps, true)?;
    share(archive)?;
    // A run that was reported as stored survives a power cut.
    archive.pragma_update(None, "synchronous", "FULL")?;
    archive.pragma_update(None, "foreign_keys", true)?;
    Ok(())
}

/// Turns on the write-ahead log, with which readers never wait. SQLite itself does not wait for others
/// that do so at the same moment.
fn share(archive: &Connection) -> Result<(), Trouble> {
    let since = Instant::now();
    loop {
        let mode =
            archive.query_row("PRAGMA journal_mode = WAL", [], |row| row.get::<_, String>(0));
        match mode {
            Ok(mode) if mode == "wal" => return Ok(()),
            Ok(_) => return Err(Trouble::NotShared),
            Err(error) if busy(&error) && since.elapsed() < LOCK_TIMEOUT => {
                sleep(Duration::from_millis(10));
            }
            Err(error) => return Err(error.into()),
        }
    }
}

fn told(path: &Path, trouble: &Trouble) -> Error {
    trouble.told(&path.display().to_string(), "", "")
}

#[cfg(test)]
mod tests {
    use super::{STEPS, Trouble, prepare};
    use rusqlite::Connection;

    fn version(archive: &Connection) -> i64 {
        archive.query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap()
    }

    /// A file on the disk: nothing in memory is shared by a write-ahead log.
    fn file(name: &str) -> (std::path::PathBuf, Connection) {
        let name = format!("spintrue-schema-{name}-{}.sqlite", std::process::id());
        let path = std::env::temp_dir().join(name);
        let _ = std::fs::remove_file(&path);
        let archive = Connection::open(&path).unwrap();
        (path, archive)
    }

    /// From each version there was to the newest.
    #[test]
    fn further_steps_keep_what_is_stored() {
        for old in 1..STEPS.len() {
            let (path, mut archive) = file(&format!("step-{old}"));
            prepare(&mut archive, &STEPS[..old]).unwrap();
            let run =
                "INSERT INTO runs (started, script, digest, version, serial, model, simulated,
                faults, verdict, exit_code, not_reached, took) VALUES ('2026-01-02T03:04:05.000Z',
                's', 'd', 'v', 'n', 'm', 1, '[]', 'passed', 0, '[]', 1.5)";
            archive.execute(run, []).unwrap();
            prepare(&mut archive, STEPS).unwrap();
            assert_eq!(version(&archive), STEPS.len() as i64);
            let kept: (f64, Option<String>) = archive
                .query_row("SELECT took, operator FROM runs", [], |row| {
                    Ok((row.get(0)?, row.get(1)?))
                })
                .unwrap();
            assert_eq!(kept, (1.5, None));
            // A program that knows only the first steps leaves it alone.
            assert!(matches!(prepare(&mut archive, &STEPS[..old]), Err(Trouble::Newer(_))));
            drop(archive);
            let _ = std::fs::remove_file(path);
        }
    }

    #[test]
    fn a_step_that_fails_changes_nothing() {
        let (path, mut archive) = file("failing");
        prepare(&mut archive, STEPS).unwrap();
        let more =
            [STEPS, &["ALTER TABLE runs ADD COLUMN shift TEXT; DROP TABLE nothing"]].concat();
        assert!(prepare(&mut archive, &more).is_err());
        assert_eq!(version(&archive), STEPS.len() as i64);
        assert!(archive.prepare("SELECT shift FROM runs").is_err());
        drop(archive);
        let _ = std::fs::remove_file(path);
    }
}
