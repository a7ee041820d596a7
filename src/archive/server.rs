//! An archive on a PostgreSQL server: every call has a time limit here and on the server, so that
//! neither a lock nor a silent network holds a station up.

use crate::archive::address::{Address, CONNECTING};
use crate::archive::schema::{STEPS, TABLES, for_server, newer, version_of};
use crate::archive::sql::{LOCK_TIMEOUT, Lost, Purpose, Row, Store, Table, Value, insertion};
use crate::archive::trouble::{Trouble, told};
use crate::error::{Error, invalid};
use std::future::Future;
use std::time::Duration;
use tokio::runtime::{Builder, Runtime};
use tokio::time::timeout;
use tokio_postgres::types::{ToSql, Type};
use tokio_postgres::{Client, NoTls};

/// Most parameters of one statement; PostgreSQL takes 65,535.
const MAX_PARAMETERS: usize = 10_000;

/// Held while the schema is made or changed: "SpnT" in ASCII, as an SQLite file has it.
const MIGRATION: i64 = 0x5370_6e54;

/// What a statement may take when a run is stored, and when runs are read.
const WRITING: Duration = Duration::from_secs(10);
const READING: Duration = Duration::from_secs(120);

/// What the server's own limits have before a silent server is given up.
const MARGIN: Duration = Duration::from_secs(5);

/// Has the version of the schema.
const VERSION: &str = "spintrue_archive";

/// A server, and the connection to it while there is one.
pub(crate) struct Server {
    address: Address,
    line: Option<Line>,
}

/// A connection: one thread does everything, while it waits for an answer.
struct Line {
    client: Client,
    limit: Duration,
    /// Behind the client, for it is to be dropped last.
    runtime: Background,
}

/// A runtime that waits for nothing at its end, such as the answer of a silent name server.
struct Background(Option<Runtime>);

impl Drop for Background {
    fn drop(&mut self) {
        if let Some(runtime) = self.0.take() {
            runtime.shutdown_background();
        }
    }
}

impl Line {
    fn open(address: &Address, purpose: Purpose) -> Result<Line, Trouble> {
        let limit = if purpose == Purpose::Read { READING } else { WRITING };
        let runtime = Builder::new_current_thread().enable_all().build();
        let runtime = runtime.map_err(|error| Trouble::Own(error.to_string()))?;
        let connected = runtime.block_on(async {
            // Several hosts are tried in turn.
            let hosts = address.config.get_hosts().len().max(1) as u32;
            let all = CONNECTING.saturating_mul(hosts).saturating_add(MARGIN);
            timeout(all, address.config.connect(NoTls)).await
        });
        let (client, connection) = match connected {
            Ok(connected) => connected.map_err(Trouble::Server)?,
            Err(_) => return Err(Trouble::Silent(CONNECTING)),
        };
        // How it ended is told to the call that waits for it.
        runtime.spawn(async { drop(connection.await) });
        let line = Line { client, limit, runtime: Background(Some(runtime)) };
        // Whoever reads holds nobody up, and may page through an export for long.
        let idle = if purpose == Purpose::Read { Duration::ZERO } else { WRITING };
        let limits = format!(
            "SET statement_timeout = {}; SET lock_timeout = {};
            SET idle_in_transaction_session_timeout = {}; SET client_min_messages = warning",
            limit.as_millis(),
            LOCK_TIMEOUT.as_millis(),
            idle.as_millis()
        );
        line.run(&limits)?;
        Ok(line)
    }

    fn wait<T>(
        &self,
        answer: impl Future<Output = Result<T, tokio_postgres::Error>>,
    ) -> Result<T, Trouble> {
        let Some(runtime) = &self.runtime.0 else { return Err(Trouble::Silent(MARGIN)) };
        let limit = self.limit.saturating_add(MARGIN);
        match runtime.block_on(async { timeout(limit, answer).await }) {
            Ok(answer) => answer.map_err(Trouble::Server),
            Err(_) => Err(Trouble::Silent(limit)),
        }
    }

    fn run(&self, statements: &str) -> Result<(), Trouble> {
        self.wait(self.client.batch_execute(statements))
    }

    /// The one number that a statement finds; none where it is NULL.
    fn number(&self, statement: &str) -> Result<Option<i64>, Trouble> {
        let row = self.wait(self.client.query_one(statement, &[]))?;
        row.try_get(0).map_err(Trouble::Server)
    }

    /// What a database holds where its search path leads.
    fn state(&self) -> Result<State, Trouble> {
        let there = |name: &str| self.number(&format!("SELECT count(to_regclass('{name}'))"));
        if there(VERSION)? == Some(1) {
            let version = self.number(&format!("SELECT max(version) FROM {VERSION}"))?;
            return Ok(State::Version(version.unwrap_or(0)));
        }
        for table in TABLES {
            if there(table)? == Some(1) {
                return Ok(State::Foreign(table));
            }
        }
        Ok(State::Empty)
    }

    /// Brings the schema up to date; one station does it, while the others wait. Where that fails,
    /// the line is given up, and the server takes it all back.
    fn prepare(&self, steps: &[&str]) -> Result<(), Trouble> {
        let newest = version_of(steps);
        if matches!(self.state()?, State::Version(version) if version == newest) {
            return Ok(());
        }
        // Outside of the transaction, which then sees what another station did a moment ago.
        self.run(&format!("SELECT pg_advisory_lock({MIGRATION})"))?;
        self.run("BEGIN")?;
        let version = match self.state()? {
            State::Empty => {
                self.run(&format!(
                    "CREATE TABLE {VERSION} (version BIGINT NOT NULL);
                    INSERT INTO {VERSION} VALUES (0)"
                ))?;
                0
            }
            State::Version(version) if version > newest => return Err(Trouble::Newer(version)),
            State::Version(version) => version,
            State::Foreign(table) => return Err(Trouble::Foreign(table)),
        };
        for step in steps.iter().skip(usize::try_from(version).unwrap_or(0)) {
            self.run(&for_server(step))?;
        }
        self.run(&format!("UPDATE {VERSION} SET version = {newest}; COMMIT"))?;
        self.run(&format!("SELECT pg_advisory_unlock({MIGRATION})"))
    }
}

enum State {
    Empty,
    Version(i64),
    /// A table of this name is there, and no version.
    Foreign(&'static str),
}

impl Server {
    pub(crate) fn open_to_write(address: Address) -> Result<Server, Error> {
        let opened = Line::open(&address, Purpose::Write);
        let ready = opened.and_then(|line| {
            line.prepare(STEPS)?;
            Ok(line)
        });
        let line = ready.map_err(|trouble| told(&address, &trouble))?;
        Ok(Server { address, line: Some(line) })
    }

    pub(crate) fn open_to_read(address: Address) -> Result<Server, Error> {
        let opened = Line::open(&address, Purpose::Read);
        let seen = opened.and_then(|line| Ok((line.state()?, line)));
        let (state, line) = seen.map_err(|trouble| told(&address, &trouble))?;
        match state {
            State::Empty => Err(invalid!(
                "there is no archive in {}: `spintrue run SCRIPT --archive` with this address makes one",
                address.name
            )),
            State::Foreign(table) => Err(told(&address, &Trouble::Foreign(table))),
            State::Version(version) if version > version_of(STEPS) => {
                Err(newer(&address.name, version))
            }
            State::Version(version) if version < version_of(STEPS) => {
                let brought = line.prepare(STEPS);
                brought.map_err(|trouble| told(&address, &trouble))?;
                Ok(Server { address, line: Some(line) })
            }
            State::Version(_) => Ok(Server { address, line: Some(line) }),
        }
    }

    fn told(&self, trouble: &Trouble) -> Error {
        told(&self.address, trouble)
    }

    /// Has the line do something. One that fell silent is given up: the server takes back what was
    /// not kept.
    fn done<T>(&mut self, call: impl FnOnce(&Line) -> Result<T, Trouble>) -> Result<T, Trouble> {
        let Some(line) = &self.line else { return Err(Trouble::Silent(MARGIN)) };
        let done = call(line);
        if matches!(done, Err(Trouble::Silent(_))) {
            self.line = None;
        }
        done
    }

    fn run(&mut self, statement: &str) -> Result<(), Error> {
        self.done(|line| line.run(statement)).map_err(|trouble| self.told(&trouble))
    }
}

impl Store for Server {
    fn begin(&mut self, purpose: Purpose) -> Result<(), Error> {
        if self.line.is_none() {
            let line = Line::open(&self.address, purpose);
            self.line = Some(line.map_err(|trouble| self.told(&trouble))?);
        }
        self.run(match purpose {
            Purpose::Read => "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY",
            Purpose::Write => "BEGIN",
        })
    }

    fn keep(&mut self) -> Result<(), Lost> {
        self.done(|line| line.run("COMMIT")).map_err(|trouble| match trouble.answered() {
            true => Lost::Whole(self.told(&trouble)),
            false => Lost::Unknown(self.told(&trouble)),
        })
    }

    fn take_back(&mut self) -> Result<(), Error> {
        self.run("ROLLBACK")
    }

    fn add(&mut self, table: &Table<'_>, rows: &[Vec<Value<'_>>]) -> Result<(), Error> {
        for rows in rows.chunks(MAX_PARAMETERS / rows.first().map_or(1, Vec::len)) {
            let (statement, values) = insertion(table, rows);
            let values: Vec<_> = values.iter().filter_map(bound).collect();
            let added = self.done(|line| line.wait(line.client.execute(&statement, &values)));
            added.map_err(|trouble| self.told(&trouble))?;
        }
        Ok(())
    }

    fn query(
        &mut self,
        statement: &str,
        values: &[Value<'_>],
        each: &mut dyn FnMut(&dyn Row),
    ) -> Result<(), Error> {
        let values: Vec<_> = values.iter().filter_map(bound).collect();
        let rows = self.done(|line| line.wait(line.client.query(statement, &values)));
        for row in rows.map_err(|trouble| self.told(&trouble))? {
            each(&row);
        }
        Ok(())
    }

    /// A run may take hours, and no server or network needs to keep a line open for so long.
    fn rest(&mut self) {
        self.line = None;
    }
}

impl Row for tokio_postgres::Row {
    fn value(&self, at: usize) -> Value<'_> {
        let Some(column) = self.columns().get(at) else { return Value::Nothing };
        match *column.type_() {
            Type::INT8 => self.try_get::<_, Option<i64>>(at).ok().flatten().into(),
            Type::FLOAT8 => self.try_get::<_, Option<f64>>(at).ok().flatten().into(),
            _ => self.try_get::<_, Option<&str>>(at).ok().flatten().into(),
        }
    }
}

/// A value as a parameter; none of nothing, which has no type.
fn bound<'a>(value: &'a Value<'_>) -> Option<&'a (dyn ToSql + Sync)> {
    match value {
        Value::Nothing => None,
        Value::Whole(number) => Some(number),
        Value::Real(number) => Some(number),
        Value::Text(text) => Some(text),
    }
}
