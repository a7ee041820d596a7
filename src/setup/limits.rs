//! `--allow` and `--at-most`: what limits a run beyond the script itself.
//!
//! Without `--allow` everything is allowed but one thing: on a real head, trims are stored for good
//! only where an operator is at the terminal or has said so.

use crate::setup::options::{AtMost, Limits};
use spintrue_head::Description;
use spintrue_language::{
    Diagnostic, Effect, Prepared, SourceMap, TAKES_TOO_LONG, TimeBound, TimeLimit, allowed_effects,
    effect_way_out, effects_beyond, longest_text, unknown_bound,
};
use std::io::{IsTerminal, stdin};

impl Limits {
    /// Reports where a script goes beyond the limits on this head, and the longest time that it can
    /// take.
    pub(crate) fn check(
        &self,
        prepared: &Prepared,
        head: &Description,
        is_replay: bool,
    ) -> (Vec<Diagnostic>, Option<TimeBound>) {
        let Some(bound) = prepared.bound(head) else { return (Vec::new(), None) };
        let allowed = self.allow.effects.as_deref();
        let is_simulated = head.simulated;
        let mut here = allowed_effects(allowed, is_simulated || is_replay, stdin().is_terminal());
        here.retain(|effect| *effect != Effect::Provokes || is_simulated);
        let out = |effect: Effect| match effect {
            Effect::Provokes if !is_simulated => {
                "faults are injected into simulated heads only: run it with `--head sim`"
                    .to_string()
            }
            _ => effect_way_out(allowed.is_some(), effect),
        };
        let mut found = effects_beyond(&prepared.effects, &here, &out, &prepared.sources);
        found.extend(self.longest.check(&bound, &prepared.sources));
        (found, Some(bound))
    }
}

impl AtMost {
    /// What the run of a script may take by the clock.
    pub(crate) fn limit(&self, bound: &TimeBound) -> Option<TimeLimit> {
        let to_make_safe = bound.to_make_safe();
        self.at_most.map(|at_most| TimeLimit { at_most, to_make_safe })
    }

    /// Why the limit forbids the script, if it does.
    pub(crate) fn check(&self, bound: &TimeBound, sources: &SourceMap) -> Option<Diagnostic> {
        let limit = self.at_most?;
        let Some(most) = bound.most else {
            let unknown = bound.unknown.first()?;
            let headline =
                "how long this script takes has no known bound, so `--at-most` refuses it";
            let mut report = Diagnostic::error(TAKES_TOO_LONG, headline, unknown.span)
                .here(unknown_bound(unknown, sources));
            if let Some(from) = unknown.from.filter(|from| *from != unknown.span) {
                report = report.label(from, "known only once this has run");
            }
            return Some(report.help(
                "limit it with what is known before: a constant, a param, or `smaller(..., limit)`",
            ));
        };
        if most <= limit * (1.0 + 1e-6) {
            return None;
        }
        let headline = format!(
            "this script may take {}, more than the {} that `--at-most` allows",
            longest_text(most),
            longest_text(limit)
        );
        let mut largest = bound.contributions.iter().filter_map(|part| Some((part.span?, part)));
        let Some((span, part)) = largest.next() else {
            return Some(Diagnostic::error(TAKES_TOO_LONG, headline, Default::default()));
        };
        let mut report = Diagnostic::error(TAKES_TOO_LONG, headline, span)
            .here(format!("up to {} of it here", longest_text(part.seconds)));
        if let Some(call) = part.call {
            report = report.label(call, "called from here");
        }
        Some(report.help("`spintrue check` lists what takes longest").help("or allow more time"))
    }
}
