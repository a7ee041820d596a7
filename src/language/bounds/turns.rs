//! The turns of a loop one by one, each walked once for all it may begin with.

use crate::bounds::known::{Fact, Interval};
use crate::bounds::loops::{Made, Turned, Work};
use crate::bounds::state::{Key, Written};
use crate::bounds::walk::{Cost, Flow, Walk};
use crate::builtins::Range;

/// The last turn that was walked, with what it began with: nothing else decides how it goes.
struct Last {
    state: Written,
    item: Option<(Key, Fact)>,
    turned: Turned,
}

/// What turns make, one behind the other.
struct Tally {
    costs: Vec<Cost>,
    element: Option<Fact>,
    each: Option<Vec<Fact>>,
    kept: Range,
}

impl Tally {
    fn add(&mut self, turned: &Turned, doubtful: bool) {
        let surely = turned.keeps == Some(true) && !doubtful;
        self.kept.low += f64::from(surely);
        self.kept.high += f64::from(turned.keeps != Some(false));
        self.costs.extend([turned.looking, turned.cost]);
        match (&mut self.each, &turned.element, turned.keeps) {
            (Some(all), Some(element), _) if surely => all.push(element.clone()),
            (_, None, Some(false)) => {}
            (each, ..) => *each = None,
        }
    }

    fn join(&mut self, element: Option<&Fact>) {
        self.element = match (self.element.take(), element) {
            (Some(a), Some(b)) => Some(a.joined(b)),
            (a, b) => a.or(b.cloned()),
        };
    }
}

impl Walk<'_> {
    /// Each turn by itself; none where that takes too long.
    pub(super) fn turn_by_turn(
        &mut self,
        count: &Interval,
        work: &Work<'_, '_>,
    ) -> Option<(Cost, Made)> {
        let start = self.state.mark();
        self.unrolling += 1;
        let mut exits: Vec<Written> = Vec::new();
        let (costs, kept) = (Vec::new(), Range::only(0.0));
        let mut tally = Tally { costs, element: None, each: Some(Vec::new()), kept };
        let (mut live, mut leaves) = (true, false);
        let mut last: Option<Last> = None;
        // The last turn left all as it was.
        let mut stays = false;
        for at in 0..count.range.high as usize {
            let maybe = at as f64 >= count.range.low;
            let is_first = at as f64 - 1.0 < count.range.low;
            if maybe && (is_first || !stays) {
                exits.push(self.state.since(start));
            }
            // A turn that may not come tells nothing of its own but its time: it stands for any.
            let nth = Some(at).filter(|_| !(maybe && self.nodes.is_unasked));
            let item = work.target.map(|(key, items)| (key, items(nth)));
            let doubtful = leaves || maybe;
            let state = if stays { None } else { Some(self.entry(start, work)) };
            let is_again = |last: &&Last| {
                let as_before = |state: &Written| *state == last.state;
                last.item == item && state.as_ref().is_none_or(as_before)
            };
            if let Some(again) = last.as_ref().filter(is_again) {
                self.burn(1);
                tally.add(&again.turned, doubtful);
                stays = true;
                continue;
            }
            let state = state.or(last.take().map(|last| last.state)).unwrap_or_default();
            let returned = self.returned.len();
            let walked = |walk: &mut Self| walk.turn(item.clone(), work, start);
            let mut turned = self.doubting(doubtful, walked);
            leaves |= !turned.ended.is_empty() || self.returned.len() > returned;
            tally.add(&turned, doubtful);
            tally.join(turned.element.as_ref());
            exits.append(&mut turned.ended);
            if !turned.ends && turned.goes_on.is_empty() {
                self.state.undo(start);
                live = false;
                break;
            }
            self.go_on_from(turned.ends, std::mem::take(&mut turned.goes_on), start);
            self.state.settle(start);
            if turned.until == Some(true) || turned.flow == Flow::Fails || self.fuel == 0 {
                break;
            }
            stays = false;
            last = Some(Last { state, item, turned });
        }
        if let (true, Some(before)) = (live, work.before) {
            let mark = self.state.mark();
            tally.costs.push(self.costing(|walk| walk.flag(before)).0);
            self.state.undo(mark);
        }
        self.unrolling -= 1;
        if self.fuel == 0 {
            self.state.undo(start);
            return None;
        }
        if !live {
            self.state.join(&exits);
        } else {
            self.go_on_from(true, exits, start);
        }
        let Tally { costs, element, each, kept } = tally;
        let ended = self.nodes.sum(costs.iter().map(|cost| cost.ended));
        let failing = self.nodes.longest(costs.iter().map(|cost| cost.failing));
        Some((Cost { ended, failing }, Made { element, kept: Some(kept), each }))
    }

    /// What turns have written so far; the loop variable is written anew by each.
    fn entry(&self, start: usize, work: &Work<'_, '_>) -> Written {
        let mut written = self.state.since(start);
        if let Some((target, _)) = work.target {
            written.0.retain(|(key, _)| *key != target);
        }
        written
    }
}
