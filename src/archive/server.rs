//! An archive on a PostgreSQL server. Every call has a time limit here and on the server, so neither a
//! lock nor a silent network blocks a station.

use crate::archive::address::{Address, CONNECT_TIMEOUT};
use crate::archive::schema::{STEPS, State, TABLES, for_server, version_of};
use crate::archive::sql::{LOCK_TIMEOUT, Lost, Purpose, Row, Store, Value};
use crate::archive::trouble::Trouble;
use crate::error::Error;
use futures_util::TryStreamExt;
use std::borrow::Cow;
use std::future::Future;
use std::pin::pin;
use std::time::Duration;
use tokio::runtime::{Builder, Runtime};
use tokio::time::timeout;
use tokio_postgres::types::{ToSql, Type};
use tokio_postgres::{Client, NoTls};

/// Held while the schema is made or changed: "SpnT" in ASCII, as an SQLite file has it.
const MIGRATION: i64 = 0x5370_6e54;

/// Held by the one that writes until its transaction ends, so that entries of the chain follow each other.
const WRITING: i64 = MIGRATION + 1;

/// Time limits of a statement when a run is stored, and when runs are read.
const WRITE_TIMEOUT: Duration = Duration::from_secs(10);
const READ_TIMEOUT: Duration = Duration::from_secs(120);

/// Time limit of a step to a newer schema, which may make an index over many runs.
const MIGRATION_TIMEOUT: Duration = Duration::from_secs(600);

/// Time after the server's own limit until a silent server is given up.
const EXTRA_TIMEOUT: Duration = Duration::from_secs(5);

/// The table with the version of the schema.
const VERSION: &str = "spintrue_archive";

/// A server, and the connection to it while there is one.
pub(crate) struct Server {
    address: Address,
    link: Option<Link>,
}

/// A connection: one thread does everything, while it waits for an answer.
struct Link {
    client: Client,
    limit: Duration,
    /// After the client, since it must be dropped last.
    runtime: Background,
}

/// A runtime that does not wait at its end, such as for a silent name server.
struct Background(Option<Runtime>);

impl Drop for Background {
    fn drop(&mut self) {
        if let Some(runtime) = self.0.take() {
            runtime.shutdown_background();
        }
    }
}

impl Link {
    fn open(address: &Address, purpose: Purpose) -> Result<Link, Trouble> {
        let limit = if purpose == Purpose::Read { READ_TIMEOUT } else { WRITE_TIMEOUT };
        let runtime = Builder::new_current_thread().enable_all().build();
        let runtime = runtime.map_err(|error| Trouble::Own(error.to_string()))?;
        let tls = address.encryption.connector()?;
        let connected = runtime.block_on(async {
            // Hosts are tried one after the other.
            let hosts = address.config.get_hosts().len().max(1) as u32;
            let all = CONNECT_TIMEOUT.saturating_mul(hosts).saturating_add(EXTRA_TIMEOUT);
            let config = &address.config;
            timeout(all, async {
                Ok(match tls {
                    Some(tls) => {
                        let (client, connection) = config.connect(tls).await?;
                        // The call that waits for it gets its error.
                        tokio::spawn(async { drop(connection.await) });
                        client
                    }
                    None => {
                        let (client, connection) = config.connect(NoTls).await?;
                        tokio::spawn(async { drop(connection.await) });
                        client
                    }
                })
            })
            .await
        });
        let client = match connected {
            Ok(connected) => connected.map_err(Trouble::Server)?,
            Err(_) => return Err(Trouble::Silent(CONNECT_TIMEOUT)),
        };
        let mut link = Link { client, limit, runtime: Background(Some(runtime)) };
        // A reader blocks no one else, and may take long over an export.
        let idle = if purpose == Purpose::Read { Duration::ZERO } else { WRITE_TIMEOUT };
        link.limit_to(limit)?;
        link.run(&format!(
            "SET lock_timeout = {}; SET idle_in_transaction_session_timeout = {};
            SET client_min_messages = warning; SET jit = off",
            LOCK_TIMEOUT.as_millis(),
            idle.as_millis()
        ))?;
        Ok(link)
    }

    /// How long a statement may take from now on.
    fn limit_to(&mut self, limit: Duration) -> Result<(), Trouble> {
        self.limit = limit;
        self.run(&format!("SET statement_timeout = {}", limit.as_millis()))
    }

    fn wait<T>(
        &self,
        answer: impl Future<Output = Result<T, tokio_postgres::Error>>,
    ) -> Result<T, Trouble> {
        let Some(runtime) = &self.runtime.0 else { return Err(Trouble::Silent(EXTRA_TIMEOUT)) };
        let limit = self.limit.saturating_add(EXTRA_TIMEOUT);
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

    /// Hands over each row of a statement's result as it arrives.
    fn query(
        &self,
        statement: &str,
        values: &[&(dyn ToSql + Sync)],
        each: &mut dyn FnMut(&dyn Row),
    ) -> Result<(), Trouble> {
        self.wait(async {
            let rows = self.client.query_raw(statement, values.iter().copied()).await?;
            let mut rows = pin!(rows);
            while let Some(row) = rows.try_next().await? {
                each(&row);
            }
            Ok(())
        })
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
                return Ok(State::Foreign(Some(table)));
            }
        }
        Ok(State::Empty)
    }

    /// Migrates to the newest schema, or only tries it; one station does it while the others wait. Where that
    /// fails, the connection is closed, and the server rolls everything back. Gives the version before.
    fn prepare(&mut self, steps: &[&str], keep: bool) -> Result<i64, Trouble> {
        let newest = version_of(steps);
        if self.state()? == State::Version(newest) {
            return Ok(newest);
        }
        let usual = self.limit;
        self.limit_to(MIGRATION_TIMEOUT)?;
        // Outside the transaction, which then sees what another station has done.
        self.run(&format!("SELECT pg_advisory_lock({MIGRATION})"))?;
        self.run("BEGIN")?;
        let state = self.state()?;
        if state == State::Empty {
            self.run(&format!(
                "CREATE TABLE {VERSION} (version BIGINT NOT NULL);
                INSERT INTO {VERSION} VALUES (0)"
            ))?;
        }
        let version = state.steps_done(newest)?;
        for step in steps.iter().skip(usize::try_from(version).unwrap_or(0)) {
            self.run(&for_server(step))?;
        }
        self.run(&format!("UPDATE {VERSION} SET version = {newest}"))?;
        self.run(if keep { "COMMIT" } else { "ROLLBACK" })?;
        self.run(&format!("SELECT pg_advisory_unlock({MIGRATION})"))?;
        self.limit_to(usual)?;
        Ok(version)
    }
}

impl Server {
    pub(crate) fn open(address: Address, purpose: Purpose) -> Result<Server, Error> {
        let may_make = purpose == Purpose::Write;
        let (_, link) = Server::reach(&address, purpose, may_make, true)?;
        Ok(Server { address, link: Some(link) })
    }

    /// Takes the steps to the newest schema, or only tries them. Gives the version before.
    pub(crate) fn upgrade(address: &Address, keep: bool) -> Result<i64, Error> {
        Ok(Server::reach(address, Purpose::Write, false, keep)?.0)
    }

    fn reach(
        address: &Address,
        purpose: Purpose,
        may_make: bool,
        keep: bool,
    ) -> Result<(i64, Link), Error> {
        let opened = Link::open(address, purpose).and_then(|mut link| {
            if !may_make && link.state()? == State::Empty {
                return Err(Trouble::Missing);
            }
            Ok((link.prepare(STEPS, keep)?, link))
        });
        let Address { name, user, database, .. } = address;
        opened.map_err(|trouble| trouble.told(name, user, database))
    }

    fn told(&self, trouble: &Trouble) -> Error {
        let Address { name, user, database, .. } = &self.address;
        trouble.told(name, user, database)
    }

    /// Makes a call. A silent connection is closed, and the server rolls back what was not committed.
    fn call<T>(&mut self, call: impl FnOnce(&Link) -> Result<T, Trouble>) -> Result<T, Trouble> {
        let Some(link) = &self.link else { return Err(Trouble::Silent(EXTRA_TIMEOUT)) };
        let result = call(link);
        if matches!(result, Err(Trouble::Silent(_))) {
            self.link = None;
        }
        result
    }

    fn run(&mut self, statement: &str) -> Result<(), Error> {
        self.call(|link| link.run(statement)).map_err(|trouble| self.told(&trouble))
    }
}

impl Store for Server {
    fn begin(&mut self, purpose: Purpose) -> Result<(), Error> {
        if self.link.is_none() {
            let link = Link::open(&self.address, purpose);
            self.link = Some(link.map_err(|trouble| self.told(&trouble))?);
        }
        self.run(&match purpose {
            Purpose::Read => "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY".to_string(),
            Purpose::Write => format!("BEGIN; SELECT pg_advisory_xact_lock({WRITING})"),
        })
    }

    fn commit(&mut self) -> Result<(), Lost> {
        self.call(|link| link.run("COMMIT")).map_err(|trouble| match trouble.is_reported() {
            true => Lost::Whole(self.told(&trouble)),
            false => Lost::Unknown(self.told(&trouble)),
        })
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
        let values: Vec<_> = values.iter().filter_map(bound).collect();
        let done = self.call(|link| link.query(statement, &values, each));
        done.map_err(|trouble| self.told(&trouble))
    }

    /// A run may take hours; no server or network needs to keep a connection open that long.
    fn close_connection(&mut self) {
        self.link = None;
    }
}

impl Row for tokio_postgres::Row {
    fn value(&self, at: usize) -> Value {
        let Some(column) = self.columns().get(at) else { return Value::Nothing };
        match *column.type_() {
            Type::INT8 => self.try_get::<_, Option<i64>>(at).ok().flatten().into(),
            Type::FLOAT8 => self.try_get::<_, Option<f64>>(at).ok().flatten().into(),
            _ => self.try_get::<_, Option<&str>>(at).ok().flatten().into(),
        }
    }

    fn text(&self, at: usize) -> Cow<'_, str> {
        Cow::Borrowed(self.try_get::<_, Option<&str>>(at).ok().flatten().unwrap_or_default())
    }
}

/// A value as a parameter; none for NULL, which has no type.
fn bound(value: &Value) -> Option<&(dyn ToSql + Sync)> {
    match value {
        Value::Nothing => None,
        Value::Whole(number) => Some(number),
        Value::Real(number) => Some(number),
        Value::Text(text) => Some(text),
    }
}
