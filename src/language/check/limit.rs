//! Effects that a run does not allow: each is reported with the calls that bring it.

use crate::builtins::Effect;
use crate::check::flow::EffectsOf;
use crate::diagnostics::{Diagnostic, codes};
use crate::source::SourceMap;

/// Longest chain of calls that is shown.
const CALLS_MOST: usize = 8;

/// What may be done to a head: what was allowed by name; where nothing was, everything, but that
/// nothing is stored for good unless that is `harmless`, on a simulated or replayed head, or
/// somebody is there.
pub fn leave(named: Option<&[Effect]>, harmless: bool, attended: bool) -> Vec<Effect> {
    let usual = |effect: &Effect| *effect != Effect::Stores || harmless || attended;
    named.map_or_else(|| Effect::ALL.into_iter().filter(usual).collect(), <[Effect]>::to_vec)
}

/// How `effect`, which is beyond [`leave`], could be allowed; `named` where a list said what is.
pub fn way_out(named: bool, effect: Effect) -> String {
    if named {
        return format!("add it to the list: `--allow ...,{}`", effect.text());
    }
    let all = Effect::ALL.into_iter().filter(|e| *e != Effect::Provokes).map(Effect::text);
    let all = all.collect::<Vec<_>>().join(",");
    format!("no operator is at the terminal, so storing for good must be allowed: `--allow {all}`")
}

/// Reports what the script may do beyond `allowed`; `way_out` says how it could be allowed.
pub fn beyond(
    effects: &[EffectsOf],
    allowed: &[Effect],
    way_out: &dyn Fn(Effect) -> String,
    sources: &SourceMap,
) -> Vec<Diagnostic> {
    let Some(script) = effects.last() else { return Vec::new() };
    let more = script.effects.iter().filter(|(effect, _)| !allowed.contains(effect));
    let reports = more.map(|(effect, brought)| {
        let call = sources.slice(brought.span);
        let headline = format!("`{call}` {}, which is not allowed in this run", effect.text());
        let mut report = Diagnostic::error(codes::EFFECT_NOT_ALLOWED, headline, brought.span);
        let mut by = brought.by;
        for _ in 0..CALLS_MOST {
            let inner = by.and_then(|index| effects.get(index)).and_then(|e| e.effects.get(effect));
            let Some(inner) = inner else { break };
            report = report.label(inner.span, format!("{} here", effect.text()));
            by = inner.by;
        }
        report.help(way_out(*effect))
    });
    reports.collect()
}
