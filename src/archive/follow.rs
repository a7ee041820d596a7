//! Follows the chain of an archive: what is missing, was changed, or was added by other means.

use crate::archive::chain::{Kind, linked, of_run};
use crate::archive::decisions::digests;
use crate::archive::open::open_to_read;
use crate::archive::sql::{Row, Value};
use crate::error::Error;
use std::collections::BTreeMap;
use std::path::Path;

/// What the chain of an archive tells.
#[derive(Default)]
pub(crate) struct Chain {
    /// Links.
    pub count: i64,
    /// The first run or decision that it holds.
    pub from: Option<String>,
    /// The digest of its last link.
    pub end: String,
    /// What does not fit it.
    pub wrong: Vec<String>,
}

/// Follows the chain of an archive; `known` is the digest of a link that it must hold.
pub(crate) fn chain(archive: &Path, known: Option<&str>) -> Result<Chain, Error> {
    let mut store = open_to_read(archive)?;
    let mut decisions: BTreeMap<i64, String> = digests(&mut *store, 0)?.into_iter().collect();
    let mut chain = Chain::default();
    let mut is_known = known.is_none();
    let (mut first_run, mut first_decision) = (i64::MAX, i64::MAX);
    let sql = "SELECT chain.place, chain.kind, chain.subject, chain.content, chain.digest, runs.id,
            runs.row_digest, runs.record_digest
        FROM chain LEFT JOIN runs ON chain.kind = 'run' AND runs.id = chain.subject ORDER BY chain.place";
    store.query(sql, &[], &mut |row| {
        let text = |at: usize| row.text(at).into_owned();
        let (place, kind, subject) = (row.value(0).whole(), text(1), row.value(2).whole());
        let (content, digest) = (text(3), text(4));
        let name = format!("{kind} {subject}");
        if place != chain.count + 1 {
            let gap = format!("{} to {}", chain.count + 1, place - 1);
            chain.wrong.push(format!("the links {gap} of the chain are missing"));
        } else if digest != linked(&chain.end, place, &kind, subject, &content) {
            chain.wrong.push(format!("{name}: its link of the chain, {place}, was changed"));
        }
        let now = if kind == Kind::Run.name() {
            first_run = first_run.min(subject);
            run_now(row)
        } else {
            first_decision = first_decision.min(subject);
            decisions.remove(&subject)
        };
        match now {
            None => chain.wrong.push(format!("{name} is missing; the chain holds it")),
            Some(now) if now != content => {
                chain.wrong.push(format!("{name} is another than that of the chain"));
            }
            Some(_) => {}
        }
        is_known |= known == Some(&*digest);
        chain.from.get_or_insert(name);
        (chain.count, chain.end) = (place, digest);
    })?;
    if !is_known {
        chain.wrong.push("the chain has no link with the digest of --chain-link".to_string());
    }
    let added = "SELECT id FROM runs WHERE id > $1
        AND id NOT IN (SELECT subject FROM chain WHERE kind = 'run') ORDER BY id";
    store.query(added, &[first_run.into()], &mut |row| {
        chain.wrong.push(format!("run {} is not in the chain", row.value(0).whole()));
    })?;
    let added = decisions.into_keys().filter(|id| *id > first_decision);
    chain.wrong.extend(added.map(|id| format!("decision {id} is not in the chain")));
    store.roll_back()?;
    Ok(chain)
}

/// What the link of a run would hold now; none where the run is gone.
fn run_now(row: &dyn Row) -> Option<String> {
    let text = |at: usize| match row.value(at) {
        Value::Text(text) => Some(text),
        _ => None,
    };
    (row.value(5) != Value::Nothing).then(|| of_run(text(6).as_deref(), text(7).as_deref()))
}
