//! What people decide on the runs of an archive: which of them charts leave out, and which limits are frozen.
//! A decision is a row of its own, with date, author and reason; a later one may undo it. Runs stay as they are.

use crate::archive::chain::{self, append};
use crate::archive::open::{open, open_to_read};
use crate::archive::rows::object;
use crate::archive::sql::{Purpose, Row, Store, Table, Value, Values};
use crate::archive::store::{day_and_minute, moment};
use crate::error::{Error, invalid};
use crate::record::canonical_digest;
use crate::terminal::DIM;
use crate::terminal::columns::{Line, Side, columns};
use clap::Args;
use clap::builder::NonEmptyStringValueParser;
use jiff::Timestamp;
use serde_json::Value as Json;
use spintrue_head::visible_line;
use std::collections::{BTreeMap, HashMap};
use std::path::Path;

/// Who decides, and why.
#[derive(Args)]
pub(crate) struct Signature {
    /// Why, for those who read the charts later
    #[arg(long, value_name = "TEXT", value_parser = NonEmptyStringValueParser::new())]
    reason: String,
    /// Name of the one who decides
    #[arg(long, value_name = "NAME", value_parser = NonEmptyStringValueParser::new())]
    author: String,
    /// Take an earlier decision back; it stays listed
    #[arg(long)]
    pub undo: bool,
}

/// What is decided.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Kind {
    Exclude,
    Include,
    Freeze,
    Release,
}

const KINDS: [(Kind, &str); 4] = [
    (Kind::Exclude, "exclude"),
    (Kind::Include, "include"),
    (Kind::Freeze, "freeze"),
    (Kind::Release, "release"),
];

impl Kind {
    fn name(self) -> &'static str {
        KINDS.iter().find(|(kind, _)| *kind == self).map_or("", |(_, name)| name)
    }
}

const TABLE: Table<'_> = Table {
    name: "decisions",
    columns: "made, author, reason, kind, run, label, scope, centre, deviation, unit, base_runs, \
        base_from, base_to",
};

/// What runs have in common whose charts share limits.
pub(crate) type Scope = BTreeMap<String, String>;

/// Centre and standard deviation in SI, and the runs that they come from.
#[derive(Clone, Debug)]
pub(crate) struct Base {
    pub centre: f64,
    pub deviation: f64,
    pub unit: String,
    pub runs: i64,
    /// Starts of the first and of the last.
    pub from: String,
    pub to: String,
}

/// A decision as it was made.
#[derive(Clone, Debug)]
pub(crate) struct Decision {
    pub made: String,
    pub author: String,
    pub reason: String,
    kind: Kind,
    run: i64,
    label: String,
    scope: Scope,
    pub base: Base,
}

impl Decision {
    fn of(row: &dyn Row) -> Decision {
        let text = |at: usize| row.text(at).into_owned();
        let real = |at: usize| row.value(at).real().unwrap_or(f64::NAN);
        let kind = KINDS.iter().find(|(_, name)| *name == row.text(3));
        Decision {
            made: text(0),
            author: text(1),
            reason: text(2),
            kind: kind.map_or(Kind::Include, |(kind, _)| *kind),
            run: row.value(4).whole(),
            label: text(5),
            scope: serde_json::from_str(&row.text(6)).unwrap_or_default(),
            base: Base {
                centre: real(7),
                deviation: real(8),
                unit: text(9),
                runs: row.value(10).whole(),
                from: text(11),
                to: text(12),
            },
        }
    }

    /// When, by whom and why.
    pub(crate) fn told(&self) -> String {
        let (made, author) = (day_and_minute(&self.made), visible_line(&self.author));
        format!("{made} by {author}: {}", visible_line(&self.reason))
    }

    fn subject(&self) -> String {
        match self.kind {
            Kind::Exclude | Kind::Include => format!("run {}", self.run),
            Kind::Freeze | Kind::Release => format!("`{}`{}", self.label, of(&self.scope)),
        }
    }
}

/// ` of model X, station S3`; empty for all runs.
pub(super) fn of(scope: &Scope) -> String {
    let names: Vec<String> = scope.iter().map(|(name, value)| format!("{name} {value}")).collect();
    if names.is_empty() { String::new() } else { format!(" of {}", names.join(", ")) }
}

/// What is in force.
#[derive(Default)]
pub(crate) struct Decisions {
    /// Excluded runs by their numbers.
    pub excluded: HashMap<i64, Decision>,
    /// Frozen limits by label and scope.
    pub frozen: BTreeMap<(String, Scope), Decision>,
}

/// All decisions, oldest first.
fn all(store: &mut dyn Store) -> Result<Vec<Decision>, Error> {
    let mut all = Vec::new();
    let sql = format!("SELECT {} FROM decisions ORDER BY id", TABLE.columns);
    store.query(&sql, &[], &mut |row| all.push(Decision::of(row)))?;
    Ok(all)
}

/// Number and digest of each decision behind the one with a number, oldest first.
pub(super) fn digests(store: &mut dyn Store, behind: i64) -> Result<Vec<(i64, String)>, Error> {
    let mut all = Vec::new();
    let sql = format!("SELECT id, {} FROM decisions WHERE id > $1 ORDER BY id", TABLE.columns);
    store.query(&sql, &[behind.into()], &mut |row| {
        let count = TABLE.columns.split(", ").count();
        let cells: Vec<Value> = (1..=count).map(|at| row.value(at)).collect();
        let digest = canonical_digest(&Json::Object(object(&TABLE, 0, &cells)));
        all.push((row.value(0).whole(), digest));
    })?;
    Ok(all)
}

impl Decisions {
    pub(crate) fn read(store: &mut dyn Store) -> Result<Decisions, Error> {
        let mut now = Decisions::default();
        for decision in all(store)? {
            let key = || (decision.label.clone(), decision.scope.clone());
            match decision.kind {
                Kind::Exclude => drop(now.excluded.insert(decision.run, decision)),
                Kind::Include => drop(now.excluded.remove(&decision.run)),
                Kind::Freeze => drop(now.frozen.insert(key(), decision)),
                Kind::Release => drop(now.frozen.remove(&key())),
            }
        }
        Ok(now)
    }
}

/// What a decision is about: run; label and scope; base.
pub(super) struct Subject<'a> {
    pub run: Option<i64>,
    pub of: Option<(&'a str, &'a Scope)>,
    pub base: Option<&'a Base>,
}

impl Subject<'_> {
    /// The cells behind the kind of the decision.
    fn row(&self) -> Vec<Value> {
        let scope = |scope: &Scope| serde_json::to_string(scope).unwrap_or_default();
        let base = self.base;
        vec![
            self.run.into(),
            self.of.map(|(label, _)| label).into(),
            self.of.map(|(_, of)| scope(of)).into(),
            base.map(|base| base.centre).into(),
            base.map(|base| base.deviation).into(),
            base.map(|base| base.unit.as_str()).into(),
            base.map(|base| base.runs).into(),
            base.map(|base| base.from.as_str()).into(),
            base.map(|base| base.to.as_str()).into(),
        ]
    }
}

/// Stores decisions on subjects that are found in the archive, all or none of them.
pub(super) fn decide<'a>(
    place: &Path,
    signature: &Signature,
    kind: Kind,
    subjects: impl FnOnce(&mut dyn Store) -> Result<Vec<Subject<'a>>, Error>,
) -> Result<(), Error> {
    // There must be one: a decision makes no archive.
    drop(open_to_read(place)?);
    let mut store = open(place, Purpose::Write)?;
    store.begin(Purpose::Write)?;
    let made = moment(Timestamp::now());
    let texts = [made.as_str(), &signature.author, &signature.reason, kind.name()];
    let before = digests(&mut *store, 0)?.last().map_or(0, |(id, _)| *id);
    let rows = subjects(&mut *store)?
        .into_iter()
        .map(|subject| texts.map(Value::from).into_iter().chain(subject.row()).collect());
    store.add(&TABLE, &rows.collect::<Vec<Vec<Value>>>())?;
    for (id, digest) in digests(&mut *store, before)? {
        append(&mut *store, chain::Kind::Decision, id, &digest)?;
    }
    Ok(store.commit()?)
}

/// Leaves runs out of charts and capability, or no longer.
pub(crate) fn exclude(place: &Path, runs: &[i64], signature: &Signature) -> Result<String, Error> {
    let kind = if signature.undo { Kind::Include } else { Kind::Exclude };
    let mut text = String::new();
    decide(place, signature, kind, |store| {
        let excluded = Decisions::read(store)?.excluded;
        let mut subjects = Vec::new();
        for run in runs {
            let mut found = None;
            let mut values = Values::default();
            let sql = format!("SELECT started, serial FROM runs WHERE id = {}", values.bind(*run));
            store.query(&sql, &values.0, &mut |row| {
                found = Some((day_and_minute(&row.text(0)), visible_line(&row.text(1))));
            })?;
            let Some((started, serial)) = found else {
                return Err(invalid!(
                    "there is no run {run}: `spintrue history` lists their numbers"
                ));
            };
            match (excluded.get(run), signature.undo) {
                (Some(by), false) => {
                    return Err(invalid!("run {run} is excluded already, {}", by.told()));
                }
                (None, true) => return Err(invalid!("run {run} is not excluded")),
                _ => {}
            }
            text.push_str(&format!(
                "run {run} ({serial}, {started}) is {} charts and capability\n",
                if signature.undo { "again part of" } else { "left out of" }
            ));
            subjects.push(Subject { run: Some(*run), of: None, base: None });
        }
        Ok(subjects)
    })?;
    Ok(text)
}

/// All decisions, newest first, as a table.
pub(crate) fn decisions(place: &Path, colour: bool) -> Result<String, Error> {
    let mut store = open_to_read(place)?;
    let all = all(&mut *store)?;
    if all.is_empty() {
        return Ok("no decisions\n".to_string());
    }
    let lines = all.iter().rev().map(|decision| Line {
        cells: vec![
            day_and_minute(&decision.made),
            decision.kind.name().to_string(),
            decision.subject(),
            decision.author.clone(),
        ],
        notes: vec![(decision.reason.clone(), DIM)],
        ..Line::default()
    });
    let heads = ["made (UTC)", "kind", "of what", "by"].map(|head| (head, Side::Left));
    Ok(columns(&heads, &lines.collect::<Vec<_>>(), colour))
}
