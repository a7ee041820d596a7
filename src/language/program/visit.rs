//! The parts of each node of the checked tree, in the order in which they are worked out.

use crate::program::tree::{
    Access, BuiltinCall, Call, Deciding, Expectation, Expression, Flag, Number, Over, Part, Piece,
    Ref, Rule, Stated, Statement,
};

/// A node of the checked tree.
#[derive(Clone, Copy)]
pub(crate) enum Node<'p> {
    /// A statement.
    Statement(&'p Statement),
    /// A number.
    Number(&'p Number),
    /// A flag.
    Flag(&'p Flag),
    /// A text, list or record.
    Ref(&'p Ref),
}

macro_rules! from {
    ($($kind:ident)*) => {$(
        impl<'p> From<&'p $kind> for Node<'p> {
            fn from(node: &'p $kind) -> Self {
                Node::$kind(node)
            }
        }
        impl<'p> From<&'p Box<$kind>> for Node<'p> {
            fn from(node: &'p Box<$kind>) -> Self {
                Node::$kind(node)
            }
        }
    )*};
}

from!(Statement Number Flag Ref);

impl<'p> From<&'p Expression> for Node<'p> {
    fn from(expression: &'p Expression) -> Self {
        match expression {
            Expression::Number(number) => number.into(),
            Expression::Flag(flag) => flag.into(),
            Expression::Ref(reference) => reference.into(),
        }
    }
}

impl<'p> From<&'p Part> for Node<'p> {
    fn from(part: &'p Part) -> Self {
        (&part.value).into()
    }
}

/// Takes the parts of a node.
struct Parts<'f, 'p>(&'f mut dyn FnMut(Node<'p>));

impl<'p> Parts<'_, 'p> {
    fn all<T: Into<Node<'p>>>(&mut self, nodes: impl IntoIterator<Item = T>) {
        nodes.into_iter().for_each(|node| (self.0)(node.into()));
    }

    fn access(&mut self, access: &'p Access) {
        self.all([&*access.of]);
        self.all(access.index.as_deref());
    }

    fn over(&mut self, over: &'p Over) {
        match over {
            Over::Range(first, last) => self.all([first, last]),
            Over::List { list, .. } => self.all([&**list]),
        }
    }

    fn expectation(&mut self, expectation: &'p Expectation) {
        match expectation {
            Expectation::Holds(flag) => self.all([flag]),
            Expectation::Limits { value, uncertainty, low, high, .. } => {
                let ends = low.iter().chain(high).map(|(number, _)| number);
                self.all([value]);
                match uncertainty {
                    Some(Stated::Expanded(u)) => self.all([u]),
                    Some(Stated::Budget(components)) => self.all([components]),
                    None => {}
                }
                self.all(ends);
            }
        }
    }

    fn deciding(&mut self, deciding: &'p Deciding) {
        self.all([&deciding.coverage]);
        if let Rule::Risk(risk) = &deciding.rule {
            self.all([risk]);
        }
    }
}

impl<'p> Node<'p> {
    /// The call of a routine that this node is, if it is one.
    pub(crate) fn call(self) -> Option<&'p Call> {
        match self {
            Node::Statement(Statement::Call(call)) => Some(call),
            Node::Number(Number::Call(call))
            | Node::Flag(Flag::Call(call))
            | Node::Ref(Ref::Call(call)) => Some(call),
            _ => None,
        }
    }

    /// The call of a built-in that this node is, if it is one.
    pub(crate) fn builtin(self) -> Option<&'p BuiltinCall> {
        match self {
            Node::Statement(Statement::Builtin(call)) => Some(call),
            Node::Number(Number::Builtin(call))
            | Node::Flag(Flag::Builtin(call))
            | Node::Ref(Ref::Builtin(call)) => Some(call),
            _ => None,
        }
    }

    /// Visits the node's own parts, one level deep.
    pub(crate) fn parts(self, visit: &mut dyn FnMut(Node<'p>)) {
        let mut parts = Parts(visit);
        if let Some(call) = self.call() {
            return parts.all(&call.arguments);
        }
        if let Some(call) = self.builtin() {
            return parts.all(call.arguments.iter().flatten());
        }
        match self {
            Node::Statement(statement) => parts.statement(statement),
            Node::Number(number) => match number {
                Number::Negate(a) | Number::Power(a, ..) => parts.all([a]),
                Number::Arithmetic(_, a, b) | Number::Divide(a, b, _) | Number::Modulo(a, b, _) => {
                    parts.all([a, b]);
                }
                Number::Choice(choice) => {
                    parts.all([&choice.0]);
                    parts.all([&choice.1, &choice.2]);
                }
                Number::Access(access) => parts.access(access),
                Number::Constant(_) | Number::Local(_) | Number::Call(_) | Number::Builtin(_) => {}
            },
            Node::Flag(flag) => match flag {
                Flag::Not(a) => parts.all([a]),
                Flag::And(a, b) | Flag::Or(a, b) | Flag::EqualFlags(a, b, _) => parts.all([a, b]),
                Flag::Compare(_, a, b) => parts.all([a, b]),
                Flag::Within(a, b, c) => parts.all([a, b, c]),
                Flag::EqualRefs(a, b, _) => parts.all([a, b]),
                Flag::Choice(choice) => parts.all([&choice.0, &choice.1, &choice.2]),
                Flag::Access(access) => parts.access(access),
                Flag::Constant(_) | Flag::Local(_) | Flag::Call(_) | Flag::Builtin(_) => {}
            },
            Node::Ref(reference) => match reference {
                Ref::Interpolated(pieces, _) => {
                    for piece in pieces {
                        if let Piece::Value(value, _) = piece {
                            parts.all([value]);
                        }
                    }
                }
                Ref::Made(made, _) => parts.all(made),
                Ref::Range(a, b, _) => parts.all([a, b]),
                Ref::Comprehension(comprehension) => {
                    parts.over(&comprehension.over);
                    parts.all(&comprehension.only_if);
                    parts.all([&comprehension.element]);
                }
                Ref::Joined(a, b, ..) => parts.all([a, b]),
                Ref::Choice(choice) => {
                    parts.all([&choice.0]);
                    parts.all([&choice.1, &choice.2]);
                }
                Ref::Access(access) | Ref::Record(access, _) => parts.access(access),
                Ref::Local(_) | Ref::Text(_) | Ref::Kept(_) | Ref::Call(_) | Ref::Builtin(_) => {}
            },
        }
    }
}

impl<'p> Parts<'_, 'p> {
    fn statement(&mut self, statement: &'p Statement) {
        match statement {
            Statement::Set(_, value)
            | Statement::Evaluate(value)
            | Statement::Return(Some((_, value))) => self.all([value]),
            Statement::Store { hops, value, .. } => {
                self.all(hops.iter().filter_map(|hop| hop.index.as_ref()));
                self.all([value]);
            }
            Statement::Fail(text, _) | Statement::FailAgain(text, _) | Statement::Note(text) => {
                self.all([text])
            }
            Statement::If(arms, rest) => {
                for (condition, body) in arms {
                    self.all([condition]);
                    self.all(body);
                }
                self.all(rest);
            }
            Statement::For { over, body, .. } => {
                self.over(over);
                self.all(body);
            }
            Statement::Repeat { times, before, body, until, otherwise, .. } => {
                self.all([times]);
                self.all(before);
                self.all(body);
                self.all(until);
                self.all(otherwise);
            }
            Statement::Wait(time, _) => self.all([time]),
            Statement::WaitUntil { condition, within, every, otherwise, .. } => {
                self.all([condition]);
                self.all([within, every]);
                self.all(otherwise.iter().flatten());
            }
            Statement::Hold { conditions, every, body, .. } => {
                conditions.iter().for_each(|held| self.expectation(&held.condition));
                self.all([every]);
                self.all(body);
            }
            Statement::Arm { power, body, .. } => {
                self.all([power]);
                self.all(body);
            }
            Statement::Try { body, catch, finally } => {
                self.all(body);
                self.all(catch.iter().flat_map(|(_, block)| block));
                self.all(finally);
            }
            Statement::Expect(expect) => {
                self.all([&expect.label]);
                self.deciding(&expect.deciding);
                self.expectation(&expect.condition);
            }
            Statement::Record { label, value, plot, .. } => {
                self.all(plot.iter().flat_map(|plot| plot.low.iter().chain(&plot.high)));
                self.all([label]);
                self.all([value]);
            }
            Statement::Ask(ask) => {
                self.all([&ask.question]);
                self.all([&ask.limit]);
                self.all(ask.range.iter().flat_map(|(low, high)| [low, high]));
            }
            Statement::Call(_)
            | Statement::Builtin(_)
            | Statement::Break
            | Statement::Continue
            | Statement::Return(None)
            | Statement::Step(..) => {}
        }
    }
}
