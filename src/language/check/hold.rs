//! `hold`: conditions that must hold while a block runs. They only read, and tell nothing, since they are
//! looked at again and again.

use crate::builtins::Effect;
use crate::check::Checker;
use crate::check::flow::{CallSite, Callee, Graph, put};
use crate::diagnostics::codes;
use crate::program::tree as program;
use crate::program::tree::{Expectation, Held, Number};
use crate::source::Span;
use crate::syntax::tree::{Block, Expression};
use std::ops::Range;
use std::rc::Rc;

/// Time in s between two looks of a `hold` that does not say.
const DEFAULT_EVERY: f64 = 0.1;

/// The calls of one `hold`, as they lie among all calls.
pub(super) struct Site {
    keyword: Span,
    conditions: Range<usize>,
    body: Range<usize>,
}

impl Checker<'_> {
    /// Checks a block with its conditions; tells whether control surely leaves it.
    pub(super) fn hold(
        &mut self,
        conditions: &[Expression],
        every: Option<&Expression>,
        body: &Block,
        span: Span,
        code: &mut Vec<program::Statement>,
    ) -> bool {
        let first = self.calls.len();
        let conditions = conditions.iter().filter_map(|condition| {
            let text = Rc::from(self.whole_words(condition.span).as_str());
            let held = self.expectation(condition, "what must hold")?;
            if let Expectation::Limits { uncertainty: Some(_), .. } = &held {
                let headline = "a condition that must hold has no uncertainty";
                self.error(codes::MISPLACED_UNCERTAINTY, headline, condition.span)
                    .help("compare the value itself, and check it with `expect`");
            }
            Some(Held { condition: held, text, span: condition.span })
        });
        let conditions: Vec<Held> = conditions.collect();
        let last = self.calls.len();
        let every = match every {
            Some(every) => self.time(every, "the step behind `every`"),
            None => Number::Constant(DEFAULT_EVERY),
        };
        let inside = self.calls.len();
        let (body, leaves) = self.block(body);
        let keyword = Span { end: span.start + 4, ..span };
        let body_calls = inside..self.calls.len();
        self.holds.push(Site { keyword, conditions: first..last, body: body_calls });
        code.push(program::Statement::Hold { conditions, every, body, span: keyword });
        leaves
    }

    /// Notes that a routine tells something of the run.
    pub(super) fn tells(&mut self, span: Span) {
        let routine = self.inside.routine.and_then(|routine| self.routines.get_mut(routine));
        if let Some(routine) = routine {
            routine.tells.get_or_insert(span);
        }
    }

    /// Reports conditions that do more than read, and questions while conditions must hold.
    pub(super) fn held_only_read(&mut self, graph: &Graph) {
        let mut tells: Vec<Option<Span>> = self.routines.iter().map(|r| r.tells).collect();
        for routine in &graph.order {
            let by = graph.calls_of(Some(*routine)).find_map(|site| told_by(&tells, site));
            let own = tells.get(*routine).copied().flatten();
            put(&mut tells, *routine, own.or(by));
        }
        for Site { keyword, conditions, body } in std::mem::take(&mut self.holds) {
            let calls = |range: Range<usize>| self.calls.get(range).unwrap_or(&[]).to_vec();
            let (conditions, body) = (calls(conditions), calls(body));
            for site in conditions {
                let acts = graph.effects_of(site.callee).into_iter().find(|e| *e != Effect::Reads);
                let text = self.words(site.span);
                if let Some(effect) = acts {
                    let headline =
                        format!("`{text}` {}, and a condition only reads", effect.text());
                    self.error(codes::HELD_CONDITION_ACTS, headline, site.span)
                        .label(keyword, "looked at again and again")
                        .help("call it before the block, and look at what it should have done");
                } else if let Some(place) = told_by(&tells, &site) {
                    let headline = format!("`{text}` tells something at each look");
                    self.error(codes::HELD_CONDITION_ACTS, headline, site.span)
                        .label(place, "`expect`, `record` and `note` tell")
                        .help("write a routine for the condition that only reads");
                }
            }
            for site in body {
                if graph.effects_of(site.callee).contains(&Effect::Asks) {
                    let headline = "a question is asked while conditions must hold";
                    self.error(codes::QUESTION_WHILE_HELD, headline, site.span)
                        .label(keyword, "held here")
                        .help("ask before or behind the block: nothing is looked at while an answer is awaited");
                }
            }
        }
    }
}

fn told_by(tells: &[Option<Span>], site: &CallSite) -> Option<Span> {
    match site.callee {
        Callee::Routine(index) => tells.get(index).copied().flatten(),
        _ => None,
    }
}
