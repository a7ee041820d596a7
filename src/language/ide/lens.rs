//! What stands above a script and each of its routines: effects on the head, and the longest time.

use crate::bounds::{Bound, Timed, longest_text, unknown_bound};
use crate::builtins::Effect;
use crate::check::flow::EffectsOf;
use crate::ide::place::Place;
use crate::source::Span;

/// Something to be shown above a line.
pub struct Lens {
    /// What it is about.
    pub span: Span,
    /// In words.
    pub title: String,
}

/// What stands above the parts of a document: the script first, where it is one, then its routines.
pub fn lenses(place: Place<'_>) -> Vec<Lens> {
    let Place { project, analysis, .. } = place;
    let bound = project.bound(analysis);
    let prepared = &analysis.examined.prepared;
    let mut lenses = Vec::new();
    let is_script = place.file_name() == Some(place.root) && !analysis.is_library;
    if let Some(effects) = prepared.effects.iter().find(|of| of.routine.is_none() && is_script) {
        let parts = [Some(effects_of(place, effects)), bound.and_then(|bound| whole(place, bound))];
        let title = parts.into_iter().flatten().collect::<Vec<_>>().join(" · ");
        lenses.push(Lens { span: Span::new(place.source, 0, 0), title });
    }
    let Some(file) = analysis.file(place.source) else { return lenses };
    for (_, routine) in file.routines() {
        let name = routine.name.span;
        let Some(at) = analysis.examined.index.routines.iter().position(|r| *r == name) else {
            continue;
        };
        let Some(effects) = prepared.effects.get(at) else { continue };
        let seconds = bound.and_then(|bound| bound.timed.get(&Timed::Routine(at)));
        let time = seconds.map(|s| format!(" · at most {} a call", longest_text(*s)));
        let title = format!("{}{}", effects_of(place, effects), time.unwrap_or_default());
        lenses.push(Lens { span: routine.head, title });
    }
    lenses
}

fn effects_of(place: Place<'_>, of: &EffectsOf) -> String {
    let words: Vec<&str> = of.effects.keys().copied().map(Effect::text).collect();
    match (words.is_empty(), of.routine.is_some()) {
        // A call with a mistake may bring more.
        (true, _) if place.analysis.examined.prepared.errors() > 0 => {
            "no effect on the head is known".to_string()
        }
        (true, _) => "does nothing to the head".to_string(),
        (false, true) => words.join(", "),
        (false, false) => format!("the script {}", words.join(", ")),
    }
}

/// How long the whole script takes.
fn whole(place: Place<'_>, bound: &Bound) -> Option<String> {
    let prepared = &place.analysis.examined.prepared;
    let head = place.project.head()?.name();
    if let Some(most) = bound.most {
        return Some(format!("at most {} on {head}", longest_text(most)));
    }
    if let Some(param) = prepared.unset.first() {
        return Some(format!("its longest time is known once `{}` is set", param.name));
    }
    let unknown = bound.unknown.first()?;
    let line = prepared.sources.place(unknown.span);
    let why = unknown_bound(unknown, &prepared.sources);
    Some(format!("no bound on its time is known: {line}: {why}"))
}
