//! Blocks during which conditions must hold: what looking at them adds.
//!
//! Between two looks at least their period passes that is no look itself. Looks in a wait delay its end by the last
//! one alone, since it ends by the clock. A look in a call follows another one in calls, with a period of them in
//! between, or is the first one behind a wait. So a look is counted at the beginning and the end of the block, two
//! for each wait, and one for each period that calls take.

use crate::bounds::form::{Form, Params};
use crate::bounds::nodes::{Id, NOTHING};
use crate::bounds::walk::{Cost, Flow, Walk};
use crate::program::tree::{Expectation, Held, Number, Statement};
use crate::source::Span;

/// Shortest time between two looks, in s.
const MIN_PERIOD: f64 = 1e-6;

/// Conditions that must hold around what is walked.
#[derive(Clone, Debug)]
pub(super) struct Holding {
    /// What looking at all of them takes.
    look: Id,
    /// Time between two looks, in s, and the params that it depends on.
    period: f64,
    params: Params,
}

impl Walk<'_> {
    /// A block while conditions must hold.
    pub(super) fn hold(
        &mut self,
        held: &[Held],
        every: &Number,
        body: &[Statement],
        span: Span,
    ) -> Flow {
        let every = self.number(every);
        self.judge_time(&every, f64::INFINITY, span);
        held.iter().for_each(|held| self.judge_held(held));
        let around = std::mem::take(&mut self.holds);
        let look =
            self.costing(|walk| held.iter().for_each(|held| walk.condition(&held.condition)));
        self.holds = around;
        let (look, period) = (look.0, every.range.low.max(MIN_PERIOD));
        self.holds.push(Holding { look: look.ended, period, params: every.form.params() });
        let around = self.around;
        self.hold_speed(held);
        let (cost, flow) = self.block(body);
        self.around = around;
        self.holds.pop();
        let looks = self.nodes.times(2.0, &Form::default(), look.ended);
        let failing = self.nodes.longest([cost.failing, look.failing]);
        let ended = self.nodes.sum([cost.ended, looks]);
        self.spend(Cost { ended, failing });
        flow
    }

    pub(super) fn condition(&mut self, condition: &Expectation) {
        match condition {
            Expectation::Holds(flag) => drop(self.flag(flag)),
            Expectation::Limits { value, low, high, .. } => {
                let ends = low.iter().chain(high).map(|(end, _)| end);
                [value].into_iter().chain(ends).for_each(|number| drop(self.number(number)));
            }
        }
    }

    /// What tells apart in how much looking a routine is walked.
    pub(super) fn looking(&self) -> Vec<(f64, f64)> {
        self.holds.iter().map(|held| (self.nodes.seconds(held.look), held.period)).collect()
    }

    /// Looks around a wait.
    pub(super) fn looks_of_wait(&mut self) -> Id {
        self.looks(|_| (2.0, 0))
    }

    /// Looks in a call that takes so many s, which depends on these params.
    pub(super) fn looks_of_call(&mut self, seconds: f64, by: Params) -> Id {
        self.looks(|held| (seconds / held.period, by | held.params))
    }

    fn looks(&mut self, count: impl Fn(&Holding) -> (f64, Params)) -> Id {
        let held = self.holds.iter().filter(|held| held.look != NOTHING);
        let looks = held.map(|held| {
            let (count, params) = count(held);
            self.nodes.times(count, &Form::held(params), held.look)
        });
        let looks: Vec<Id> = looks.collect();
        self.nodes.sum(looks)
    }
}
