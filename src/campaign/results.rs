//! The results of a campaign, in the order of the seeds; as a file, and put together from files.

use crate::campaign::MAX_HEADS;
use crate::campaign::trial::Trial;
use crate::disk::read_results;
use crate::error::{Error, invalid};
use crate::record::Unmet;
use serde::{Deserialize, Serialize};
use spintrue_head::parse_unit;
use spintrue_language::Verdict;
use std::collections::BTreeMap;
use std::path::Path;

/// Version of the file.
const VERSION: u32 = 2;

/// The version of spintrue that made results whose file does not tell it, as older ones do not.
const UNKNOWN: &str = "unknown";

/// What makes two shards parts of one campaign.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub(crate) struct Campaign {
    pub script: String,
    /// Digest of the script, all that it uses, and the description of the heads.
    pub digest: String,
    pub head: String,
    pub settings: Vec<String>,
    /// Faults that every head had.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub faults: Vec<String>,
    pub first_seed: u64,
    pub heads: u64,
    pub shards: u64,
}

impl Campaign {
    /// How another campaign differs, in words.
    fn differences(&self, other: &Campaign) -> String {
        let list = |of: &[String]| match of {
            [] => "none".to_string(),
            of => of.join(", "),
        };
        let facts = |of: &Campaign| {
            [
                ("script", of.script.clone()),
                ("--head", of.head.clone()),
                ("--set", list(&of.settings)),
                ("--fault", list(&of.faults)),
                ("--seed", of.first_seed.to_string()),
                ("--heads", of.heads.to_string()),
                ("number of shards", of.shards.to_string()),
            ]
        };
        let pairs = facts(self).into_iter().zip(facts(other));
        let differing = pairs.filter(|((_, one), (_, other))| one != other);
        let texts =
            differing.map(|((name, one), (_, other))| format!("its {name} is {other}, not {one}"));
        let texts: Vec<String> = texts.collect();
        if texts.is_empty() {
            return "the text of the script differs, or of files that it uses, of the answers or of the \
                    description of the head"
                .to_string();
        }
        texts.join("; ")
    }
}

/// A recorded value, as a column of the results.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize)]
pub(crate) struct Column {
    pub label: String,
    /// The SI unit of all its values; empty for a plain number.
    pub unit: String,
    /// The unit that people are shown; version 1 had it in place of the other.
    #[serde(default)]
    pub shown_unit: Option<String>,
}

/// One head.
#[derive(Clone, Debug, Default, Deserialize, PartialEq, Serialize)]
pub(crate) struct Row {
    pub seed: u64,
    pub verdict: String,
    /// What ended its run early.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub failure: Option<String>,
    /// Checks that do not conform, are undecided, or were not reached.
    #[serde(default, skip_serializing_if = "Unmet::is_empty")]
    pub unmet: Unmet,
    /// By column, in SI.
    pub values: Vec<Option<f64>>,
}

/// How many heads a shard has.
pub(crate) fn heads_of(heads: u64, part: u64, shards: u64) -> u64 {
    (heads + shards - part) / shards
}

fn unknown() -> Vec<String> {
    vec![UNKNOWN.to_string()]
}

/// The results of one shard or of several.
#[derive(Debug, Deserialize, PartialEq, Serialize)]
pub(crate) struct Results {
    spintrue_campaign: u32,
    /// Versions of spintrue that made them: one, and [`UNKNOWN`].
    #[serde(default = "unknown")]
    pub versions: Vec<String>,
    pub campaign: Campaign,
    /// The shards that are in here, from 1.
    pub parts: Vec<u64>,
    pub columns: Vec<Column>,
    pub rows: Vec<Row>,
}

impl Results {
    /// Sorts the trials by their seeds.
    pub(super) fn new(campaign: Campaign, part: u64, mut trials: Vec<Trial>) -> Results {
        trials.sort_by_key(|head| head.row.seed);
        let mut columns: Vec<Column> = Vec::new();
        let mut known: BTreeMap<String, usize> = BTreeMap::new();
        let mut rows = Vec::with_capacity(trials.len());
        for Trial { mut row, values: found } in trials {
            let values = &mut row.values;
            values.resize(columns.len(), None);
            for (column, value) in found {
                let column = *known.entry(column.label.clone()).or_insert_with(|| {
                    columns.push(column);
                    columns.len() - 1
                });
                values.resize(columns.len(), None);
                if let Some(slot) = values.get_mut(column) {
                    *slot = value.is_finite().then_some(value);
                }
            }
            rows.push(row);
        }
        let versions = vec![env!("CARGO_PKG_VERSION").to_string()];
        let parts = vec![part];
        let mut new =
            Results { spintrue_campaign: VERSION, versions, campaign, parts, columns, rows };
        new.fill();
        new
    }

    /// Reads a file that [`Results`] was written to.
    pub(crate) fn read(path: &str) -> Result<Results, Error> {
        let text = read_results(Path::new(path))?;
        let mut results: Results = serde_json::from_str(&text)
            .map_err(|error| invalid!("{path} holds no results of a campaign: {error}"))?;
        match results.spintrue_campaign {
            VERSION => {}
            1 => {
                results.spintrue_campaign = VERSION;
                for column in &mut results.columns {
                    let shown = std::mem::take(&mut column.unit);
                    column.unit =
                        parse_unit(&shown).map_or_else(|_| String::new(), |u| u.dimension.si());
                    column.shown_unit = Some(shown);
                }
            }
            version => {
                return Err(invalid!(
                    "{path} is of version {version}, and this spintrue reads up to {VERSION}: use a \
                     newer spintrue"
                ));
            }
        }
        // Older versions left out values at the end that no head had before.
        if results.is_unknown()
            && results.rows.iter().all(|r| r.values.len() <= results.columns.len())
        {
            results.fill();
        }
        match results.fault() {
            Some(why) => Err(invalid!("{path}: {why}: run that shard again")),
            None => Ok(results),
        }
    }

    /// Whether it is not known which version of spintrue made all of them.
    pub(crate) fn is_unknown(&self) -> bool {
        self.versions.iter().any(|version| version == UNKNOWN)
    }

    /// Gives each row a place for each column.
    fn fill(&mut self) {
        let columns = self.columns.len();
        self.rows.iter_mut().for_each(|row| row.values.resize(columns, None));
    }

    /// What does not hold together, and where.
    fn fault(&self) -> Option<String> {
        let Campaign { first_seed, heads, shards, .. } = self.campaign;
        let counts = 1..=MAX_HEADS;
        let last = counts.contains(&heads).then(|| first_seed.checked_add(heads - 1)).flatten();
        let Some(last) = last.filter(|_| counts.contains(&shards)) else {
            return Some(format!(
                "`campaign` has {heads} heads from seed {first_seed} in {shards} shards, as none has"
            ));
        };
        let parts = &self.parts;
        let are_parts = parts.iter().all(|part| (1..=shards).contains(part));
        if parts.is_empty() || !are_parts || !parts.is_sorted_by(|one, next| one < next) {
            return Some(format!("`parts` is {parts:?}: this does not name shards of {shards}"));
        }
        let mut before = None;
        for (number, row) in (1..).zip(&self.rows) {
            let seed = row.seed;
            let of = (first_seed..=last).contains(&seed).then(|| (seed - first_seed) % shards + 1);
            let (values, columns) = (row.values.len(), self.columns.len());
            let why = match of {
                None => format!("this campaign has seeds {first_seed} to {last}"),
                Some(of) if !parts.contains(&of) => {
                    let parts: Vec<String> = parts.iter().map(u64::to_string).collect();
                    format!("it is of shard {of}, and the file holds {}", parts.join(", "))
                }
                _ if before >= Some(seed) => "it comes twice or out of order".to_string(),
                _ if Verdict::ALL.iter().all(|known| known.kept_as() != row.verdict) => {
                    format!("`{}` is no verdict", row.verdict)
                }
                _ if values != columns => {
                    format!("number of values {values}, of columns {columns}")
                }
                _ => {
                    before = Some(seed);
                    continue;
                }
            };
            return Some(format!("row {number}, seed {seed}: {why}"));
        }
        let whole: u64 = parts.iter().map(|part| heads_of(heads, *part, shards)).sum();
        let here = self.rows.len() as u64;
        (here != whole).then(|| format!("it holds {here} of its {whole} heads"))
    }

    /// Adds another shard, read from `path`.
    pub(crate) fn join(&mut self, other: Results, path: &str) -> Result<(), Error> {
        if other.campaign != self.campaign {
            let how = self.campaign.differences(&other.campaign);
            return Err(invalid!("{path} is of another campaign than the files before it: {how}"));
        }
        let known = |of: &Results| of.versions.iter().find(|it| *it != UNKNOWN).cloned();
        if let (Some(one), Some(another)) = (known(self), known(&other))
            && one != another
        {
            return Err(invalid!(
                "{path} was made by spintrue {another}, and the files before it by {one}: run all shards \
                 with the same version"
            ));
        }
        self.versions.extend(other.versions.iter().cloned());
        self.versions.sort();
        self.versions.dedup();
        if other.parts.iter().all(|part| self.parts.contains(part)) && self.holds(&other) {
            return Ok(());
        }
        if let Some(part) = other.parts.iter().find(|part| self.parts.contains(part)) {
            return Err(invalid!("{path} brings shard {part} a second time, with other results"));
        }
        let places: Vec<usize> = other
            .columns
            .into_iter()
            .map(|column| {
                let known = self.columns.iter().position(|c| c.label == column.label);
                known.unwrap_or_else(|| {
                    self.columns.push(column);
                    self.columns.len() - 1
                })
            })
            .collect();
        for row in other.rows {
            let mut values = vec![None; self.columns.len()];
            for (place, value) in places.iter().zip(row.values) {
                if let Some(slot) = values.get_mut(*place) {
                    *slot = value;
                }
            }
            self.rows.push(Row { values, ..row });
        }
        self.fill();
        self.parts.extend(other.parts);
        self.parts.sort_unstable();
        self.rows.sort_by_key(|row| row.seed);
        Ok(())
    }

    /// Whether all that another has is in here, digit by digit: a job that was repeated tells the same again.
    fn holds(&self, other: &Results) -> bool {
        let value = |results: &Results, row: &Row, label: &str| {
            let place = results.columns.iter().position(|column| column.label == label)?;
            row.values.get(place).copied().flatten()
        };
        let is_same = |row: &Row, again: &Row| {
            let labels = self.columns.iter().map(|column| &column.label);
            (&row.verdict, &row.failure, &row.unmet)
                == (&again.verdict, &again.failure, &again.unmet)
                && labels.into_iter().all(|l| value(self, row, l) == value(other, again, l))
        };
        other.rows.iter().all(|again| {
            let at = self.rows.binary_search_by_key(&again.seed, |row| row.seed);
            at.ok().and_then(|at| self.rows.get(at)).is_some_and(|row| is_same(row, again))
        })
    }

    /// Shards that are missing.
    pub(crate) fn missing(&self) -> Vec<u64> {
        (1..=self.campaign.shards).filter(|part| !self.parts.contains(part)).collect()
    }

    /// As a file.
    pub(crate) fn text(&self) -> String {
        serde_json::to_string(self).unwrap_or_default() + "\n"
    }
}
