//! The file of an archive: opening it for writing or reading, its schema and the steps from each
//! version to the next, and what is told where something is wrong with it.

use rusqlite::{Connection, Error, ErrorCode, OpenFlags, TransactionBehavior};
use std::path::Path;
use std::thread::sleep;
use std::time::{Duration, Instant};

/// How long another program may hold the file before it is given up.
const PATIENCE: Duration = Duration::from_secs(5);

/// Tells an archive from other databases: "SpnT" in ASCII.
const APPLICATION: i32 = 0x5370_6e54;

/// Step by step to the newest schema: the first makes version 1 of an empty file.
const STEPS: &[&str] = &[include_str!("schema.sql")];

/// The version that so many steps lead to.
fn version_of(steps: &[&str]) -> i64 {
    steps.len() as i64
}

/// Opens an archive to add runs to, and makes it where there is none.
pub(super) fn open_to_write(path: &Path) -> Result<Connection, String> {
    let name = path.display();
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    if let Some(folder) = folder.filter(|folder| !folder.is_dir()) {
        return Err(format!(
            "the archive {name} cannot be made: there is no folder {}; make it first",
            folder.display()
        ));
    }
    is_file(path)?;
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
        | OpenFlags::SQLITE_OPEN_CREATE
        | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut archive = Connection::open_with_flags(path, flags).map_err(|e| trouble(path, &e))?;
    prepare(&mut archive, STEPS).map_err(|wrong| match wrong {
        Wrong::File(error) => trouble(path, &error),
        wrong => refused(path, &wrong),
    })?;
    Ok(archive)
}

/// Opens an archive that is there, to read only.
pub(super) fn open_to_read(path: &Path) -> Result<Connection, String> {
    if !path.exists() {
        return Err(format!(
            "there is no archive {}: `spintrue run SCRIPT --archive FILE` makes one",
            path.display()
        ));
    }
    is_file(path)?;
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let open = || {
        let archive = Connection::open_with_flags(path, flags)?;
        archive.busy_timeout(PATIENCE)?;
        let state = state(&archive)?;
        Ok((archive, state))
    };
    let (archive, state) = open().map_err(|error| trouble(path, &error))?;
    match state {
        State::Version(version) if version == version_of(STEPS) => Ok(archive),
        State::Version(version) if version > version_of(STEPS) => {
            Err(refused(path, &Wrong::Newer(version)))
        }
        // Only a writer may bring it up to date.
        State::Version(_) => {
            drop(archive);
            open_to_write(path)
        }
        State::Empty | State::Foreign => Err(refused(path, &Wrong::Foreign)),
    }
}

fn is_file(path: &Path) -> Result<(), String> {
    if path.is_dir() {
        return Err(format!("{} is a folder: name a file for the archive", path.display()));
    }
    Ok(())
}

/// Why a file is not used as an archive.
#[derive(Debug)]
enum Wrong {
    File(Error),
    Newer(i64),
    Foreign,
    /// The file system does not let several programs share the file.
    NotShared,
}

impl From<Error> for Wrong {
    fn from(error: Error) -> Self {
        Wrong::File(error)
    }
}

enum State {
    Empty,
    Version(i64),
    Foreign,
}

/// What a file holds.
fn state(archive: &Connection) -> Result<State, Error> {
    let number = |sql: &str| archive.query_row(sql, [], |row| row.get::<_, i64>(0));
    let version = number("PRAGMA user_version")?;
    if number("PRAGMA application_id")? == i64::from(APPLICATION) && version > 0 {
        return Ok(State::Version(version));
    }
    let things = number("SELECT count(*) FROM sqlite_schema")?;
    Ok(if things == 0 && version == 0 { State::Empty } else { State::Foreign })
}

/// Brings an archive up to date, and has several programs share it.
fn prepare(archive: &mut Connection, steps: &[&str]) -> Result<(), Wrong> {
    archive.busy_timeout(PATIENCE)?;
    let transaction = archive.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let newest = version_of(steps);
    // Asked inside, for another program may have been here a moment ago.
    let version = match state(&transaction)? {
        State::Empty => 0,
        State::Version(version) if version > newest => return Err(Wrong::Newer(version)),
        State::Version(version) => version,
        State::Foreign => return Err(Wrong::Foreign),
    };
    for step in steps.iter().skip(version as usize) {
        transaction.execute_batch(step)?;
    }
    if version < newest {
        transaction.pragma_update(None, "application_id", APPLICATION)?;
        transaction.pragma_update(None, "user_version", newest)?;
    }
    transaction.commit()?;
    share(archive)?;
    // A run that was told as stored outlives a power cut.
    archive.pragma_update(None, "synchronous", "FULL")?;
    archive.pragma_update(None, "foreign_keys", true)?;
    Ok(())
}

/// Sets the write-ahead log, with which readers never wait. SQLite does not wait by itself for
/// others that do so at the same moment.
fn share(archive: &Connection) -> Result<(), Wrong> {
    let since = Instant::now();
    loop {
        let mode =
            archive.query_row("PRAGMA journal_mode = WAL", [], |row| row.get::<_, String>(0));
        match mode {
            Ok(mode) if mode == "wal" => return Ok(()),
            Ok(_) => return Err(Wrong::NotShared),
            Err(error) if busy(&error) && since.elapsed() < PATIENCE => {
                sleep(Duration::from_millis(10));
            }
            Err(error) => return Err(Wrong::File(error)),
        }
    }
}

fn busy(error: &Error) -> bool {
    matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked))
}

fn refused(path: &Path, wrong: &Wrong) -> String {
    let name = path.display();
    let newest = version_of(STEPS);
    match wrong {
        Wrong::File(error) => trouble(path, error),
        Wrong::Newer(version) => format!(
            "the archive {name} has schema version {version}, and this spintrue knows up to \
             {newest}: use a newer spintrue, or another file"
        ),
        Wrong::Foreign => {
            format!("{name} is a database of something else, not an archive: name another file")
        }
        Wrong::NotShared => format!(
            "the archive {name} cannot be shared where it lies: put it on a disk of this machine"
        ),
    }
}

/// What went wrong with the file, and a way out.
pub(super) fn trouble(path: &Path, error: &Error) -> String {
    let name = path.display();
    let way = match error.sqlite_error_code() {
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            return format!(
                "the archive {name} has been locked by another program for {} s: close that \
                 program, or name another file",
                PATIENCE.as_secs()
            );
        }
        Some(ErrorCode::NotADatabase) => {
            return format!("{name} is not an archive (no SQLite database): name another file");
        }
        Some(ErrorCode::DatabaseCorrupt) => {
            "it is damaged: put a copy of it back, or name another file"
        }
        Some(ErrorCode::CannotOpen | ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => {
            "see that the file and its folder may be written by you, or name another file"
        }
        Some(ErrorCode::DiskFull) => "the disk is full: make room, or name another file",
        _ => "put a copy of it back, or name another file",
    };
    format!("the archive {name} cannot be used ({error}): {way}")
}

#[cfg(test)]
mod tests {
    use super::{STEPS, Wrong, prepare};
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

    #[test]
    fn a_further_step_keeps_what_is_stored() {
        let (path, mut archive) = file("step");
        prepare(&mut archive, STEPS).unwrap();
        let run = "INSERT INTO runs VALUES (1, '2026-01-02T03:04:05.000Z', 's', 'd', 'v', 'n', 'm',
            1, '7', '[]', 'passed', 0, NULL, '[]', 1.5)";
        archive.execute(run, []).unwrap();
        let more = [STEPS, &["ALTER TABLE runs ADD COLUMN shift TEXT"]].concat();
        prepare(&mut archive, &more).unwrap();
        assert_eq!(version(&archive), STEPS.len() as i64 + 1);
        let kept: (f64, Option<String>) = archive
            .query_row("SELECT took, shift FROM runs", [], |row| Ok((row.get(0)?, row.get(1)?)))
            .unwrap();
        assert_eq!(kept, (1.5, None));
        // Whoever knows only the first steps leaves it alone.
        assert!(matches!(prepare(&mut archive, STEPS), Err(Wrong::Newer(_))));
        drop(archive);
        let _ = std::fs::remove_file(path);
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
