//! Errors of archives, with the way out.

use crate::archive::schema::{STEPS, version_of};
use crate::archive::sql::LOCK_TIMEOUT;
use crate::error::{Error, invalid};
use rusqlite::{Error as SqlError, ErrorCode};
use std::time::Duration;

/// What went wrong.
#[derive(Debug)]
pub(crate) enum Trouble {
    File(SqlError),
    #[cfg(feature = "postgres")]
    Server(tokio_postgres::Error),
    /// No answer for this long.
    Silent(Duration),
    Newer(i64),
    /// Something else is there: on a server, a table of this name that belongs to no archive.
    Foreign(Option<&'static str>),
    /// The file system does not let several programs share the file.
    NotShared,
    /// There is no archive on a server.
    Missing,
    /// Of this machine.
    Own(String),
}

impl From<SqlError> for Trouble {
    fn from(error: SqlError) -> Self {
        Trouble::File(error)
    }
}

impl Trouble {
    /// Whether the server reported it and goes on: an unconfirmed commit then stored nothing.
    pub(crate) fn is_reported(&self) -> bool {
        match self {
            #[cfg(feature = "postgres")]
            Trouble::Server(error) => error.as_db_error().is_some_and(|said| {
                // Such as a shutdown of the server, which may come after the commit.
                !matches!(said.severity(), "FATAL" | "PANIC")
            }),
            _ => false,
        }
    }
}

impl Trouble {
    /// The error with the way out, for an archive of this name; on a server, of this user and in this
    /// database.
    #[cfg_attr(not(feature = "postgres"), allow(unused_variables))]
    pub(crate) fn told(&self, name: &str, user: &str, database: &str) -> Error {
        match self {
            Trouble::File(error) => by_file(name, error),
            #[cfg(feature = "postgres")]
            Trouble::Server(error) => by_server(name, user, database, error),
            Trouble::Silent(limit) => invalid!(
                "the archive {name} has not answered for {} s: see that its server and the network \
                 are well, or name another archive",
                limit.as_secs()
            ),
            Trouble::Newer(version) => invalid!(
                "the archive {name} has schema version {version}, and this spintrue knows up to {}: \
                 use a newer spintrue, or another archive",
                version_of(STEPS)
            ),
            Trouble::Foreign(None) => invalid!(
                "{name} is a database of something else, not an archive: name another file"
            ),
            Trouble::Foreign(Some(table)) => invalid!(
                "{name} has a table `{table}` of something else: name another database, or a schema \
                 of its own with ?options=-csearch_path=NAME"
            ),
            Trouble::NotShared => invalid!(
                "the archive {name} cannot be shared where it lies: put it on a disk of this machine"
            ),
            Trouble::Missing => invalid!(
                "there is no archive in {name}: `spintrue run SCRIPT --archive` with this address \
                 makes one"
            ),
            Trouble::Own(why) => invalid!("the archive {name} cannot be reached: {why}"),
        }
    }
}

/// Whether another program has locked a file.
pub(crate) fn busy(error: &SqlError) -> bool {
    matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked))
}

fn by_file(name: &str, error: &SqlError) -> Error {
    if busy(error) {
        return invalid!(
            "the archive {name} has been locked by another program for {} s: close that program, \
             or name another file",
            LOCK_TIMEOUT.as_secs()
        );
    }
    let way = match error.sqlite_error_code() {
        Some(ErrorCode::NotADatabase) => {
            return invalid!("{name} is not an archive (no SQLite database): name another file");
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
    invalid!("the archive {name} cannot be used ({error}): {way}")
}

/// The way out of what a server reports, by its code in appendix A of the manual of PostgreSQL.
#[cfg(feature = "postgres")]
const SERVER_WAYS: &str = include_str!("server_ways.txt");

#[cfg(feature = "postgres")]
fn by_server(name: &str, user: &str, database: &str, error: &tokio_postgres::Error) -> Error {
    use spintrue_head::visible_line;
    use std::error::Error as _;
    let Some(said) = error.as_db_error() else {
        let mut why = error.to_string();
        let mut cause = error.source();
        while let Some(deeper) = cause {
            why = format!("{why}: {deeper}");
            cause = deeper.source();
        }
        let way = if why.contains("password missing") {
            "give the password in the environment, in PGPASSWORD"
        } else if why.contains("does not support TLS") {
            "have the server encrypt (`ssl = on`), or go through a tunnel; on a network that you trust, \
             `?sslmode=disable` does without"
        } else if why.contains("certificate") {
            "name the host as its certificate does, and the authority's certificate by \
             `?sslrootcert=FILE`"
        } else {
            "see that its server runs and that host and port are right, or name another archive"
        };
        return invalid!("the archive {name} cannot be reached ({why}): {way}");
    };
    let code = said.code().code();
    if ["40P01", "55P03"].contains(&code) {
        return invalid!(
            "the archive {name} has been locked by another program for {} s: end what holds it, or \
             name another archive",
            LOCK_TIMEOUT.as_secs()
        );
    }
    let known = SERVER_WAYS.lines().find_map(|line| line.strip_prefix(code)?.strip_prefix(' '));
    let way = known.unwrap_or("see that its server is well, or name another archive");
    let way = way.replace("{user}", user).replace("{database}", database);
    invalid!("the archive {name} cannot be used ({}): {way}", visible_line(said.message()))
}
