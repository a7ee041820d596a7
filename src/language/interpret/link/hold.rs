//! Blocks that run while conditions hold.

use crate::interpret::holds::{Condition, What};
use crate::interpret::link::guards::{SHORTEST, duration};
use crate::interpret::link::{Linker, StatementNode};
use crate::program::tree::{Expectation, Held, Number, Statement};
use crate::source::Span;
use crate::station::MAX_SLEEP;
use std::rc::Rc;

impl Linker<'_> {
    /// Runs the body and looks at the conditions meanwhile: when it begins, at each period, and when it
    /// ends well.
    pub(crate) fn hold(
        &mut self,
        conditions: &[Held],
        every: &Number,
        body: &[Statement],
        span: Span,
    ) -> StatementNode {
        let conditions: Rc<[Condition]> = conditions.iter().map(|held| self.held(held)).collect();
        let every = self.number(every);
        let body = self.block(body);
        Box::new(move |machine| {
            let every = duration(machine, &every, span)?.clamp(SHORTEST, MAX_SLEEP);
            let begun = machine.begin_holding(&conditions, every, span);
            let mut flow = begun.and_then(|()| {
                // A pause would pass without a look.
                machine.unbroken += 1;
                let flow = body.run(machine);
                machine.unbroken -= 1;
                flow
            });
            if flow.is_ok() {
                flow = machine.look_at_end().and(flow);
            }
            machine.end_holding();
            flow
        })
    }

    fn held(&mut self, held: &Held) -> Condition {
        let what = match &held.condition {
            Expectation::Holds(flag) => What::Flag(self.flag(flag)),
            Expectation::Limits { value, low, high, shower, .. } => {
                let mut end = |(at, closed): &(_, bool)| (self.number(at), *closed);
                let (low, high) = (low.as_ref().map(&mut end), high.as_ref().map(end));
                What::Limits { value: self.number(value), low, high, shower: shower.clone() }
            }
        };
        Condition { what, text: held.text.clone(), span: held.span }
    }
}
