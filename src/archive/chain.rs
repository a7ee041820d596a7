//! The chain of an archive: a link for each run and each decision, whose digest covers the link before it. A run
//! that was deleted, also together with its record, leaves a gap. Links are made inside the transaction of what
//! they stand for, and writers take turns.

use crate::archive::sql::{Store, Table};
use crate::error::Error;
use crate::record::canonical_digest;
use serde_json::json;

pub(super) const CHAIN: Table<'_> =
    Table { name: "chain", columns: "place, kind, subject, content, digest" };

/// What a link stands for.
#[derive(Clone, Copy, PartialEq)]
pub(super) enum Kind {
    Run,
    Decision,
}

impl Kind {
    pub(super) fn name(self) -> &'static str {
        match self {
            Kind::Run => "run",
            Kind::Decision => "decision",
        }
    }
}

/// What a link holds of a run: the digests of its row and of its record.
pub(super) fn of_run(row: Option<&str>, record: Option<&str>) -> String {
    canonical_digest(&json!([row, record]))
}

/// The digest of a link.
pub(super) fn linked(before: &str, place: i64, kind: &str, subject: i64, content: &str) -> String {
    canonical_digest(&json!([before, place, kind, subject, content]))
}

/// Adds a link for a row that was written in the same transaction.
pub(super) fn append(
    store: &mut dyn Store,
    kind: Kind,
    subject: i64,
    content: &str,
) -> Result<(), Error> {
    let (mut place, mut before) = (0, String::new());
    let last = "SELECT place, digest FROM chain ORDER BY place DESC LIMIT 1";
    store.query(last, &[], &mut |row| {
        (place, before) = (row.value(0).whole(), row.text(1).into_owned());
    })?;
    place += 1;
    let digest = linked(&before, place, kind.name(), subject, content);
    let cells = [place.into(), kind.name().into(), subject.into(), content.into(), digest.into()];
    store.add(&CHAIN, &[cells.to_vec()])
}
