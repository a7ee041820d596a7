//! Archives of runs: one interface to an SQLite file and to a PostgreSQL server, which take the same
//! statements; what is stored of a run, and what is read back. Every error names the archive and the
//! way out.

#![allow(clippy::disallowed_methods, reason = "this module waits for archives")]
#![cfg_attr(not(feature = "postgres"), allow(dead_code, reason = "only a server needs it"))]

#[cfg(feature = "postgres")]
mod address;
mod chain;
mod counts;
mod decisions;
mod export;
mod failing;
mod file;
mod filter;
mod follow;
mod list;
mod open;
mod rows;
mod schema;
#[cfg(feature = "postgres")]
mod server;
mod sql;
mod store;
#[cfg(feature = "postgres")]
mod tls;
pub(crate) mod trend;
mod trouble;
mod yields;

#[cfg(test)]
mod tests;

pub(crate) use decisions::{Signature, decisions, exclude};
pub(crate) use export::{Format, export};
pub(crate) use failing::failing;
pub(crate) use filter::{Filter, Grouping};
pub(crate) use follow::chain;
pub(crate) use list::list;
pub(crate) use open::{archive_name, is_missing, upgrade};
pub(crate) use rows::{Rows, Stored};
pub(crate) use store::{Archive, Keeper, quantity};
pub(crate) use trend::{Selection, decimals, freeze};
pub(crate) use yields::yields;
