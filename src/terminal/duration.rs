//! How long a script takes at most: the time, what adds most to it, and how it depends on params.

use crate::terminal::{DIM, styled};
use spintrue_head::{Dimension, show_number};
use spintrue_language::{
    BoundFormula, BoundTerm, Program, SourceMap, TimeBound, longest_text, unknown_bound,
};

/// Places that are listed.
const MAX_PLACES: usize = 3;

/// The longest time and what adds most to it, or why no bound is known.
pub(crate) fn explained(
    bound: &TimeBound,
    program: Option<&Program>,
    sources: &SourceMap,
    colour: bool,
) -> String {
    let (headline, lines): (String, Vec<String>) = match bound.most {
        Some(most) => {
            let places = bound.contributions.iter().take(MAX_PLACES).map(|part| {
                let by = part.span.map_or("to make the head safe at the end".to_string(), |span| {
                    format!("by `{}` at {}", sources.excerpt(span), sources.place(span))
                });
                let from = part.call.map(|call| format!(", called at {}", sources.place(call)));
                format!("    {:<11} {by}{}", longest_text(part.seconds), from.unwrap_or_default())
            });
            let formula = bound
                .formula
                .iter()
                .map(|formula| format!("    that is {}", formula_text(formula, program)));
            (
                format!(
                    "  takes at most {} on this head, computing not counted\n",
                    longest_text(most)
                ),
                places.chain(formula).collect(),
            )
        }
        None => {
            let unknown = bound.unknown.iter().take(MAX_PLACES).map(|unknown| {
                let (at, here) = (sources.place(unknown.span), sources.excerpt(unknown.span));
                format!("    `{here}` at {at}: {}", unknown_bound(unknown, sources))
            });
            ("  no bound on its duration is known\n".to_string(), unknown.collect())
        }
    };
    let lines = lines.iter().map(|line| format!("{}\n", styled(line, DIM, colour)));
    headline + &lines.collect::<String>()
}

/// `rounds × 3.1 s + watch + 45 s, with speed as it is`.
fn formula_text(formula: &BoundFormula, program: Option<&Program>) -> String {
    let params = program.map(|program| program.params.as_slice()).unwrap_or_default();
    let name = |index: &usize| params.get(*index).map_or("?", |param| &*param.name).to_string();
    let term = |term: &BoundTerm| {
        let mut factors: Vec<String> = term.params.iter().map(name).collect();
        let size = term.factor.abs();
        let is_time = |p: &usize| {
            params.get(*p).is_some_and(|param| param.dimension == Some(Dimension::TIME))
        };
        if !term.params.iter().any(is_time) {
            factors.push(longest_text(size));
        } else if size != 1.0 {
            factors.push(show_number(size, None));
        }
        factors.join(" × ")
    };
    let mut all = String::new();
    for one in &formula.terms {
        let sign = match (all.is_empty(), one.factor < 0.0) {
            (true, false) => "",
            (true, true) => "-",
            (false, false) => " + ",
            (false, true) => " - ",
        };
        if one.factor != 0.0 {
            all.push_str(&format!("{sign}{}", term(one)));
        }
    }
    if !formula.held.is_empty() {
        let held: Vec<String> = formula.held.iter().map(name).collect();
        all.push_str(&format!(", with {} as set", held.join(", ")));
    }
    all
}
