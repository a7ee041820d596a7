//! A check as names and values, the same for every format.

use crate::record::data::Recorded;
use spintrue_head::{noise_of, show_number};
use spintrue_language::{CheckBound, CheckEvent, Measured, Outcome, PlannedCheck, Shown};

/// The outcome of a planned check that was not made.
const UNREACHED: &str = "planned and not reached";

/// A check as every format shows it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct CheckRow {
    /// Head time in s.
    pub time: f64,
    /// Its label.
    pub label: String,
    /// Its outcome.
    pub outcome: Outcome,
    /// Its value, where it was compared with limits.
    pub measured: Option<Measured>,
    /// Names and values of all facts; names without blanks.
    pub facts: Vec<(&'static str, String)>,
}

impl CheckRow {
    /// The row of a check that was decided at a head time.
    pub(crate) fn of(time: f64, check: &CheckEvent, place: String) -> CheckRow {
        let mut facts = vec![("condition", check.text.to_string())];
        if let Some(measured) = &check.measured {
            facts.push(("value", measured.value.to_string()));
            if let Some(uncertainty) = &measured.uncertainty {
                facts.push(("uncertainty", uncertainty.to_string()));
                let decimals = measured.budget.is_some().then_some(2);
                facts.push(("coverage", show_number(measured.coverage, decimals)));
                facts.extend(measured.budget.as_ref().map(|all| ("budget", all.to_string())));
                facts.push(("rule", measured.rule.text()));
            }
            let limit = |bound: &CheckBound, closed: &str, open: &str| {
                format!("{} {}", if bound.closed { closed } else { open }, bound.at)
            };
            facts.extend(measured.low.as_ref().map(|low| ("low", limit(low, ">=", ">"))));
            facts.extend(measured.high.as_ref().map(|high| ("high", limit(high, "<=", "<"))));
            facts.extend(measured.margin.as_ref().map(|margin| ("margin", margin.to_string())));
            facts.extend(measured.sureness().map(|sure| ("probability", sure)));
        }
        facts.push(("outcome", check.outcome.text().to_string()));
        facts.push(("place", place));
        let (label, measured) = (check.label.clone(), check.measured.clone());
        CheckRow { time, label, outcome: check.outcome, measured, facts }
    }

    /// The row of a check that was planned and not reached.
    pub(crate) fn unreached(time: f64, check: &PlannedCheck, place: String) -> CheckRow {
        let facts = vec![("outcome", UNREACHED.to_string()), ("place", place)];
        let label = check.label.to_string();
        CheckRow { time, label, outcome: Outcome::Undecided, measured: None, facts }
    }

    /// Its outcome, in words.
    pub(crate) fn outcome_text(&self) -> &str {
        self.fact("outcome").unwrap_or_else(|| self.outcome.text())
    }

    /// A fact by its name.
    pub(crate) fn fact(&self, name: &str) -> Option<&str> {
        self.facts.iter().find(|(known, _)| *known == name).map(|(_, value)| value.as_str())
    }

    /// What lists of tests tell of it: all, or of what conforms how well it does.
    pub(crate) fn facts_to_tell(&self) -> Vec<(&'static str, String)> {
        let is_told = |name: &&str| {
            self.outcome != Outcome::Conforms
                || self.measured.is_none()
                || ["value", "uncertainty", "low", "high", "margin", "outcome"].contains(name)
        };
        self.facts.iter().filter(|(name, _)| is_told(name)).cloned().collect()
    }

    /// Its limits in words; empty where there are none.
    pub(crate) fn limits(&self) -> String {
        let limits = [self.fact("low"), self.fact("high")];
        if let [Some(low), Some(high)] = limits
            && let (Some(low), Some(high)) = (low.strip_prefix(">= "), high.strip_prefix("<= "))
            && low == high
        {
            return low.to_string();
        }
        limits.into_iter().flatten().collect::<Vec<_>>().join(" and ")
    }

    /// Whether it was planned and not made.
    pub(crate) fn is_unreached(&self) -> bool {
        self.fact("outcome") == Some(UNREACHED)
    }

    /// Whether it was decided on a recorded value: the same expression with an uncertainty behind it, and
    /// the same value.
    pub(crate) fn decided_on_recorded(&self, recorded: &Recorded) -> bool {
        let (Shown::Quantity { value, unit, .. }, Some(Measured { value: checked, .. })) =
            (&recorded.shown, &self.measured)
        else {
            return false;
        };
        let condition = self.fact("condition").unwrap_or_default();
        let behind = condition.strip_prefix(&*recorded.text);
        behind.is_some_and(|rest| rest.trim_start().starts_with('±'))
            && matches!(checked, Shown::Quantity { value: known, unit: si, .. }
                if si == unit && (known - value).abs() <= noise_of(*value))
    }

    /// Its value and uncertainty; its condition where it has none.
    pub(crate) fn measured(&self) -> String {
        match (self.fact("value"), self.fact("uncertainty")) {
            (Some("no number"), _) => "no number".to_string(),
            (Some(value), Some(uncertainty)) => format!("{value} ± {uncertainty}"),
            (Some(value), None) => value.to_string(),
            (None, _) => self.fact("condition").unwrap_or_default().to_string(),
        }
    }

    /// In one line: value, uncertainty, limits and outcome.
    pub(crate) fn message(&self) -> String {
        let mut text = self.measured();
        let limits = self.limits();
        if !limits.is_empty() {
            text.push_str(&format!(", should be {limits}"));
        }
        if text.is_empty() {
            return self.outcome_text().to_string();
        }
        format!("{text}: {}", self.outcome_text())
    }
}
