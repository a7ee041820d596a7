//! How long a run may take where time passes by itself.

use spintrue_head::{Dimension, show_quantity};
use thiserror::Error;

/// Room for the rounding of clocks, relative.
const ROUNDING: f64 = 1e-6;

/// What a run may take, in s of head time. Its words are those of a run that took longer.
#[derive(Clone, Copy, Debug, Error, PartialEq)]
#[error(
    "the run was stopped after {}: `--at-most` allows {}, of which {} are left to make the head safe; \
     allow more time, or find what computes for so long",
    time(.at_most - .to_make_safe), time(*.at_most), time(*.to_make_safe)
)]
pub struct TimeLimit {
    /// In all.
    pub at_most: f64,
    /// What making the head safe may take of it.
    pub to_make_safe: f64,
}

fn time(seconds: f64) -> String {
    show_quantity(seconds, Dimension::TIME, None, None)
}

impl TimeLimit {
    /// Why a run that took `took` in all, the making safe included, took too long; none where it did not.
    pub(crate) fn exceeded(&self, took: f64) -> Option<String> {
        let (most, safe) = (self.at_most, self.to_make_safe);
        (took > most * (1.0 + ROUNDING)).then(|| {
            format!(
                "the run took {}, and `--at-most` allows {}: making the head safe took longer than the {} \
                 that it may take; have the head looked at, or allow more time",
                time(took), time(most), time(safe)
            )
        })
    }
}

/// Until when a run may go on.
#[derive(Debug)]
pub(super) struct Deadline {
    limit: TimeLimit,
    /// In s of head time.
    pub(super) until: f64,
    /// It was reached: what `finally` does then has a time of its own, once.
    pub(super) reached: bool,
    finishing: bool,
}

impl Deadline {
    /// Of a run that starts at `now`.
    pub(super) fn new(limit: TimeLimit, now: f64) -> Deadline {
        let own = (limit.at_most - limit.to_make_safe) * (1.0 + ROUNDING);
        Deadline { limit, until: now + own, reached: false, finishing: false }
    }

    /// The limit, where it is reached.
    pub(super) fn check(&mut self, now: f64) -> Option<TimeLimit> {
        let reached = now >= self.until;
        self.reached |= reached;
        reached.then_some(self.limit)
    }

    /// Once reached, lets `finally` run for as long as making the head safe may take.
    pub(super) fn let_finish(&mut self, now: f64) {
        if self.reached && !self.finishing {
            self.finishing = true;
            self.until = now + self.limit.to_make_safe;
        }
    }
}
