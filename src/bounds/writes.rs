//! Which variables statements may write, without walking them for their time.

use crate::bounds::state::Key;
use crate::builtins::{TimeBound, table};
use crate::program::tree::{
    BuiltinCall, Call, Expectation, Expression, Flag, Number, Over, Part, Piece, Program, Ref,
    Statement,
};
use std::collections::BTreeSet;

/// Finds what is written; `speed` stands for the speed that the polygon was asked for.
pub struct Writes<'a> {
    /// For each routine, whether it asks for a speed.
    spins: &'a [bool],
    speed: Key,
    found: BTreeSet<Key>,
    /// Routines that are called.
    called: Vec<usize>,
    seen: Seen,
}

/// What a program does anywhere.
#[derive(Clone, Copy, Debug, Default)]
pub struct Seen {
    /// There is an `arm` block.
    pub arms: bool,
    /// The polygon may be kept spinning at the end.
    pub keeps: bool,
}

/// For each routine, whether it asks for a speed, itself or through those it calls.
pub fn spinning(program: &Program, speed: Key) -> Vec<bool> {
    let count = program.routines.len();
    let none = vec![false; count];
    let mut callers: Vec<Vec<usize>> = vec![Vec::new(); count];
    let mut open = Vec::new();
    for (index, routine) in program.routines.iter().enumerate() {
        let mut writes = Writes {
            spins: &none,
            speed,
            found: BTreeSet::new(),
            called: Vec::new(),
            seen: Seen::default(),
        };
        writes.block(&routine.body);
        if writes.found.contains(&speed) {
            open.push(index);
        }
        for called in writes.called {
            if let Some(callers) = callers.get_mut(called) {
                callers.push(index);
            }
        }
    }
    let mut spins = none;
    while let Some(index) = open.pop() {
        if let Some(known) = spins.get_mut(index)
            && !*known
        {
            *known = true;
            open.extend(callers.get(index).into_iter().flatten());
        }
    }
    spins
}

/// What a program does anywhere.
pub fn seen(program: &Program) -> Seen {
    let (spins, speed) = (vec![false; program.routines.len()], Key::Word(program.words));
    let mut writes = Writes {
        spins: &spins,
        speed,
        found: BTreeSet::new(),
        called: Vec::new(),
        seen: Seen::default(),
    };
    let bodies = program.routines.iter().map(|routine| &routine.body);
    bodies.chain([&program.body]).for_each(|body| writes.block(body));
    writes.seen
}

/// What statements may write.
pub fn writes(spins: &[bool], speed: Key, statements: &[Statement]) -> BTreeSet<Key> {
    let mut writes =
        Writes { spins, speed, found: BTreeSet::new(), called: Vec::new(), seen: Seen::default() };
    writes.block(statements);
    writes.found
}

/// What an expression may write, besides its own loop variables.
pub fn flag_writes(spins: &[bool], speed: Key, flag: &Flag) -> BTreeSet<Key> {
    let mut writes =
        Writes { spins, speed, found: BTreeSet::new(), called: Vec::new(), seen: Seen::default() };
    writes.flag(flag);
    writes.found
}

impl Writes<'_> {
    fn block(&mut self, statements: &[Statement]) {
        for statement in statements {
            self.statement(statement);
        }
    }

    fn statement(&mut self, statement: &Statement) {
        match statement {
            Statement::Set(slot, value) => {
                self.found.insert((*slot).into());
                self.expression(value);
            }
            Statement::Store { root, hops, value } => {
                self.found.insert(Key::Ref(root.0));
                hops.iter().filter_map(|hop| hop.index.as_ref()).for_each(|i| self.number(i));
                self.part(value);
            }
            Statement::Append(slot, value, _) => {
                self.found.insert(Key::Ref(slot.0));
                self.reference(value);
            }
            Statement::Evaluate(value) | Statement::Return(Some((_, value))) => {
                self.expression(value);
            }
            Statement::Call(call) => self.call(call),
            Statement::Builtin(call) => self.builtin(call),
            Statement::If(arms, rest) => {
                for (condition, body) in arms {
                    self.flag(condition);
                    self.block(body);
                }
                self.block(rest);
            }
            Statement::For { target, over, body, .. } => {
                self.found.insert((*target).into());
                self.over(over);
                self.block(body);
            }
            Statement::Repeat { times, before, body, until, otherwise, .. } => {
                self.number(times);
                before.iter().chain(until).for_each(|flag| self.flag(flag));
                self.block(body);
                self.block(otherwise);
            }
            Statement::Break
            | Statement::Continue
            | Statement::Return(None)
            | Statement::Step(..) => {}
            Statement::Wait(time, _) => self.number(time),
            Statement::WaitUntil { condition, within, every, otherwise, .. } => {
                self.flag(condition);
                self.number(within);
                self.number(every);
                otherwise.iter().for_each(|block| self.block(block));
            }
            Statement::Arm { power, body, .. } => {
                self.seen.arms = true;
                self.number(power);
                self.block(body);
            }
            Statement::Try { body, catch, finally } => {
                self.block(body);
                if let Some((slot, block)) = catch {
                    self.found.insert(Key::Ref(slot.0));
                    self.block(block);
                }
                self.block(finally);
            }
            Statement::Fail(text, _) | Statement::FailAgain(text, _) | Statement::Note(text) => {
                self.reference(text);
            }
            Statement::Expect(expect) => {
                self.reference(&expect.label);
                expect.deciding.numbers().for_each(|number| {
                    self.number(number);
                });
                match &expect.condition {
                    Expectation::Holds(flag) => self.flag(flag),
                    Expectation::Limits { value, uncertainty, low, high, .. } => {
                        let ends = low.iter().chain(high).map(|(number, _)| number);
                        [value].into_iter().chain(uncertainty).chain(ends).for_each(|n| {
                            self.number(n);
                        });
                    }
                }
            }
            Statement::Record { label, value, .. } => {
                self.reference(label);
                self.expression(value);
            }
            Statement::Ask(ask) => {
                self.reference(&ask.question);
                let ends = ask.range.iter().flat_map(|(low, high)| [low, high]);
                [&ask.limit].into_iter().chain(ends).for_each(|number| self.number(number));
                self.found.extend(ask.into.map(Key::from));
            }
        }
    }

    fn call(&mut self, call: &Call) {
        self.called.push(call.routine);
        if self.spins.get(call.routine).copied().unwrap_or(true) {
            self.found.insert(self.speed);
        }
        call.arguments.iter().for_each(|argument| self.expression(argument));
    }

    fn builtin(&mut self, call: &BuiltinCall) {
        let longest = table().get(call.builtin).map(|builtin| builtin.time);
        if matches!(longest, Some(TimeBound::Spin | TimeBound::Halt) | None) {
            self.found.insert(self.speed);
        }
        self.seen.keeps |= matches!(longest, Some(TimeBound::Keep));
        call.arguments.iter().flatten().for_each(|argument| self.expression(argument));
    }

    fn expression(&mut self, expression: &Expression) {
        match expression {
            Expression::Number(number) => self.number(number),
            Expression::Flag(flag) => self.flag(flag),
            Expression::Ref(reference) => self.reference(reference),
        }
    }

    fn number(&mut self, number: &Number) {
        match number {
            Number::Constant(_) | Number::Local(_) => {}
            Number::Negate(a) | Number::Power(a, ..) => self.number(a),
            Number::Arithmetic(_, a, b) | Number::Divide(a, b, _) | Number::Modulo(a, b, _) => {
                self.number(a);
                self.number(b);
            }
            Number::Access(access) => self.access(access),
            Number::Call(call) => self.call(call),
            Number::Builtin(call) => self.builtin(call),
        }
    }

    fn access(&mut self, access: &crate::program::tree::Access) {
        self.reference(&access.of);
        access.index.iter().for_each(|index| self.number(index));
    }

    fn flag(&mut self, flag: &Flag) {
        match flag {
            Flag::Constant(_) | Flag::Local(_) => {}
            Flag::Not(a) => self.flag(a),
            Flag::And(a, b) | Flag::Or(a, b) | Flag::SameFlag(a, b, _) => {
                self.flag(a);
                self.flag(b);
            }
            Flag::Compare(_, a, b) => {
                self.number(a);
                self.number(b);
            }
            Flag::Within(a, b, c) => [a, b, c].into_iter().for_each(|n| self.number(n)),
            Flag::SameRef(a, b, _) => {
                self.reference(a);
                self.reference(b);
            }
            Flag::Access(access) => self.access(access),
            Flag::Call(call) => self.call(call),
            Flag::Builtin(call) => self.builtin(call),
        }
    }

    fn over(&mut self, over: &Over) {
        match over {
            Over::Range(a, b) => {
                self.number(a);
                self.number(b);
            }
            Over::List { list, .. } => self.reference(list),
        }
    }

    fn part(&mut self, part: &Part) {
        self.expression(&part.value);
    }

    fn reference(&mut self, reference: &Ref) {
        match reference {
            Ref::Local(_) | Ref::Text(_) | Ref::Kept(_) => {}
            Ref::Interpolated(pieces, _) => {
                for piece in pieces {
                    if let Piece::Value(value, _) = piece {
                        self.expression(value);
                    }
                }
            }
            Ref::Made(parts, _) => parts.iter().for_each(|part| self.part(part)),
            Ref::Range(a, b, _) => {
                self.number(a);
                self.number(b);
            }
            Ref::Comprehension(comprehension) => {
                self.found.insert(comprehension.target.into());
                self.over(&comprehension.over);
                comprehension.only_if.iter().for_each(|flag| self.flag(flag));
                self.part(&comprehension.element);
            }
            Ref::Joined(a, b, _) => {
                self.reference(a);
                self.reference(b);
            }
            Ref::Access(access) | Ref::Record(access, _) => self.access(access),
            Ref::Call(call) => self.call(call),
            Ref::Builtin(call) => self.builtin(call),
        }
    }
}
