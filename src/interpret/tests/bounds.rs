//! What keeps a script from running or growing without end.

use super::head::Bench;
use super::ran::{program, run, run_on};
use super::tree::{
    add, arm, at, attempt, builtin_call, c, call, does, for_range, give, item, less, note,
    note_list, note_number, number_call, one, part, r, repeat, routine, set, set_ref, text, w,
    wait_until,
};
use crate::program::failure::FailureKind;
use crate::program::show::Shower;
use crate::program::tree::{
    Comprehension, Expression, Flag, Number, Over, Piece, Program, Ref, RefSlot, Slot, Statement,
    WordSlot,
};
use crate::program::types::Layout;

#[test]
fn loops_keep_their_bounds() {
    let up = || set(0, add(w(0), c(1.0)));
    let until = |n: f64| Statement::Repeat {
        times: c(5.0),
        before: None,
        body: vec![up()],
        until: Some(Flag::Not(Box::new(less(w(0), c(n))))),
        otherwise: vec![note("bound reached")],
        span: at(11),
    };
    let shown = || note_number(w(0));
    run(vec![repeat(c(3.0), Some(less(w(0), c(2.0))), vec![up()]), shown()]).says(&["2"]);
    run(vec![repeat(c(3.0), Some(less(w(0), c(3.0))), vec![up()]), shown()]).says(&["3"]);
    run(vec![repeat(c(3.0), Some(less(w(0), c(9.0))), vec![up()]), shown()])
        .says(&["bound reached", "3"]);
    run(vec![until(5.0), shown()]).says(&["5"]);
    run(vec![until(6.0), shown()]).says(&["bound reached", "5"]);
    for (times, shown) in
        [(2.5, "2.5"), (-1.0, "-1"), (f64::NAN, "no number"), (1e10, "10000000000")]
    {
        let ran = run(vec![repeat(c(times), None, vec![])]);
        let message = format!(
            "a loop cannot run {shown} times: the bound is a whole number from 0 to 1000000000"
        );
        ran.fails(FailureKind::Value, &message);
    }
}

#[test]
fn ranges_end() {
    run(vec![for_range(0, c(0.5), c(2.0), vec![note_number(w(0))])]).says(&["0.5", "1.5"]);
    run(vec![for_range(0, c(1e17), c(1e17 + 16.0), vec![])]).says(&[]);
    run(vec![for_range(0, c(0.0), c(f64::INFINITY), vec![])])
        .fails(FailureKind::Value, "a range cannot go from 0 to infinite");
    run(vec![for_range(0, c(0.0), c(1e12), vec![])]).fails(
        FailureKind::Limit,
        "a loop over 1000000000000 numbers is too long; 1000000000 are allowed",
    );
}

#[test]
fn calls_that_nest_without_end_are_refused_before_the_start() {
    let circle = Program {
        routines: vec![
            routine(&[], None, vec![Statement::Call(call(1, vec![], 0))]),
            routine(&[], None, vec![Statement::Call(call(0, vec![], 0))]),
        ],
        ..program(vec![note("started"), Statement::Call(call(0, vec![], 0))])
    };
    let ran = run_on(Bench::default(), &circle);
    assert_eq!(ran.failure().0, FailureKind::Fault);
    assert!(ran.notes().is_empty());
    // Each calls the next one, from inside of whatever takes much of the stack.
    let sized = |number| {
        let arguments = vec![Some(Expression::Ref(Ref::Made(vec![one(number)], at(0)))), None];
        Number::Builtin(Box::new(builtin_call("size", arguments, 0)))
    };
    let listed = |number| {
        Ref::Comprehension(Box::new(Comprehension {
            target: Slot::Number(WordSlot(0)),
            over: Over::Range(Box::new(c(0.0)), Box::new(c(1.0))),
            only_if: None,
            element: one(number),
            span: at(0),
        }))
    };
    let bodies: [&dyn Fn(Number) -> Vec<Statement>; 4] = [
        &|number| vec![set(4, c(0.0)), give(3, add(c(1.0), number))],
        &|number| vec![set(4, sized(number)), give(3, w(4))],
        &|number| vec![set_ref(1, listed(number)), give(3, Number::Access(item(r(1), c(0.0))))],
        &|number| {
            let inside = for_range(0, c(0.0), c(1.0), vec![set(4, number)]);
            vec![attempt(vec![inside], vec![], vec![]), give(3, w(4))]
        },
    ];
    for body in bodies {
        let chain = |length: usize| {
            let link = |next: usize| {
                let number = if next < length { number_call(next, vec![], 5) } else { c(1.0) };
                routine(&[], Some(3), body(number))
            };
            Program {
                routines: (1..=length).map(link).collect(),
                ..program(vec![Statement::Evaluate(Expression::Number(number_call(0, vec![], 5)))])
            }
        };
        let mut passed = 0;
        for length in (10..).step_by(10) {
            let ran = run_on(Bench::default(), &chain(length));
            if ran.result.is_err() {
                let message = "calls, blocks and expressions nest too deep from here";
                ran.fails(FailureKind::Limit, message);
                break;
            }
            passed = length;
        }
        assert!((200..2000).contains(&passed), "{passed}");
    }
}

#[test]
fn a_stop_ends_loops_waits_and_calls() {
    let empty = routine(&[1], None, vec![]);
    let list = Ref::Range(Box::new(c(0.0)), Box::new(c(1e6)), at(0));
    let over = Over::List { list: Box::new(list), item: Layout::WORD, record: false };
    let each = Ref::Comprehension(Box::new(Comprehension {
        target: Slot::Number(WordSlot(0)),
        over: over.clone(),
        only_if: None,
        element: one(w(0)),
        span: at(0),
    }));
    for long in [
        repeat(c(1e9), None, vec![]),
        repeat(c(1e9), Some(less(w(0), c(1.0))), vec![]),
        for_range(0, c(0.0), c(1e9), vec![]),
        Statement::For { target: Slot::Number(WordSlot(0)), over, body: vec![], span: at(0) },
        set_ref(0, each),
        Statement::Call(call(0, vec![c(1.0)], 0)),
        Statement::Wait(c(1.0), at(0)),
        wait_until(9.0, 0.1, None),
        arm(0.5, vec![]),
    ] {
        let program = Program {
            routines: vec![empty.clone()],
            ..program(vec![does("press_stop", 0), long, note("not reached")])
        };
        let bench = Bench { lock_at: 1e9, ..Bench::default() };
        let ran = run_on(bench, &program);
        ran.fails(FailureKind::Interrupted, "stopped on request");
        assert!(ran.notes().is_empty());
        assert!(!ran.bench.log.iter().any(|line| line.starts_with("arm")));
    }
}

#[test]
fn memory_is_bounded() {
    let range = |n: f64| Ref::Range(Box::new(c(0.0)), Box::new(c(n)), at(8));
    let list_message = "a list may not hold more than 4000000 numbers";
    let held_message = "the lists and texts of the script take more than 256 MiB";
    run(vec![set_ref(0, range(4e6 + 1.0))]).fails(
        FailureKind::Limit,
        "a range of 4000001 numbers is too long for a list, which holds 4000000 at most",
    );
    run(vec![set_ref(0, range(3e6)), Statement::Append(RefSlot(0), r(0), at(8))])
        .fails(FailureKind::Limit, list_message);
    let element = |element| {
        Ref::Comprehension(Box::new(Comprehension {
            target: Slot::Number(WordSlot(0)),
            over: Over::Range(Box::new(c(0.0)), Box::new(c(5e6))),
            only_if: None,
            element,
            span: at(8),
        }))
    };
    run(vec![set_ref(0, element(one(w(0))))]).fails(FailureKind::Limit, list_message);
    run(vec![set_ref(0, element(part(text("x"), false)))]).fails(FailureKind::Limit, list_message);
    let too_long = Ref::Builtin(Box::new(builtin_call("too_long", vec![], 0)));
    run(vec![set_ref(0, too_long)]).fails(FailureKind::Limit, list_message);
    // Lists of lists, in a comprehension, by growing, and nested while under construction.
    run(vec![set_ref(0, element(part(range(1e5), false)))]).fails(FailureKind::Limit, held_message);
    let nested = element(part(element(part(range(1e5), false)), false));
    run(vec![set_ref(0, nested)]).fails(FailureKind::Limit, held_message);
    let row = Ref::Made(vec![part(range(1e5), false)], at(8));
    run(vec![
        set_ref(0, Ref::Made(vec![], at(8))),
        for_range(1, c(0.0), c(1e6), vec![Statement::Append(RefSlot(0), row, at(8))]),
    ])
    .fails(FailureKind::Limit, held_message);
    // Letting go makes room again: a hundred times a million, one after the other.
    run(vec![for_range(1, c(0.0), c(100.0), vec![set_ref(0, range(1e6))])]).says(&[]);
    // One list, seen from many places, counts once.
    let same = Ref::Made(vec![part(r(1), false)], at(8));
    run(vec![
        set_ref(1, range(1e6)),
        set_ref(0, Ref::Made(vec![], at(8))),
        for_range(1, c(0.0), c(1e5), vec![Statement::Append(RefSlot(0), same, at(8))]),
        for_range(1, c(0.0), c(40.0), vec![set_ref(2, range(1e6))]),
    ])
    .says(&[]);
}

#[test]
fn what_cannot_grow_stays_as_it_was() {
    let first = || Number::Access(item(r(0), c(1.0)));
    run(vec![
        set_ref(0, Ref::Range(Box::new(c(0.0)), Box::new(c(3e6)), at(8))),
        attempt(vec![Statement::Append(RefSlot(0), r(0), at(8))], vec![note("caught")], vec![]),
        note_number(first()),
    ])
    .says(&["caught", "1"]);
}

#[test]
fn texts_are_bounded() {
    let double = |slot: usize| {
        let piece = || {
            let value = Expression::Ref(r(slot));
            Piece::Value(value, Shower::Text)
        };
        set_ref(slot, Ref::Interpolated(vec![piece(), piece()], at(8)))
    };
    let message = "a text may not be longer than 1048576 bytes";
    for grow in [double(0), Statement::Append(RefSlot(0), r(0), at(8))] {
        let ran =
            run(vec![set_ref(0, text("x")), for_range(0, c(0.0), c(30.0), vec![grow.clone()])]);
        ran.fails(FailureKind::Limit, message);
    }
    let range = Ref::Range(Box::new(c(0.0)), Box::new(c(1e6)), at(8));
    run(vec![note_list(range)])
        .fails(FailureKind::Limit, "a value of more than 350000 parts cannot be shown");
}
