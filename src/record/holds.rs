//! Conditions that had to hold while blocks of the script ran: a row for each, all its blocks together.

use crate::record::data::Capped;
use crate::terminal::counted;
use spintrue_head::{Dimension, show_quantity};
use spintrue_language::{CheckBound, HeldBlock, HeldCondition, Shown};

/// A condition at its place in the script.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct HeldRow {
    /// In the script's words.
    pub text: String,
    /// Where it stands.
    pub place: String,
    /// How long they ran in all, in s.
    pub lasted: f64,
    /// How often it was looked at.
    pub looks: u64,
    /// Longest time between two looks, in s.
    pub longest_gap: f64,
    /// The smallest and the largest value; none of a plain flag.
    pub range: Option<[Shown; 2]>,
    /// Its limits in words, as last seen; empty without any.
    pub limits: String,
    /// What broke first, when; none where it held.
    pub breaks: Option<String>,
}

impl HeldRow {
    /// How long it was looked at, how often, and what was seen; what broke stands for itself.
    pub(crate) fn told(&self) -> String {
        let time = |time| show_quantity(time, Dimension::TIME, None, None);
        let looks = counted(self.looks as usize, "look");
        let mut told = format!("{}, {looks}", time(self.lasted));
        if self.looks > 1 {
            told.push_str(&format!(", at most {} apart", time(self.longest_gap)));
        }
        if let Some([least, most]) = &self.range {
            told.push_str(&format!("; from {least} to {most}"));
        }
        told
    }
}

impl Capped<HeldRow> {
    /// Adds all conditions of a block, those in the same words together.
    pub(crate) fn add_block(&mut self, block: &HeldBlock) {
        for seen in &block.conditions {
            self.add(block, seen, "");
        }
    }

    /// Adds what was seen in a block.
    pub(crate) fn add(&mut self, block: &HeldBlock, seen: &HeldCondition, place: &str) {
        let is_its = |row: &HeldRow| row.place == place && row.text == *seen.text;
        let at = self.items.iter().position(is_its).unwrap_or(self.items.len());
        if at == self.items.len() {
            let text = seen.text.to_string();
            self.push(HeldRow { text, place: place.to_string(), ..HeldRow::default() });
        }
        let Some(row) = self.items.get_mut(at) else { return };
        row.lasted += block.ended - block.began;
        row.looks += block.looks;
        row.longest_gap = row.longest_gap.max(block.longest_gap);
        row.limits = limits(seen);
        if row.breaks.is_none() {
            row.breaks.clone_from(&seen.breaks);
        }
        row.range = match (row.range.take(), seen.range.clone()) {
            (Some([least, most]), Some([low, high])) => {
                Some([outer(least, low, f64::lt), outer(most, high, f64::gt)])
            }
            (known, new) => known.or(new),
        };
    }
}

fn outer(known: Shown, new: Shown, is_beyond: fn(&f64, &f64) -> bool) -> Shown {
    match (&known, &new) {
        (Shown::Quantity { value: a, .. }, Shown::Quantity { value: b, .. }) if is_beyond(b, a) => {
            new
        }
        _ => known,
    }
}

fn limits(seen: &HeldCondition) -> String {
    let limit = |bound: &CheckBound, closed: &str, open: &str| {
        format!("{} {}", if bound.closed { closed } else { open }, bound.at)
    };
    let low = seen.low.as_ref().map(|low| limit(low, ">=", ">"));
    let high = seen.high.as_ref().map(|high| limit(high, "<=", "<"));
    low.into_iter().chain(high).collect::<Vec<_>>().join(" and ")
}
