//! The kernels as checked trees.

use spintrue::program::show::Shower;
use spintrue::program::tree::{
    Access, Arithmetic, BuiltinCall, Call, Comparison, Expression, Flag, Hop, Number, Over, Part,
    Program, Ref, RefSlot, Routine, Slot, Statement, WordSlot,
};
use spintrue::program::types::Layout;
use spintrue::source::Span;
use spintrue::units::Dimension;
use std::ops::{Add, Div, Mul, Sub};
use std::rc::Rc;

/// A number with operators.
#[derive(Clone)]
struct N(Number);

fn at() -> Span {
    Span::default()
}
fn c(value: f64) -> N {
    N(Number::Constant(value))
}
fn v(slot: usize) -> N {
    N(Number::Local(WordSlot(slot)))
}
fn both(operation: Arithmetic, a: N, b: N) -> N {
    N(Number::Arithmetic(operation, Box::new(a.0), Box::new(b.0)))
}
impl Add for N {
    type Output = N;
    fn add(self, other: N) -> N {
        both(Arithmetic::Add, self, other)
    }
}
impl Sub for N {
    type Output = N;
    fn sub(self, other: N) -> N {
        both(Arithmetic::Subtract, self, other)
    }
}
impl Mul for N {
    type Output = N;
    fn mul(self, other: N) -> N {
        both(Arithmetic::Multiply, self, other)
    }
}
impl Div for N {
    type Output = N;
    fn div(self, other: N) -> N {
        N(Number::Divide(Box::new(self.0), Box::new(other.0), at()))
    }
}
fn modulo(a: N, b: N) -> N {
    N(Number::Modulo(Box::new(a.0), Box::new(b.0), at()))
}
fn compare(comparison: Comparison, a: N, b: N) -> Flag {
    Flag::Compare(comparison, Box::new(a.0), Box::new(b.0))
}
fn set(slot: usize, value: N) -> Statement {
    Statement::Set(Slot::Number(WordSlot(slot)), Expression::Number(value.0))
}
fn for_range(target: usize, first: N, last: N, body: Vec<Statement>) -> Statement {
    Statement::For {
        target: Slot::Number(WordSlot(target)),
        over: Over::Range(Box::new(first.0), Box::new(last.0)),
        body,
        span: at(),
    }
}
fn record(value: N) -> Statement {
    Statement::Record {
        label: Ref::Text(Rc::from("result")),
        value: Expression::Number(value.0),
        shower: Shower::Quantity {
            dimension: Dimension::NUMBER,
            unit: None,
            decimals: None,
        },
        span: at(),
    }
}
fn call(routine: usize, arguments: Vec<N>) -> N {
    let arguments = arguments.into_iter().map(|a| Expression::Number(a.0));
    N(Number::Call(Box::new(Call {
        routine,
        arguments: arguments.collect(),
        span: at(),
    })))
}
fn give(slot: usize, value: N) -> Statement {
    let slot = Slot::Number(WordSlot(slot));
    Statement::Return(Some((slot, Expression::Number(value.0))))
}
fn program(words: usize, body: Vec<Statement>) -> Program {
    Program {
        words,
        refs: 1,
        body,
        ..Program::default()
    }
}

/// A float loop with `while`.
pub fn k1() -> Program {
    let (x, i) = (0, 1);
    let body = vec![
        set(x, v(x) + v(i) * c(0.5) - v(x) / c(3.0)),
        set(i, v(i) + c(1.0)),
    ];
    let repeat = Statement::Repeat {
        times: c(6e6).0,
        before: Some(compare(Comparison::Less, v(i), c(5e6))),
        body,
        until: None,
        otherwise: Vec::new(),
        span: at(),
    };
    program(2, vec![repeat, record(v(x))])
}

/// A float loop with `for`.
pub fn k1f() -> Program {
    let (x, i) = (0, 1);
    let body = vec![set(x, v(x) + v(i) * c(0.5) - v(x) / c(3.0))];
    program(2, vec![for_range(i, c(0.0), c(5e6), body), record(v(x))])
}

/// A thousand facet records, recentred a thousand times. Fields lie sorted: cross_scan, in_scan.
pub fn k3() -> Program {
    let (i, n, total, turn, sum_in, sum_cross) = (0, 1, 2, 3, 4, 5);
    let (mean_in, mean_cross, square, a, b) = (6, 7, 8, 9, 10);
    let (facets, one) = (RefSlot(0), Layout::WORD.times(2));
    let field = |word: usize| Layout::WORD.times(word);
    let facet = |word: usize| {
        N(Number::Access(Access {
            of: Box::new(Ref::Local(facets)),
            index: Some(Box::new(v(i).0)),
            stride: one,
            offset: field(word),
            span: at(),
        }))
    };
    let part = |number: N| Part {
        value: Expression::Number(number.0),
        record: false,
    };
    let store = |word: usize, value: N| Statement::Store {
        root: facets,
        hops: vec![Hop {
            index: Some(v(i).0),
            stride: one,
            offset: field(word),
            span: at(),
        }],
        value: part(value),
    };
    let first = vec![
        part(modulo(v(i) * c(53.0), c(89.0)) * c(0.05) - c(2.0)),
        part(modulo(v(i) * c(37.0), c(101.0)) * c(0.1) - c(5.0)),
    ];
    let element = Statement::Append(
        facets,
        Ref::Made(
            vec![Part {
                value: Expression::Ref(Ref::Made(first, at())),
                record: true,
            }],
            at(),
        ),
        at(),
    );
    let body = vec![
        set(sum_in, c(0.0)),
        set(sum_cross, c(0.0)),
        for_range(
            i,
            c(0.0),
            v(n),
            vec![
                set(sum_in, v(sum_in) + facet(1)),
                set(sum_cross, v(sum_cross) + facet(0)),
            ],
        ),
        set(mean_in, v(sum_in) / v(n)),
        set(mean_cross, v(sum_cross) / v(n)),
        for_range(
            i,
            c(0.0),
            v(n),
            vec![
                store(1, facet(1) - v(mean_in)),
                store(0, facet(0) - v(mean_cross)),
            ],
        ),
        set(square, c(0.0)),
        for_range(
            i,
            c(0.0),
            v(n),
            vec![
                set(a, facet(1)),
                set(b, facet(0)),
                set(square, v(square) + (v(a) * v(a) + v(b) * v(b))),
            ],
        ),
        set(
            total,
            v(total)
                + N(Number::Builtin(Box::new(BuiltinCall {
                    builtin: 0,
                    arguments: vec![Some(Expression::Number((v(square) / v(n)).0))],
                    item: Layout::default(),
                    span: at(),
                }))),
        ),
    ];
    program(
        11,
        vec![
            set(n, c(1000.0)),
            Statement::Set(
                Slot::Ref(facets),
                Expression::Ref(Ref::Made(Vec::new(), at())),
            ),
            for_range(i, c(0.0), v(n), vec![element]),
            for_range(turn, c(0.0), c(1000.0), body),
            record(v(total)),
        ],
    )
}

/// Three million calls of a routine that adds.
pub fn calls() -> Program {
    let (x, i, a, b, result) = (0, 1, 2, 3, 4);
    let number = |slot| Slot::Number(WordSlot(slot));
    let sum = Routine {
        name: "sum".into(),
        parameters: vec![number(a), number(b)],
        result: Some(number(result)),
        refs: 0..0,
        body: vec![give(result, v(a) + v(b))],
    };
    let body = vec![set(x, call(0, vec![v(x), v(i)]))];
    Program {
        routines: vec![sum],
        ..program(5, vec![for_range(i, c(0.0), c(3e6), body), record(v(x))])
    }
}

/// Two million calls of a routine with branches.
pub fn branches() -> Program {
    let (x, i, value, low, high, result) = (0, 1, 2, 3, 4, 5);
    let number = |slot| Slot::Number(WordSlot(slot));
    let when = |flag, slot| Statement::If(vec![(flag, vec![give(result, v(slot))])], Vec::new());
    let limited = Routine {
        name: "limited".into(),
        parameters: vec![number(value), number(low), number(high)],
        result: Some(number(result)),
        refs: 0..0,
        body: vec![
            when(compare(Comparison::Less, v(value), v(low)), low),
            when(compare(Comparison::Greater, v(value), v(high)), high),
            give(result, v(value)),
        ],
    };
    let limited_call = call(0, vec![v(i) * c(0.5) - v(x), c(-2.0), c(3.0)]);
    let body = vec![set(x, v(x) + limited_call)];
    Program {
        routines: vec![limited],
        ..program(6, vec![for_range(i, c(0.0), c(2e6), body), record(v(x))])
    }
}
