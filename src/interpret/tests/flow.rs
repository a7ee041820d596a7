//! Loops, routines, failures on their way, checks.

use super::head::Bench;
use super::ran::{program, run, run_on};
use super::tree::{
    add, at, c, call, fail, for_range, give, hop, less, list, note, note_list, note_number,
    number_call, one, plain, r, routine, set, set_ref, store, text, times, w,
};
use crate::acceptance::decision::Outcome;
use crate::interpret::Event;
use crate::program::failure::FailureKind;
use crate::program::show::Shower;
use crate::program::tree::{
    COVERAGE, Call, Deciding, Expect, Expectation, Expression, Flag, Over, Program, Ref, RefSlot,
    Routine, Rule, Slot, Statement, WordSlot,
};
use crate::program::types::Layout;
use std::rc::Rc;
use std::sync::Arc;

#[test]
fn a_loop_sees_its_list_as_it_was() {
    run(vec![
        set_ref(0, list(&[1.0, 2.0, 3.0])),
        Statement::For {
            target: Slot::Number(WordSlot(0)),
            over: Over::List { list: Box::new(r(0)), item: Layout::WORD, record: false },
            body: vec![
                store(0, vec![hop(c(1.0), Layout::WORD)], one(c(50.0))),
                Statement::Append(RefSlot(0), list(&[4.0]), at(0)),
                note_number(w(0)),
            ],
            span: at(10),
        },
        note_list(r(0)),
    ])
    .says(&["1", "2", "3", "[1, 50, 3, 4, 4, 4]"]);
}

#[test]
fn loops_are_left_early() {
    let when = |n, then| Statement::If(vec![(less(w(0), c(n)), vec![])], vec![then]);
    run(vec![
        for_range(
            0,
            c(0.0),
            c(9.0),
            vec![when(5.0, Statement::Break), when(2.0, Statement::Continue), note_number(w(0))],
        ),
        Statement::Return(None),
        note("not reached"),
    ])
    .says(&["0", "1"]);
}

#[test]
fn arguments_are_ready_before_the_call() {
    // sum(a, b) with slots 1, 2 and result 3.
    let sum = routine(&[1, 2], Some(3), vec![give(3, add(w(1), times(w(2), c(10.0))))]);
    let two = routine(&[], Some(4), vec![set(5, c(1.0)), give(4, add(w(5), c(1.0)))]);
    let inner = |a, b| number_call(0, vec![c(a), c(b)], 20);
    let main = vec![
        note_number(number_call(0, vec![inner(1.0, 2.0), inner(3.0, 4.0)], 21)),
        note_number(number_call(0, vec![c(5.0), inner(3.0, 4.0)], 21)),
        note_number(add(inner(1.0, 1.0), number_call(1, vec![], 20))),
        // A variable beside a call that changes it has its old value.
        set(5, c(100.0)),
        note_number(add(w(5), number_call(1, vec![], 20))),
    ];
    let program = Program { routines: vec![sum, two], ..program(main) };
    run_on(Bench::default(), &program).says(&["451", "435", "13", "102"]);
}

#[test]
fn routines_take_and_give_lists() {
    // changed(xs): xs[0] = 8, gives xs. Slots 5 (parameter) and 6 (result).
    let changed = Routine {
        name: Arc::from("changed"),
        parameters: vec![Slot::Ref(RefSlot(5))],
        result: Some(Slot::Ref(RefSlot(6))),
        refs: 5..7,
        body: vec![
            store(5, vec![hop(c(0.0), Layout::WORD)], one(c(8.0))),
            Statement::Return(Some((Slot::Ref(RefSlot(6)), Expression::Ref(r(5))))),
        ],
    };
    let change = |xs| {
        Ref::Call(Box::new(Call { routine: 0, arguments: vec![Expression::Ref(xs)], span: at(20) }))
    };
    let main = vec![
        set_ref(0, list(&[1.0, 2.0])),
        set_ref(1, change(r(0))),
        note_list(r(0)),
        note_list(change(change(list(&[3.0])))),
        note_list(r(1)),
        // The routine let go of its references.
        note_list(r(5)),
        note_list(r(6)),
    ];
    let program = Program { routines: vec![changed], ..program(main) };
    run_on(Bench::default(), &program).says(&["[1, 2]", "[8]", "[8, 2]", "[]", "[]"]);
}

#[test]
fn failures_name_the_calls_that_led_there() {
    let inner = routine(&[1], None, vec![fail("no", 30)]);
    let outer = routine(&[], None, vec![Statement::Call(call(0, vec![c(1.0)], 31))]);
    let program = Program {
        routines: vec![inner, outer],
        ..program(vec![Statement::Call(call(1, vec![], 32))])
    };
    let ran = run_on(Bench::default(), &program);
    assert_eq!(ran.failure(), (FailureKind::Failed, "no", 30));
    let calls = &ran.result.as_ref().unwrap_err().calls;
    assert_eq!(calls, &[at(31), at(32)]);
}

/// The way of deciding where nothing is said.
fn guarded() -> Deciding {
    Deciding { rule: Rule::Guard, coverage: c(COVERAGE), needed: false }
}

#[test]
fn checks_are_decided_and_the_script_goes_on() {
    let temperature = Shower::Temperature { unit: None, decimals: None };
    let check = |value: f64, shower: Shower| {
        Statement::Expect(Box::new(Expect {
            label: text("check"),
            condition: Expectation::Limits {
                value: c(value),
                uncertainty: Some(c(0.5)),
                low: None,
                high: Some((c(300.15), true)),
                shower,
            },
            deciding: guarded(),
            number: 0,
            text: Rc::from("t <= 27 degC"),
            span: at(80),
        }))
    };
    let holds = |flag| {
        Statement::Expect(Box::new(Expect {
            label: text("holds"),
            condition: Expectation::Holds(Flag::Constant(flag)),
            deciding: guarded(),
            number: 1,
            text: Rc::from("locked()"),
            span: at(81),
        }))
    };
    let ran = run(vec![
        check(299.15, temperature.clone()),
        check(300.0, temperature.clone()),
        check(301.15, temperature),
        holds(true),
        holds(false),
        Statement::Record {
            label: text("x"),
            value: Expression::Number(c(2.5)),
            shower: plain(),
            text: "x".into(),
            span: at(82),
        },
    ]);
    ran.says(&[]);
    let mut outcomes = Vec::new();
    for event in &ran.events {
        match event {
            Event::Check(check) => {
                outcomes.push(check.outcome);
                if let Some(measured) = &check.measured {
                    let uncertainty = measured.uncertainty.as_ref().unwrap();
                    assert!(
                        uncertainty.to_string().ends_with(" mK")
                            || uncertainty.to_string() == "0.5 K",
                        "{uncertainty}"
                    );
                    assert_eq!(measured.high.as_ref().unwrap().at.to_string(), "27 degC");
                }
            }
            Event::Recorded { label, shown, span, .. } => {
                assert_eq!((label.as_str(), shown.to_string(), *span), ("x", "2.5".into(), at(82)));
            }
            other => panic!("{other:?}"),
        }
    }
    let expected =
        [Outcome::Conforms, Outcome::Undecided, Outcome::Fails, Outcome::Conforms, Outcome::Fails];
    assert_eq!(outcomes, expected);
}
