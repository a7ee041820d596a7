//! Loops: one turn times their bound, or turn by turn where that tells more.

use crate::bounds::form::Form;
use crate::bounds::known::{Fact, Interval, Shape};
use crate::bounds::nodes::{Id, NOTHING, Timed, What};
use crate::bounds::state::{Key, Written};
use crate::bounds::value::parts_of;
use crate::bounds::walk::{Cost, Flow, Loop, Walk};
use crate::bounds::writes::{Growth, scan};
use crate::builtins::Range;
use crate::program::tree::{Flag, Number, Over, Part, Slot, Statement};
use crate::program::types::Layout;
use crate::program::visit::Node;
use crate::source::Span;
use std::rc::Rc;

/// Most turns that are walked one by one.
const MAX_UNROLLED_TURNS: f64 = 64.0;
/// Parts of a list whose copy takes as long as a statement.
const PARTS_PER_STATEMENT: usize = 32;

/// What is done in each turn of a loop over a range or list.
#[derive(Clone, Copy)]
pub(super) enum Turn<'p> {
    /// Statements.
    Body(&'p [Statement]),
    /// An element of a list, where the flag holds.
    Element(Option<&'p Flag>, &'p Part),
}

/// What a loop makes.
#[derive(Default)]
pub(super) struct Made {
    /// What holds for every element.
    pub element: Option<Fact>,
    /// How many there are, and each of them, where the turns tell.
    pub kept: Option<Range>,
    pub each: Option<Vec<Fact>>,
}

/// What the loop variable is in a turn, or in any turn.
pub(super) type Items<'w> = dyn Fn(Option<usize>) -> Fact + 'w;

/// What one turn does.
pub(super) struct Work<'w, 'p> {
    pub target: Option<(Key, &'w Items<'w>)>,
    pub before: Option<&'p Flag>,
    turn: Turn<'p>,
    until: Option<&'p Flag>,
}

/// How one turn went.
#[derive(Default)]
pub(super) struct Turned {
    /// Looking at the condition before the turn, and the turn.
    pub looking: Cost,
    pub cost: Cost,
    pub flow: Flow,
    pub element: Option<Fact>,
    /// Whether a list gets the element.
    pub keeps: Option<bool>,
    /// What is surely known of the condition to go on, before and after.
    before: Option<bool>,
    pub until: Option<bool>,
    /// What was written where the loop ended, before the turn or in it.
    pub ended: Vec<Written>,
    /// What was written where it goes on from within the turn; it goes on from its end, too, where that is reached.
    pub goes_on: Vec<Written>,
    pub ends: bool,
}

/// What holds for every number from the first up to but without the last.
pub(super) fn span_of(first: &Interval, last: &Interval, count: &Interval) -> Interval {
    let high = last.range.high.min(first.range.high + count.range.high - 1.0);
    let high = if high.is_nan() { last.range.high } else { high.max(first.range.low) };
    Interval::of(Range { low: first.range.low, high }).after(&[first, last])
}

impl Walk<'_> {
    /// A block that is done or not.
    pub(super) fn perhaps(&mut self, block: &[Statement]) -> Flow {
        let (cost, flow, written) = self.way(block);
        self.perhaps_done(cost, flow, written)
    }

    pub(super) fn perhaps_done(&mut self, cost: Cost, flow: Flow, written: Written) -> Flow {
        self.spend(cost);
        let mut ways = vec![Written::default()];
        ways.extend((flow == Flow::Next).then_some(written));
        self.state.join(&ways);
        Flow::Next
    }

    /// Steps from one number up to but without another.
    pub(super) fn steps(&self, first: &Interval, last: &Interval) -> Interval {
        let count = |from: f64, to: f64| {
            let steps = to - from;
            let exact = from + steps == to && to - steps == from;
            (steps.ceil() + if exact { 0.0 } else { 1.0 }).max(0.0)
        };
        if !(first.range.is_bounded() && last.range.is_bounded()) {
            return Interval::any_count().after(&[first, last]);
        }
        let range = Range {
            low: (last.range.low - first.range.high - 1.0).floor().max(0.0),
            high: count(first.range.low, last.range.high),
        };
        let exact = first.range.is_exact() && last.range.is_exact();
        let whole = exact && last.range.low - first.range.low == range.high;
        if !whole {
            return Interval::of(range).after(&[first, last]);
        }
        let form = last.form.plus(last.range.low, &first.form, first.range.low, -1.0);
        Interval { form, ..Interval::only(range.high) }
    }

    /// A loop over a range or list; gives the list that a comprehension makes.
    pub(super) fn each(
        &mut self,
        target: Slot,
        over: &Over,
        span: Span,
        turn: Turn<'_>,
    ) -> Rc<Shape> {
        let (count, items): (Interval, Box<Items<'_>>) = match over {
            Over::Range(first, last) => {
                let (first, last) = (self.number(first), self.number(last));
                let count = self.steps(&first, &last);
                if !count.range.is_exact() {
                    self.vague += 1;
                }
                let any = span_of(&first, &last, &count);
                let item = move |at: Option<usize>| {
                    let Some(at) = at else { return Fact::Number(any.clone()) };
                    let low = first.range.low + at as f64;
                    let range = Range { low, high: first.range.high + at as f64 };
                    Fact::Number(Interval::of(range).after(&[&first]))
                };
                (count, Box::new(item))
            }
            Over::List { list, item, record } => {
                let list = self.reference(list);
                let count = list.count(*item);
                let item = move |at: Option<usize>| match list.item(*item, at) {
                    shape if *record => Fact::Shape(shape),
                    shape if matches!(target, Slot::Ref(_)) => Fact::Shape(shape.reference(0)),
                    shape => Fact::Number(shape.word(0)),
                };
                (count, Box::new(item))
            }
        };
        let target = Some((target.into(), &*items));
        let work = Work { target, before: None, turn, until: None };
        let is_fixed = count.form.is_fixed();
        let Made { element, kept, each } = self.looped(&count, &work, span);
        let Turn::Element(only_if, part) = turn else { return Shape::unknown(None) };
        let mut all = count;
        if only_if.is_some() {
            let kept = kept.unwrap_or(Range { low: 0.0, ..all.range });
            all = Interval::of(kept).after(&[&all]);
        }
        let each = each.filter(|_| is_fixed).and_then(|each| {
            each.into_iter().map(|element| parts_of(part, element)).collect::<Option<Vec<_>>>()
        });
        if let Some(each) = each {
            let (words, refs): (Vec<_>, Vec<_>) = each.into_iter().unzip();
            return Shape::exact(words.concat(), refs.concat());
        }
        if all.range == Range::only(0.0) {
            return Shape::exact(Vec::new(), Vec::new());
        }
        let (words, refs) = element.and_then(|any| parts_of(part, any)).unwrap_or_default();
        self.judge_list(&all, Layout { words: words.len(), refs: refs.len() }, span);
        Shape::repeated(all, words, refs)
    }

    /// A loop with a bound.
    pub(super) fn repeat(
        &mut self,
        times: &Number,
        (before, until): (Option<&Flag>, Option<&Flag>),
        body: &[Statement],
        otherwise: &[Statement],
        span: Span,
    ) -> Flow {
        let mut count = self.number(times);
        self.judge_turns(&count, span);
        if !count.range.is_exact() {
            self.vague += 1;
        }
        count.range.low = count.range.low.max(0.0);
        count.range.high = count.range.high.max(0.0);
        let work = Work { target: None, before, turn: Turn::Body(body), until };
        self.looped(&count, &work, span);
        self.perhaps(otherwise)
    }

    /// The time of a loop; its variables are known afterwards as far as possible.
    fn looped(&mut self, count: &Interval, work: &Work<'_, '_>, span: Span) -> Made {
        let is_short = count.range.high <= MAX_UNROLLED_TURNS && self.fuel > 0;
        let tells_all = match self.is_proving() {
            // What fails in any turn fails in the first, if there is one.
            true => count.range.low >= 1.0,
            false => count.form.is_fixed(),
        };
        if is_short && tells_all && self.nodes.is_unasked {
            return self.looped_unasked(count, work, span);
        }
        let mark = self.state.mark();
        let vague = self.vague;
        let returned = self.returned.len();
        let seen = self.state.seen();
        let (cost, made) = self.by_any_turn(count, work, span);
        let tells_more = self.eager || (self.vague > vague && count.form.is_fixed());
        let is_long = self.is_long(count);
        if (tells_more && is_short && self.fuel > 0) || is_long {
            let written = self.state.take(mark);
            let given = self.returned.split_off(returned);
            let wider = self.state.seen();
            self.state.unsee(seen);
            // What takes no time in any turn takes none in each.
            let is_unasked = self.nodes.is_unasked;
            self.nodes.is_unasked |= cost == Cost::default();
            let exact = match is_long {
                true => self.at_length(|walk| walk.turn_by_turn(count, work)),
                false => self.turn_by_turn(count, work),
            };
            self.nodes.is_unasked = is_unasked;
            if let Some((exact, made)) = exact
                && self.nodes.seconds(exact.ended) <= self.nodes.seconds(cost.ended)
            {
                self.deciding |= count.form.params();
                self.spend_on_loop(span, exact);
                return made;
            }
            self.returned.truncate(returned);
            self.returned.extend(given);
            self.state.unsee(wider);
            self.state.undo(mark);
            for (key, val) in written.0 {
                self.state.set(key, val);
            }
        }
        self.spend_on_loop(span, cost);
        made
    }

    /// A loop whose time is not asked: any turn is looked at only where there are too many of them.
    fn looped_unasked(&mut self, count: &Interval, work: &Work<'_, '_>, span: Span) -> Made {
        let (fuel, returned, seen) = (self.fuel, self.returned.len(), self.state.seen());
        if let Some((_, made)) = self.turn_by_turn(count, work) {
            return made;
        }
        self.returned.truncate(returned);
        self.state.unsee(seen);
        if self.unrolling == 0 {
            // Loops inside may be short enough, with ever less of it for those inside them.
            self.fuel = fuel / 2;
        }
        let (_, made) = self.by_any_turn(count, work, span);
        self.fuel = 0;
        made
    }

    fn by_any_turn(&mut self, count: &Interval, work: &Work<'_, '_>, span: Span) -> (Cost, Made) {
        let never = count.range.high <= 0.0;
        let (cost, element) = self.doubting(never, |walk| walk.any_turn(count, work, span));
        (cost, Made { element, ..Made::default() })
    }

    /// It has too many turns for a bound, and each of them is looked at for what surely fails there.
    fn is_long(&self, count: &Interval) -> bool {
        let turns = count.range;
        let is_known = self.is_proving() && turns.is_exact();
        is_known && turns.high > MAX_UNROLLED_TURNS && turns.high < f64::from(self.long_fuel)
    }

    /// Walks a long loop, with fuel of its own.
    fn at_length<T>(&mut self, work: impl FnOnce(&mut Self) -> T) -> T {
        if self.is_at_length {
            return work(self);
        }
        let before = (self.fuel, self.is_at_length);
        (self.fuel, self.is_at_length) = (self.long_fuel, true);
        let done = work(self);
        self.long_fuel = self.fuel;
        (self.fuel, self.is_at_length) = before;
        done
    }

    /// Uses fuel up inside a long loop, for what is no statement.
    pub(super) fn burn(&mut self, fuel: usize) {
        if self.is_at_length {
            self.fuel = self.fuel.saturating_sub(u32::try_from(fuel).unwrap_or(u32::MAX));
        }
    }

    /// The same for a list that is copied.
    pub(super) fn burn_copy(&mut self, list: &Shape) {
        let size = list.parts.as_ref().map_or(0, |parts| parts.words.len() + parts.refs.len());
        self.burn(size / PARTS_PER_STATEMENT);
    }

    fn spend_on_loop(&mut self, span: Span, cost: Cost) {
        let ended = self.nodes.timed(Timed::Loop(span), cost.ended, cost.failing);
        self.spend(Cost { ended, ..cost });
    }

    /// Any turn, times the bound.
    fn any_turn(
        &mut self,
        count: &Interval,
        work: &Work<'_, '_>,
        span: Span,
    ) -> (Cost, Option<Fact>) {
        let flags = [work.before, work.until].into_iter().flatten().map(Node::from);
        let mut nodes: Vec<Node<'_>> = flags.collect();
        match work.turn {
            Turn::Body(body) => nodes.extend(body.iter().map(Node::from)),
            Turn::Element(only_if, part) => {
                nodes.push(part.into());
                nodes.extend(only_if.map(Node::from));
            }
        }
        let scan = scan(&self.spins, self.speed, nodes);
        let grown = if self.is_proving() { scan.grown() } else { Vec::new() };
        let entry = self.state.all(scan.writes.clone());
        for key in &scan.writes {
            self.forget_key(*key);
        }
        for growth in &grown {
            let any = Interval::of(Range { low: 0.0, high: growth.most });
            self.state.set(growth.key, Fact::Shape(Shape::of_length(any)));
        }
        let item = work.target.map(|(key, items)| (key, items(None)));
        let inner = self.state.mark();
        let returned = self.returned.len();
        let mut turned = self.turn(item, work, inner);
        if turned.ends {
            turned.goes_on.push(self.state.since(inner));
        }
        self.state.undo(inner);
        let leaves = !turned.ended.is_empty() || self.returned.len() > returned;
        self.last_turn(count, work, leaves);
        let grown: Vec<(Growth, Interval)> = grown
            .into_iter()
            .map(|growth| {
                let before = entry.get(growth.key).cloned();
                let length = growth.after(before, count, &turned.goes_on, &turned.ended, leaves);
                (growth, length)
            })
            .collect();
        let mut ways = vec![entry];
        ways.extend(turned.ended);
        ways.extend(turned.goes_on);
        self.state.join(&ways);
        for (growth, length) in grown {
            match growth.item {
                Some(item) => self.judge_list(&length, item, growth.span),
                None => self.judge_text(&length, growth.span),
            }
            self.state.set(growth.key, Fact::Shape(Shape::of_length(length)));
        }
        let turns = self.multiple(count, 0.0, turned.cost.ended, span);
        // The condition is looked at once more than there are turns.
        let looks = self.multiple(count, 1.0, turned.looking.ended, span);
        let ended = self.nodes.sum([looks, turns]);
        let failing = self.nodes.longest([turned.looking.failing, turned.cost.failing]);
        (Cost { ended, failing }, turned.element)
    }

    /// The last of many turns, where it is reached in any case: a range goes up to its end.
    fn last_turn(&mut self, count: &Interval, work: &Work<'_, '_>, leaves: bool) {
        let many = count.range.is_exact() && count.range.high > MAX_UNROLLED_TURNS;
        let many = many && self.is_proving() && !self.is_long(count);
        let Some((key, items)) = work.target.filter(|_| many && !leaves) else {
            return;
        };
        let item = items(Some(count.range.high as usize - 1));
        let (mark, returned) = (self.state.mark(), self.returned.len());
        self.turn(Some((key, item)), work, mark);
        self.state.undo(mark);
        self.returned.truncate(returned);
    }

    /// What is done in each turn, times the turns.
    fn multiple(&mut self, count: &Interval, more: f64, part: Id, span: Span) -> Id {
        let high = count.range.high;
        if part == NOTHING || self.nodes.seconds(part).is_infinite() {
            return part;
        }
        if high.is_finite() {
            let form = count.form.plus(high, &Form::default(), more, 1.0);
            return self.nodes.times(high + more, &form, part);
        }
        self.vague += 1;
        self.nodes.unknown(span, What::Loop, count.from)
    }

    /// One turn; what it writes is told against `mark`.
    pub(super) fn turn(
        &mut self,
        item: Option<(Key, Fact)>,
        work: &Work<'_, '_>,
        mark: usize,
    ) -> Turned {
        let mut turned = Turned::default();
        if let Some(flag) = work.before {
            (turned.looking, turned.before) = self.costing(|walk| walk.decide(flag));
            if turned.before != Some(true) {
                turned.ended.push(self.state.since(mark));
            }
        }
        if let Some((key, item)) = item {
            self.state.set(key, item);
        }
        if turned.before != Some(false) {
            let unsure = work.before.is_some() && turned.before.is_none();
            let turn = |walk: &mut Self| walk.costing(|walk| walk.work(work, mark, &mut turned)).0;
            let cost = self.doubting(unsure, turn);
            turned.cost = cost;
        }
        turned
    }

    /// What is done in a turn.
    fn work(&mut self, work: &Work<'_, '_>, mark: usize, turned: &mut Turned) {
        match work.turn {
            Turn::Body(body) => {
                self.loops.push(Loop { mark, breaks: Vec::new(), continues: Vec::new() });
                let (cost, flow) = self.block(body);
                self.spend(cost);
                turned.flow = flow;
                if let Some(around) = self.loops.pop() {
                    turned.ended.extend(around.breaks);
                    turned.goes_on = around.continues;
                }
            }
            Turn::Element(only_if, part) => {
                self.burn(1);
                turned.keeps = only_if.map_or(Some(true), |flag| self.decide(flag));
                if turned.keeps != Some(false) {
                    let unsure = turned.keeps.is_none();
                    let element = self.doubting(unsure, |walk| walk.expression(&part.value));
                    turned.element = Some(element);
                }
            }
        }
        turned.ends = turned.flow == Flow::Next;
        if let Some(flag) = work.until
            && (turned.ends || !turned.goes_on.is_empty())
        {
            self.go_on_from(turned.ends, std::mem::take(&mut turned.goes_on), mark);
            turned.ends = true;
            turned.until = self.decide(flag);
            if turned.until != Some(false) {
                turned.ended.push(self.state.since(mark));
            }
        }
    }

    /// Goes on behind a turn: from its end, from the ways out of it, or from all of them.
    pub(super) fn go_on_from(&mut self, ends: bool, mut ways: Vec<Written>, mark: usize) {
        if ways.is_empty() {
            return;
        }
        if ends {
            ways.push(self.state.since(mark));
        }
        self.state.undo(mark);
        self.state.join(&ways);
    }
}
