//! The results of a campaign, in the order of the seeds; as a file, and put together from files.

use crate::campaign::trial::Trial;
use crate::disk::read_results;
use crate::error::{Error, invalid};
use crate::record::Unmet;
use serde::{Deserialize, Serialize};
use spintrue_head::parse_unit;
use std::collections::BTreeMap;
use std::path::Path;

/// Version of the file.
const VERSION: u32 = 2;

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

/// The results of one shard or of several.
#[derive(Debug, Deserialize, PartialEq, Serialize)]
pub(crate) struct Results {
    spintrue_campaign: u32,
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
        Results { spintrue_campaign: VERSION, campaign, parts: vec![part], columns, rows }
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
        let Campaign { first_seed, heads, shards, .. } = results.campaign;
        let within = |seed: u64| seed.checked_sub(first_seed).is_some_and(|index| index < heads);
        let sound = shards > 0
            && results.parts.iter().all(|part| (1..=shards).contains(part))
            && results.rows.iter().all(|row| within(row.seed));
        if !sound {
            return Err(invalid!("{path} does not hold together: a shard or a seed is not of it"));
        }
        let whole: u64 = results.parts.iter().map(|part| heads_of(heads, *part, shards)).sum();
        let here = results.rows.len() as u64;
        if here != whole {
            return Err(invalid!(
                "{path} holds {here} of its {whole} heads: it was interrupted, so run it again"
            ));
        }
        Ok(results)
    }

    /// Adds another shard, read from `path`.
    pub(crate) fn join(&mut self, other: Results, path: &str) -> Result<(), Error> {
        if other.campaign != self.campaign {
            let (a, b) = (&self.campaign, &other.campaign);
            let what = if a.script != b.script || a.digest != b.digest {
                "script, used files or description of the head"
            } else if a.settings != b.settings {
                "params"
            } else if a.first_seed != b.first_seed || a.heads != b.heads {
                "seeds"
            } else {
                "number of shards or address of the head"
            };
            return Err(invalid!("{path} is of another campaign: it differs in its {what}"));
        }
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
