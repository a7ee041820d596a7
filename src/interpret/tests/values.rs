//! Numbers, flags, texts, lists and records.

use super::ran::run;
use super::tree::{
    add, at, builtin_call, c, divide, hop, item, less, list, note, note_field, note_flag,
    note_list, note_number, one, part, r, set, set_ref, store, text, times, w,
};
use crate::program::failure::FailureKind;
use crate::program::tree::{
    Access, Comparison, Comprehension, Expression, Flag, Number, Over, Ref, RefSlot, Slot,
    Statement, WordSlot,
};
use crate::program::types::Layout;

#[test]
fn numbers_without_a_result_fail() {
    let modulo = |a, b| Number::Modulo(Box::new(c(a)), Box::new(c(b)), at(7));
    let power = |a, n| Number::Power(Box::new(c(a)), n, at(7));
    let of = |name, arguments: &[f64]| {
        let arguments = arguments.iter().map(|a| Some(Expression::Number(c(*a))));
        Number::Builtin(Box::new(builtin_call(name, arguments.collect(), 7)))
    };
    let read = |index| Number::Access(item(list(&[1.0, 2.0]), c(index)));
    let cases = [
        (divide(c(1.0), c(0.0)), "division by zero"),
        (divide(w(1), w(2)), "division by zero"),
        (modulo(1.0, 0.0), "division by zero"),
        (modulo(f64::INFINITY, 2.0), "infinite mod 2 has no result"),
        (power(0.0, -1), "division by zero"),
        (of("sqrt", &[-4.0]), "sqrt(-4) has no result"),
        (of("power", &[-1.0, 0.5]), "power(-1, 0.5) has no result"),
        (of("size", &[1.0, 2.0]), "size(1, 2) has no result"),
        (read(2.0), "index 2 is past the end of a list of 2"),
        (read(12.0), "index 12 is past the end of a list of 2"),
        (read(8e9), "index 8000000000 is past the end of a list of 2"),
        (read(0.5), "index 0.5 is not a whole number"),
        (read(-1.0), "index -1 is negative"),
        (read(f64::NAN), "index no number is not a whole number"),
    ];
    for (number, message) in cases {
        let ran = run(vec![set(0, number)]);
        ran.fails(FailureKind::Value, message);
        assert!([7, 9].contains(&ran.failure().2), "{message}");
    }
}

#[test]
fn numbers_come_out_right() {
    let modulo = |a, b| Number::Modulo(Box::new(c(a)), Box::new(c(b)), at(7));
    let power = |a, n| Number::Power(Box::new(c(a)), n, at(7));
    let cases = [
        (modulo(7.0, 3.0), "1"),
        (modulo(-7.0, 3.0), "2"),
        (modulo(7.0, -3.0), "-2"),
        (modulo(-7.0, -3.0), "-1"),
        (modulo(6.0, -3.0), "0"),
        (power(2.0, 10), "1024"),
        (power(2.0, -2), "0.25"),
        (power(-3.0, 3), "-27"),
        (power(0.0, 0), "1"),
        (Number::Negate(Box::new(c(3.0))), "-3"),
        (Number::Access(item(list(&[5.0, 6.0]), c(1.0))), "6"),
    ];
    for (number, shown) in cases {
        run(vec![note_number(number)]).says(&[shown]);
    }
}

#[test]
fn flags_come_out_right() {
    let compare = |comparison, a, b| Flag::Compare(comparison, Box::new(c(a)), Box::new(c(b)));
    let within = |x| Flag::Within(Box::new(c(x)), Box::new(c(1.0)), Box::new(c(2.0)));
    let constant = |flag| Box::new(Flag::Constant(flag));
    let fails = || Box::new(less(divide(c(1.0), c(0.0)), c(1.0)));
    let same =
        |a: &[f64], b: &[f64], same| Flag::SameRef(Box::new(list(a)), Box::new(list(b)), same);
    let cases = [
        (compare(Comparison::Equal, 1.0, 1.0), true),
        (compare(Comparison::Unequal, 1.0, 1.0), false),
        (compare(Comparison::LessEqual, 1.0, 1.0), true),
        (compare(Comparison::Greater, 1.0, 1.0), false),
        (compare(Comparison::GreaterEqual, f64::NAN, 1.0), false),
        (within(1.0), true),
        (within(2.0), true),
        (within(2.1), false),
        (Flag::Not(constant(true)), false),
        // What comes after the decision is not looked at.
        (Flag::And(constant(false), fails()), false),
        (Flag::Or(constant(true), fails()), true),
        (Flag::SameFlag(constant(true), constant(false), false), true),
        (same(&[1.0, 2.0], &[1.0, 2.0], true), true),
        (same(&[1.0, 2.0], &[1.0], true), false),
        (Flag::SameRef(Box::new(text("a")), Box::new(text("a")), false), false),
    ];
    for (flag, expected) in cases {
        let shown = expected.to_string();
        run(vec![note_flag(flag.clone())]).says(&[shown.as_str()]);
        let branch = Statement::If(vec![(flag, vec![note("true")])], vec![note("false")]);
        run(vec![branch]).says(&[shown.as_str()]);
    }
}

#[test]
fn copies_do_not_see_later_changes() {
    let nested = || Ref::Made(vec![part(r(0), false), part(r(0), false)], at(8));
    let inner = |outer, index| {
        let mut access = item(r(outer), c(index));
        access.stride = Layout::REF;
        Ref::Access(access)
    };
    run(vec![
        set_ref(0, list(&[1.0, 2.0])),
        set_ref(1, r(0)),
        store(0, vec![hop(c(0.0), Layout::WORD)], one(c(9.0))),
        note_list(r(0)),
        note_list(r(1)),
        // The same list twice in a list: writing into one leaves the other.
        set_ref(2, nested()),
        set_ref(3, r(2)),
        store(2, vec![hop(c(0.0), Layout::REF), hop(c(1.0), Layout::WORD)], one(c(7.0))),
        note_list(inner(2, 0.0)),
        note_list(inner(2, 1.0)),
        note_list(inner(3, 0.0)),
        // Growing, also by itself.
        Statement::Append(RefSlot(1), r(1), at(8)),
        set_ref(4, r(1)),
        Statement::Append(RefSlot(1), list(&[5.0]), at(8)),
        note_list(r(1)),
        note_list(r(4)),
    ])
    .says(&[
        "[9, 2]",
        "[1, 2]",
        "[9, 7]",
        "[9, 2]",
        "[9, 2]",
        "[1, 2, 1, 2, 5]",
        "[1, 2, 1, 2]",
    ]);
}

#[test]
fn records_lie_spread_out_in_lists() {
    let record = |x, name: &str| {
        let parts = vec![part(text(name), false), one(c(x)), one(c(x * 10.0))];
        part(Ref::Made(parts, at(8)), true)
    };
    let size = Layout { words: 2, refs: 1 };
    let field = |slot: usize, index: Option<f64>, word| {
        Number::Access(Access {
            of: Box::new(r(slot)),
            index: index.map(|index| Box::new(c(index))),
            stride: size,
            offset: Layout::WORD.times(word),
            span: at(9),
        })
    };
    let mut whole = item(r(0), c(1.0));
    whole.stride = size;
    run(vec![
        set_ref(0, Ref::Made(vec![record(1.0, "a"), record(2.0, "b")], at(8))),
        note_number(field(0, Some(1.0), 1)),
        set_ref(1, Ref::Record(whole, size)),
        store(0, vec![hop(c(0.0), size)], part(r(1), true)),
        note_number(field(0, Some(0.0), 0)),
        store(0, vec![hop(c(1.0), size)], one(c(77.0))),
        note_number(field(1, None, 0)),
        Statement::For {
            target: Slot::Ref(RefSlot(2)),
            over: Over::List { list: Box::new(r(0)), item: size, record: true },
            body: vec![note_number(field(2, None, 0)), note_field(2, 0), set_ref(3, r(2))],
            span: at(10),
        },
        note_number(field(3, None, 0)),
    ])
    .says(&["20", "2", "2", "2", "b", "77", "b", "77"]);
    run(vec![
        set_ref(0, Ref::Made(vec![record(1.0, "a")], at(8))),
        store(0, vec![hop(c(1.0), size)], one(c(77.0))),
    ])
    .fails(FailureKind::Value, "index 1 is past the end of a list of 1");
}

#[test]
fn a_store_past_the_end_fails() {
    for index in [w(0), add(w(0), c(0.0))] {
        let ran = run(vec![
            set_ref(0, list(&[1.0])),
            set(0, c(1.0)),
            store(0, vec![hop(index, Layout::WORD)], one(c(2.0))),
        ]);
        ran.fails(FailureKind::Value, "index 1 is past the end of a list of 1");
        assert_eq!(ran.failure().2, 9);
    }
}

#[test]
fn lists_and_texts_are_made() {
    let even = Ref::Comprehension(Box::new(Comprehension {
        target: Slot::Number(WordSlot(0)),
        over: Over::Range(Box::new(c(0.0)), Box::new(c(6.0))),
        only_if: Some(Flag::Compare(
            Comparison::Equal,
            Box::new(Number::Modulo(Box::new(w(0)), Box::new(c(2.0)), at(0))),
            Box::new(c(0.0)),
        )),
        element: one(times(w(0), w(0))),
        span: at(0),
    }));
    let range = |a, b| Ref::Range(Box::new(c(a)), Box::new(c(b)), at(8));
    let joined = |a, b| Ref::Joined(Box::new(a), Box::new(b), at(8));
    let size = builtin_call("size", vec![Some(Expression::Ref(range(0.0, 5.0))), None], 0);
    run(vec![
        note_list(even),
        note_list(range(0.5, 3.0)),
        note_list(range(3.0, 0.0)),
        note_list(joined(list(&[1.0]), list(&[2.0, 3.0]))),
        Statement::Note(joined(text("ab"), text("c"))),
        note_number(Number::Builtin(Box::new(size))),
    ])
    .says(&["[0, 4, 16]", "[0.5, 1.5, 2.5]", "[]", "[1, 2, 3]", "abc", "5"]);
}
