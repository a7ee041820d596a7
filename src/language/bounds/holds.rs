//! Blocks during which conditions must hold: what looking at them adds.

use crate::bounds::form::Form;
use crate::bounds::known::Interval;
use crate::bounds::nodes::{Id, NOTHING};
use crate::bounds::walk::{Cost, Flow, Walk};
use crate::program::tree::{Expectation, Held, Number, Statement};

/// Shortest time between two looks, in s.
const MIN_PERIOD: f64 = 1e-6;

impl Walk<'_> {
    /// Between two looks at least their period passes that is no look itself, so a block that takes T by itself is
    /// looked at T/period times at most, and when it begins and ends.
    pub(super) fn hold(&mut self, held: &[Held], every: &Number, body: &[Statement]) -> Flow {
        let every = self.number(every);
        let look =
            self.costing(|walk| held.iter().for_each(|held| walk.condition(&held.condition)));
        let (cost, flow) = self.block(body);
        let looks = self.looks(cost.ended, &every, look.0.ended);
        let more = if cost.failing == NOTHING {
            NOTHING
        } else {
            self.looks(cost.failing, &every, look.0.ended)
        };
        let failing = self.nodes.sum([cost.failing, more]);
        let failing = self.nodes.longest([failing, look.0.failing]);
        let ended = self.nodes.sum([cost.ended, looks]);
        self.spend(Cost { ended, failing });
        flow
    }

    fn condition(&mut self, condition: &Expectation) {
        match condition {
            Expectation::Holds(flag) => drop(self.flag(flag)),
            Expectation::Limits { value, low, high, .. } => {
                let ends = low.iter().chain(high).map(|(end, _)| end);
                [value].into_iter().chain(ends).for_each(|number| drop(self.number(number)));
            }
        }
    }

    /// All looks while something takes its time.
    fn looks(&mut self, lasting: Id, every: &Interval, look: Id) -> Id {
        let (seconds, period) = (self.nodes.seconds(lasting), every.range.low.max(MIN_PERIOD));
        if look == NOTHING || !seconds.is_finite() {
            return NOTHING;
        }
        let (fixed, form) = (Form::default(), self.nodes.form(lasting));
        let count = seconds / period;
        let form = if every.form.is_fixed() {
            form.times(seconds, &fixed, 1.0 / period).plus(count, &fixed, 2.0, 1.0)
        } else {
            Form::held(form.params() | every.form.params())
        };
        self.nodes.times(count + 2.0, &form, look)
    }
}
