//! Statements: what each takes at most, and what is known afterwards.

use crate::bounds::calls::any_speed;
use crate::bounds::finding::{Finding, Proof};
use crate::bounds::form::Form;
use crate::bounds::holds::Holding;
use crate::bounds::known::{Fact, Interval};
use crate::bounds::loops::Turn;
use crate::bounds::nodes::{Id, NOTHING, Nodes, What};
use crate::bounds::presumed::Around;
use crate::bounds::state::{Key, State, Written};
use crate::bounds::value::parts_of;
use crate::bounds::writes::{Seen, scan, seen};
use crate::builtins::Range;
use crate::builtins::bound::answer;
use crate::program::tree::{Ask, Flag, Hop, Number, Part, Program, Slot, Statement};
use crate::program::visit::Node;
use crate::source::Span;
use crate::station::MAX_SLEEP;
use spintrue_head::Description;
use std::collections::BTreeMap;

/// Most statements that unrolled loops may take in all.
const MAX_UNROLLED: u32 = 4_000;
/// Blocks, calls and expressions inside each other.
const MAX_DEPTH: u32 = 400;
/// A wait may end so much late, in s: its last pause is never shorter.
const MIN_PAUSE: f64 = 1e-6;

/// What something takes: to its end, and beyond that if it fails.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Cost {
    /// Where it ends by itself.
    pub ended: Id,
    /// Beyond that, where it fails on the way.
    pub failing: Id,
}

/// How a block goes on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Flow {
    /// With the next statement.
    #[default]
    Next,
    /// Somewhere else.
    Jump,
    /// Nowhere: it always fails.
    Fails,
}

/// The ways on behind blocks of which one is done, or several.
#[derive(Default)]
struct Ways {
    /// What was written on those that lead to the next statement.
    open: Vec<Written>,
    jumps: bool,
}

impl Ways {
    fn add(&mut self, flow: Flow, written: Written) {
        match flow {
            Flow::Next => self.open.push(written),
            Flow::Jump => self.jumps = true,
            Flow::Fails => {}
        }
    }
}

/// The cost and result of a call of a routine.
#[derive(Clone, Debug)]
pub(super) struct Called {
    pub cost: Cost,
    pub result: Fact,
    pub speed: Interval,
    pub findings: Vec<Finding>,
}

/// What a routine was walked for, and what came of it.
#[derive(Debug)]
pub(super) struct Context {
    pub arguments: Vec<Fact>,
    pub speed: Interval,
    /// How much looking at conditions goes on around.
    pub looking: Vec<(f64, f64)>,
    pub around: Around,
    pub called: Called,
}

/// A loop that is being walked.
pub(super) struct Loop {
    /// Where its turn began.
    pub mark: usize,
    /// What was written at each `break`, and at each `continue`.
    pub breaks: Vec<Written>,
    pub continues: Vec<Written>,
}

/// A walk over a program.
pub(super) struct Walk<'a> {
    pub(super) program: &'a Program,
    pub(super) head: &'a Description,
    pub(super) nodes: Nodes,
    pub(super) state: State,
    /// The speed that the polygon was asked for.
    pub(super) speed: Key,
    pub(super) spins: Vec<bool>,
    /// There is an `arm` block anywhere. Where the head does not confirm that the light is off, it
    /// counts as armed behind its block too.
    pub(super) arms: bool,
    /// The polygon may be kept spinning at the end.
    pub(super) keeps: bool,
    /// Lines may be drawn steadily.
    pub(super) draws: bool,
    /// What the expressions of the present statement take, behind those of what is around it.
    spent: Vec<Cost>,
    pub(super) loops: Vec<Loop>,
    /// What the routine being walked has given back so far, with the speed then.
    pub(super) returned: Vec<(Option<Fact>, Interval)>,
    pub(super) known_calls: BTreeMap<usize, Vec<Context>>,
    /// Conditions that must hold around.
    pub(super) holds: Vec<Holding>,
    pub(super) fuel: u32,
    pub(super) unrolling: u32,
    /// The same for loops of many turns, and whether one of them is being walked.
    pub(super) long_fuel: u32,
    pub(super) is_at_length: bool,
    /// Counts times and counts that were known between two ends only.
    pub(super) vague: u64,
    depth: u32,
    /// Params that decided which way was taken.
    pub(super) deciding: u64,
    /// Loops are walked turn by turn wherever that is possible.
    pub(super) eager: bool,
    /// What is known of the place around.
    pub(super) around: Around,
    /// The last call, for what has no place of its own.
    pub(super) at: Span,
    /// What surely fails, where that is looked for.
    pub(super) proof: Option<Proof<'a>>,
}

impl<'a> Walk<'a> {
    /// Nothing is known yet. An `eager` walk knows more and tells less of params.
    pub(super) fn new(program: &'a Program, head: &'a Description, eager: bool) -> Walk<'a> {
        let speed = Key::Word(program.words);
        let mut state = State::new(program.words + 1, program.refs);
        let any = any_speed(head);
        state.set(speed, Fact::Number(Interval::of(any)));
        let Seen { spins, arms, keeps, draws } = seen(program, speed);
        Walk {
            program,
            head,
            nodes: Nodes::new(),
            state,
            speed,
            spins,
            arms,
            keeps,
            draws,
            spent: Vec::new(),
            loops: Vec::new(),
            returned: Vec::new(),
            known_calls: BTreeMap::new(),
            holds: Vec::new(),
            fuel: MAX_UNROLLED,
            unrolling: 0,
            long_fuel: 0,
            is_at_length: false,
            vague: 0,
            depth: 0,
            deciding: 0,
            eager,
            around: Around::default(),
            at: Span::default(),
            proof: None,
        }
    }

    /// Does some work, and tells what it takes.
    pub(super) fn costing<T>(&mut self, work: impl FnOnce(&mut Self) -> T) -> (Cost, T) {
        let from = self.spent.len();
        let result = work(self);
        let spent = self.spent.get(from..).unwrap_or_default();
        let ended = self.nodes.sum(spent.iter().map(|cost| cost.ended));
        let failing = spent.iter().map(|cost| cost.failing).filter(|id| *id != NOTHING);
        let failing = self.nodes.longest(failing);
        self.spent.truncate(from);
        (Cost { ended, failing }, result)
    }

    /// Adds to what the present statement takes.
    pub(super) fn spend(&mut self, cost: Cost) {
        if cost != Cost::default() {
            self.spent.push(cost);
        }
    }

    /// Does some work one level deeper, unless that is too deep.
    pub(super) fn deeper<T>(&mut self, work: impl FnOnce(&mut Self) -> T) -> Option<T> {
        if self.depth >= MAX_DEPTH {
            let ended = self.nodes.unknown(self.at, What::Depth, None);
            self.spend(Cost { ended, failing: NOTHING });
            return None;
        }
        self.depth += 1;
        let result = work(self);
        self.depth -= 1;
        Some(result)
    }

    /// Statements one after the other.
    pub(super) fn block(&mut self, statements: &[Statement]) -> (Cost, Flow) {
        let (cost, flow) = self.costing(|walk| match statements {
            [] => Flow::Next,
            _ => walk.deeper(|walk| walk.statements(statements)).unwrap_or_default(),
        });
        if flow == Flow::Fails {
            // It never ends: all of it is on the way to a failure.
            let failing = self.nodes.sum([cost.ended, cost.failing]);
            return (Cost { ended: NOTHING, failing }, flow);
        }
        (cost, flow)
    }

    fn statements(&mut self, statements: &[Statement]) -> Flow {
        for statement in statements {
            if self.unrolling > 0 && !matches!(statement, Statement::Step(..)) {
                self.fuel = self.fuel.saturating_sub(1);
            }
            let flow = self.statement(statement);
            if flow != Flow::Next {
                return flow;
            }
        }
        Flow::Next
    }

    /// A block that is one of several ways: what it wrote is taken back.
    pub(super) fn way(&mut self, block: &[Statement]) -> (Cost, Flow, Written) {
        let mark = self.state.mark();
        let (cost, flow) = self.block(block);
        (cost, flow, self.state.take(mark))
    }

    /// Goes on where the ways lead.
    fn go_on(&mut self, ways: &Ways) -> Flow {
        if !ways.open.is_empty() {
            self.state.join(&ways.open);
            return Flow::Next;
        }
        if ways.jumps { Flow::Jump } else { Flow::Fails }
    }

    fn statement(&mut self, statement: &Statement) -> Flow {
        match statement {
            Statement::Set(slot, value) => {
                let value = self.expression(value);
                self.state.set((*slot).into(), value);
            }
            Statement::Store { root, hops, value } => {
                self.store(Key::Ref(root.0), hops, value);
            }
            Statement::Call(call) => {
                self.call(call);
            }
            Statement::Builtin(call) => {
                self.builtin(call);
            }
            Statement::If(arms, rest) => return self.branches(arms, rest),
            Statement::For { target, over, body, span } => {
                self.each(*target, over, *span, Turn::Body(body));
            }
            Statement::Repeat { times, before, body, until, otherwise, span } => {
                let conditions = (before.as_ref(), until.as_ref());
                return self.repeat(times, conditions, body, otherwise, *span);
            }
            Statement::Break | Statement::Continue => {
                if let Some(around) = self.loops.last_mut() {
                    let written = self.state.since(around.mark);
                    match statement {
                        Statement::Break => around.breaks.push(written),
                        _ => around.continues.push(written),
                    }
                }
                return Flow::Jump;
            }
            Statement::Return(value) => {
                let value = value.as_ref().map(|(_, value)| self.expression(value));
                let speed = self.state.get(self.speed).number();
                self.returned.push((value, speed));
                return Flow::Jump;
            }
            Statement::Wait(time, span) => {
                let time = self.number(time);
                self.judge_time(&time, MAX_SLEEP, *span);
                self.wait(&time, MAX_SLEEP, *span);
            }
            Statement::WaitUntil { condition, within, otherwise, every, span, .. } => {
                return self.wait_until(condition, (within, every), otherwise.as_deref(), *span);
            }
            Statement::Hold { conditions, every, body, span } => {
                return self.hold(conditions, every, body, *span);
            }
            Statement::Arm { power, share, body, span } => {
                return self.arm((power, *share), body, *span);
            }
            Statement::Try { body, catch, finally } => {
                let catch = catch.as_ref().map(|(slot, block)| (Key::Ref(slot.0), &block[..]));
                return self.attempt(body, catch, finally);
            }
            Statement::Fail(text, _) | Statement::FailAgain(text, _) => {
                self.reference(text);
                return Flow::Fails;
            }
            Statement::Ask(ask) => self.ask(ask),
            Statement::Expect(expect) => self.check(expect),
            Statement::Evaluate(_)
            | Statement::Record { .. }
            | Statement::Note(_)
            | Statement::Step(..) => Node::from(statement).parts(&mut |part| match part {
                Node::Number(number) => drop(self.number(number)),
                Node::Flag(flag) => drop(self.flag(flag)),
                Node::Ref(reference) => drop(self.reference(reference)),
                Node::Statement(_) => {}
            }),
        }
        Flow::Next
    }

    /// Writes into a list or record.
    fn store(&mut self, key: Key, hops: &[Hop], value: &Part) {
        let whole = self.state.get(key).shape();
        let mut here = whole.clone();
        let mut way = Vec::new();
        for hop in hops {
            let mut at = Some(0);
            if let Some(index) = &hop.index {
                let index = self.number(index);
                self.judge_index(&index, &here.count(hop.stride), hop.span);
                let is_exact = index.range.is_exact() && index.range.low >= 0.0;
                at = is_exact.then_some(index.range.low as usize);
                here = here.item(hop.stride, at);
            }
            here = here.reference(hop.offset.refs);
            way.push((hop.stride, at, hop.offset));
        }
        let part = self.expression(&value.value);
        self.burn_copy(&whole);
        let stored = parts_of(value, part).and_then(|new| whole.stored(&way, new));
        self.state.set(key, Fact::Shape(stored.unwrap_or_else(|| whole.blurred())));
    }

    /// A flag that decides which way is taken.
    pub(super) fn decision(&mut self, flag: &Interval) -> Option<bool> {
        let known = flag.as_flag();
        if known.is_some() {
            self.deciding |= flag.form.params();
        }
        known
    }

    pub(super) fn decide(&mut self, flag: &Flag) -> Option<bool> {
        let flag = self.flag(flag);
        self.decision(&flag)
    }

    fn branches(&mut self, arms: &[(Flag, Vec<Statement>)], rest: &[Statement]) -> Flow {
        let mut ways = Ways::default();
        let mut costs: Vec<Cost> = Vec::new();
        let blocks = arms.iter().map(|(flag, body)| (Some(flag), &body[..]));
        for (flag, body) in blocks.chain([(None, rest)]) {
            let known = flag.map_or(Some(true), |flag| self.decide(flag));
            if known == Some(false) {
                continue;
            }
            if known == Some(true) && costs.is_empty() {
                // It is the only way, so what it writes stays.
                let mark = self.state.mark();
                let (cost, flow) = self.block(body);
                self.spend(cost);
                if flow != Flow::Next {
                    self.state.undo(mark);
                }
                return flow;
            }
            let (cost, flow, written) = self.way(body);
            costs.push(cost);
            ways.add(flow, written);
            if known == Some(true) {
                break;
            }
        }
        let ended = self.nodes.longest(costs.iter().map(|cost| cost.ended));
        let failing = self.nodes.longest(costs.iter().map(|cost| cost.failing));
        self.spend(Cost { ended, failing });
        self.go_on(&ways)
    }

    /// Spends up to a time that the script says.
    pub(super) fn wait(&mut self, time: &Interval, most: f64, span: Span) {
        self.passes();
        let times = self.head.times;
        // While armed the head is looked at meanwhile.
        let (look, lost) =
            if self.arms { (times.reply_most, 2.0 * times.silence_most) } else { (0.0, 0.0) };
        let look = self.nodes.leaf(Some(span), look, Form::default());
        let lost = self.nodes.leaf(Some(span), lost, Form::default());
        let high = time.range.high;
        let waited = if high.is_finite() {
            if !time.range.is_exact() {
                self.vague += 1;
            }
            let within = high.clamp(0.0, most);
            let form = if within == high && time.range.is_exact() {
                time.form.clone()
            } else {
                Form::held(time.form.params())
            };
            self.nodes.leaf(Some(span), within, form)
        } else {
            self.vague += 1;
            self.nodes.unknown(span, What::Wait, time.from)
        };
        let looks = self.looks_of_wait();
        let ended = self.nodes.sum([waited, look, looks]);
        self.spend(Cost { ended, failing: lost });
    }

    /// The answer comes by the limit, and lies within its range.
    fn ask(&mut self, ask: &Ask) {
        self.reference(&ask.question);
        self.unlock();
        let limit = self.number(&ask.limit);
        self.wait(&limit, f64::INFINITY, ask.span);
        let ends = ask.range.as_ref();
        let ends = ends.map(|(low, high)| (self.number(low), self.number(high)));
        let answer = match (ask.into, ends) {
            (Some(Slot::Flag(_)), _) => Interval::flag(None),
            (_, Some((low, high))) => {
                Interval::of(Range { low: low.range.low, high: high.range.high })
                    .after(&[&low, &high])
            }
            _ => Interval::any(Some(ask.span)),
        };
        match ask.into {
            Some(slot @ Slot::Ref(_)) => self.state.forget(slot.into()),
            Some(slot) => self.state.set(slot.into(), Fact::Number(answer)),
            None => {}
        }
    }

    /// The last look begins by the limit and one look more: `within + 2 looks`.
    fn wait_until(
        &mut self,
        condition: &Flag,
        (within, every): (&Number, &Number),
        otherwise: Option<&[Statement]>,
        span: Span,
    ) -> Flow {
        let within = self.number(within);
        let every = self.number(every);
        self.judge_time(&within, f64::INFINITY, span);
        self.judge_time(&every, f64::INFINITY, span);
        let at_once = self.state.get(self.speed).number().fresh;
        let (look, known) = self.costing(|walk| walk.decide(condition));
        if known == Some(true) {
            self.spend(look);
            return Flow::Next;
        }
        self.wait(&within, f64::INFINITY, span);
        let late = self.nodes.leaf(Some(span), MIN_PAUSE, Form::default());
        self.spend(Cost { ended: late, failing: NOTHING });
        let looks = self.nodes.times(2.0, &Form::default(), look.ended);
        self.spend(Cost { ended: looks, failing: look.failing });
        let (cost, flow, written) = match otherwise {
            Some(block) => self.way(block),
            None => (Cost::default(), Flow::Fails, Written::default()),
        };
        self.judge_wait(condition, (within.range, at_once), flow == Flow::Fails, span);
        if flow != Flow::Next {
            self.came_about(condition);
        }
        self.perhaps_done(cost, flow, written)
    }

    /// Light may come out late, which exposures then wait for: once a block, so it counts here.
    fn arm(&mut self, (power, place): (&Number, Span), body: &[Statement], span: Span) -> Flow {
        let share = self.number(power);
        self.judge_arming(&share, place, span);
        let times = self.head.times;
        let asked = answer(self.head, true);
        // A last look comes before the disarming.
        let seconds = times.arming_most + 2.0 * asked.answered + times.reply_most;
        let armed = self.nodes.leaf(Some(span), seconds, Form::default());
        let refused = self.nodes.leaf(Some(span), asked.failing, Form::default());
        let dark = self.nodes.leaf(Some(span), times.silence_most, Form::default());
        let (cost, flow) = self.lit(body);
        let longest = self.nodes.longest([cost.failing, refused]);
        let failing = self.nodes.sum([longest, dark]);
        let looks = self.looks_of_call(seconds, 0);
        let ended = self.nodes.sum([armed, cost.ended, looks]);
        if flow == Flow::Fails {
            let failing = self.nodes.sum([armed, failing]);
            self.spend(Cost { ended: NOTHING, failing });
            return flow;
        }
        self.spend(Cost { ended, failing });
        flow
    }

    /// The body, what catches its failure, and what is done on every way out.
    fn attempt(
        &mut self,
        body: &[Statement],
        catch: Option<(Key, &[Statement])>,
        finally: &[Statement],
    ) -> Flow {
        let mark = self.state.mark();
        let findings = self.findings();
        self.state.watch();
        let (tried, flow, written) = self.way(body);
        let seen = self.state.watched();
        let mut ways = Ways::default();
        ways.add(flow, written);
        self.somewhere(body, &seen);
        let mut parts = vec![tried.ended];
        let mut failing = tried.failing;
        if let Some((slot, block)) = catch {
            self.state.forget(slot);
            self.state.watch();
            let behind = self.findings();
            let (caught, flow, mut written) = self.way(block);
            if flow != Flow::Fails {
                // The script goes on, so it has seen to what fails in the body, and may never come here.
                self.forget_findings(findings);
            } else {
                self.forget_findings(behind);
            }
            let seen = self.state.watched();
            // What the body wrote before it failed is not known.
            for (key, fact) in self.state.since(mark).0 {
                written.put(key, |known| known.cloned().unwrap_or(fact));
            }
            ways.add(flow, written);
            parts.extend([tried.failing, caught.ended]);
            failing = caught.failing;
            self.somewhere(block, &seen);
        }
        let (last, last_flow, last_written) = self.way(finally);
        self.state.undo(mark);
        parts.push(last.ended);
        let ended = self.nodes.sum(parts);
        let failing = self.nodes.sum([failing, last.failing]);
        self.spend(Cost { ended, failing });
        if !last_written.0.is_empty() {
            // A jump out of the body passes through here as well.
            if let Some(around) = self.loops.last_mut() {
                for written in around.breaks.iter_mut().chain(&mut around.continues) {
                    for (key, _) in &last_written.0 {
                        written.put(*key, |_| key.unknown());
                    }
                }
            }
            if last_written.get(self.speed).is_some() {
                self.returned.iter_mut().for_each(|(_, speed)| *speed = Interval::any(None));
            }
        }
        if last_flow != Flow::Next {
            return Flow::Fails;
        }
        let flow = self.go_on(&ways);
        if flow == Flow::Next {
            for (key, fact) in last_written.0 {
                self.state.set(key, fact);
            }
        }
        flow
    }

    /// Statements may have ended anywhere: what they write has its old value or one they gave it.
    fn somewhere(&mut self, statements: &[Statement], seen: &Written) {
        for key in scan(&self.spins, self.speed, statements).writes {
            match seen.get(key) {
                // What a routine asked for in between is not remembered.
                _ if key == self.speed => self.forget_key(key),
                Some(fact) => {
                    let joined = self.state.get(key).joined(fact);
                    self.state.set(key, joined);
                }
                None => {}
            }
        }
    }
}
