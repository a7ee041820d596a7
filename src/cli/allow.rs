//! `--allow`: what a run may do to the head.
//!
//! Without it everything is allowed but one thing: on a real head, trims are stored for good
//! only where somebody sits at the terminal or has said so. A simulated head has nothing to lose, a replayed one
//! neither.

use crate::builtins::Effect;
use crate::check::limit::{beyond, leave, way_out};
use crate::diagnostics::Diagnostic;
use crate::session::Prepared;
use std::io::{IsTerminal, stdin};

/// Reads a list of effects: `spin,emit`. Fails with what is to be printed.
pub(super) fn parse(list: &str) -> Result<Vec<Effect>, String> {
    let words = list.split(',').map(str::trim).filter(|word| !word.is_empty());
    let effects = words.map(|word| {
        Effect::named(word).ok_or_else(|| {
            let known: Vec<&str> = Effect::ALL.into_iter().map(Effect::text).collect();
            format!("error: `--allow` knows no effect `{word}`; it knows {}\n", known.join(", "))
        })
    });
    effects.collect()
}

/// What the script would do beyond what is allowed.
pub(super) fn refused(
    prepared: &Prepared,
    allowed: Option<&[Effect]>,
    simulated: bool,
    replayed: bool,
) -> Vec<Diagnostic> {
    let mut here = leave(allowed, simulated || replayed, stdin().is_terminal());
    here.retain(|effect| *effect != Effect::Provokes || simulated);
    let out = |effect: Effect| match effect {
        Effect::Provokes if !simulated => {
            "faults are provoked on simulated heads only: run it with `--head sim`".to_string()
        }
        _ => way_out(allowed.is_some(), effect),
    };
    beyond(&prepared.effects, &here, &out, &prepared.sources)
}
