//! Waiting, arming, catching, stopping.

use super::head::Bench;
use super::ran::{program, run, run_on};
use super::tree::{
    arm, at, attempt, c, call, divide, does, fail, for_range, note, note_field, part, r, routine,
    set, text, wait_until,
};
use crate::interpret::Event;
use crate::program::failure::FailureKind;
use crate::program::tree::{Program, Ref, Statement};

#[test]
fn caught_failures_say_what_happened() {
    let ran = run(vec![
        attempt(
            vec![set(0, divide(c(1.0), c(0.0))), note("not reached")],
            vec![note_field(9, 0), note_field(9, 1), note_field(9, 2)],
            vec![note("finally")],
        ),
        attempt(
            vec![does("break_down", 40)],
            vec![note_field(9, 0), note_field(9, 1), note_field(9, 2)],
            vec![],
        ),
        attempt(vec![note("fine")], vec![note("not reached")], vec![note("finally")]),
    ]);
    ran.says(&[
        "value",
        "division by zero",
        "place 7",
        "finally",
        "fault",
        "the polygon is not locked",
        "place 40",
        "fine",
        "finally",
    ]);
}

#[test]
fn a_failure_passed_on_is_the_same_failure() {
    let again = || Statement::FailAgain(r(9), at(50));
    let ran = run(vec![attempt(vec![does("break_down", 40)], vec![again()], vec![])]);
    assert_eq!(ran.failure(), (FailureKind::Fault, "the polygon is not locked", 40));
    // Put together by the script, it has the script's words and place.
    let made = |kind: &str| {
        let texts = [kind, "words", "nowhere"];
        Ref::Made(texts.map(|t| part(text(t), false)).to_vec(), at(0))
    };
    for (kind, expected) in [
        ("timeout", FailureKind::Timeout),
        ("anything", FailureKind::Failed),
        ("interrupted", FailureKind::Failed),
    ] {
        let ran = run(vec![Statement::FailAgain(made(kind), at(50))]);
        assert_eq!(ran.failure(), (expected, "words", 50));
    }
}

#[test]
fn finally_runs_on_every_way_out_and_the_first_failure_wins() {
    let ran = run(vec![
        for_range(
            0,
            c(0.0),
            c(2.0),
            vec![attempt(vec![Statement::Continue], vec![], vec![note("a")])],
        ),
        for_range(
            0,
            c(0.0),
            c(2.0),
            vec![attempt(vec![Statement::Break], vec![], vec![note("b")])],
        ),
        attempt(vec![Statement::Return(None)], vec![], vec![note("c")]),
        note("not reached"),
    ]);
    ran.says(&["a", "a", "b", "c"]);
    let ran = run(vec![attempt(
        vec![fail("first", 1)],
        vec![fail("second", 2)],
        vec![note("finally"), fail("third", 3), note("not reached")],
    )]);
    assert_eq!(ran.failure(), (FailureKind::Failed, "second", 2));
    assert_eq!((ran.notes(), ran.also()), (vec!["finally"], vec!["third"]));
    let ran = run(vec![attempt(vec![], vec![], vec![fail("only", 3)])]);
    ran.fails(FailureKind::Failed, "only");
}

#[test]
fn a_stop_is_not_caught_but_finally_runs() {
    let ran = run(vec![
        attempt(
            vec![does("press_stop", 0), for_range(0, c(0.0), c(1e9), vec![])],
            vec![note("caught")],
            vec![for_range(0, c(0.0), c(3.0), vec![note("finally")])],
        ),
        note("not reached"),
    ]);
    ran.fails(FailureKind::Interrupted, "stopped on request");
    assert_eq!(ran.notes(), ["finally"; 3]);
    // A second one ends finally as well.
    let ran = run(vec![attempt(
        vec![does("press_stop", 0), Statement::Wait(c(1.0), at(60))],
        vec![],
        vec![
            note("finally"),
            does("press_stop", 0),
            for_range(0, c(0.0), c(1e9), vec![]),
            note("not reached"),
        ],
    )]);
    assert_eq!(ran.failure(), (FailureKind::Interrupted, "stopped on request", 60));
    assert_eq!((ran.notes(), ran.also()), (vec!["finally"], vec!["stopped on request"]));
}

#[test]
fn every_way_out_of_arm_disarms() {
    let mut way = routine(&[], None, vec![arm(0.5, vec![Statement::Return(None)])]);
    way.body.push(fail("not reached", 0));
    let ways = [
        (vec![arm(0.5, vec![])], true),
        (vec![for_range(0, c(0.0), c(5.0), vec![arm(0.5, vec![Statement::Break])])], true),
        (
            vec![for_range(
                0,
                c(0.0),
                c(1.0),
                vec![arm(0.5, vec![Statement::Continue]), fail("not reached", 0)],
            )],
            true,
        ),
        (vec![Statement::Call(call(0, vec![], 0))], true),
        (vec![arm(0.5, vec![fail("no", 0)])], false),
        (vec![arm(0.5, vec![set(0, divide(c(1.0), c(0.0)))])], false),
        (vec![arm(0.5, vec![does("press_stop", 0), for_range(0, c(0.0), c(9.0), vec![])])], false),
    ];
    for (body, passes) in ways {
        let program = Program { routines: vec![way.clone()], ..program(body) };
        let ran = run_on(Bench::default(), &program);
        assert_eq!(ran.result.is_ok(), passes, "{:?}", ran.result);
        assert_eq!(ran.calls(), ["arm 0.5", "disarm"]);
    }
}

#[test]
fn a_panic_disarms_and_becomes_a_failure() {
    let ran = run(vec![attempt(
        vec![arm(0.5, vec![does("panics", 70)])],
        vec![note("caught")],
        vec![note("finally")],
    )]);
    ran.fails(FailureKind::Fault, "internal error: boom");
    assert!(ran.notes().is_empty());
    assert_eq!(ran.calls(), ["arm 0.5", "disarm", "disarm"]);
}

#[test]
fn disarming_comes_before_anything_else() {
    let ran = run(vec![
        attempt(
            vec![arm(0.25, vec![attempt(vec![fail("no", 0)], vec![], vec![does("trims", 0)])])],
            vec![does("trims", 0)],
            vec![],
        ),
        arm(0.5, vec![]),
    ]);
    assert_eq!(ran.calls(), ["arm 0.25", "trims", "disarm", "trims", "arm 0.5", "disarm"]);
}

#[test]
fn arming_is_refused_with_a_reason() {
    for (power, shown) in [(1.5, "1.5"), (0.0, "0"), (-0.1, "-0.1"), (f64::NAN, "no number")] {
        let ran = run(vec![arm(power, vec![])]);
        let message =
            format!("cannot arm at {shown}: power is a share above 0 and at most 1 (100 %)");
        ran.fails(FailureKind::Value, &message);
        assert!(ran.calls().is_empty());
    }
    let ran = run(vec![arm(0.5, vec![arm(0.5, vec![])])]);
    ran.fails(FailureKind::Fault, "the laser is armed already");
    assert_eq!(ran.calls(), ["arm 0.5", "disarm"]);
    let bench = Bench { refuses_arm: true, ..Bench::default() };
    let ran = run_on(bench, &program(vec![arm(0.5, vec![note("not reached")])]));
    ran.fails(FailureKind::Fault, "the interlock is open");
    assert!(ran.notes().is_empty());
    assert_eq!(ran.calls(), ["arm 0.5", "disarm"]);
}

#[test]
fn a_failed_disarm_is_told() {
    let stuck = || Bench { refuses_disarm: true, ..Bench::default() };
    let message = "the laser could not be disarmed: no answer";
    for body in [vec![], vec![Statement::Return(None)]] {
        let ran = run_on(stuck(), &program(vec![arm(0.5, body)]));
        ran.fails(FailureKind::Fault, message);
        assert!(ran.also().is_empty());
    }
    let ran = run_on(stuck(), &program(vec![arm(0.5, vec![fail("first", 1)])]));
    ran.fails(FailureKind::Failed, "first");
    assert_eq!(ran.also(), [message]);
}

#[test]
fn waiting_takes_head_time() {
    let ran = run(vec![Statement::Wait(c(1.5), at(0)), Statement::Wait(c(0.0), at(0))]);
    ran.says(&[]);
    assert_eq!(ran.bench.time, 1.5);
    let rule = "a time is finite and not negative";
    for (time, shown) in [(-1.0, "-1 s"), (f64::NAN, "no number"), (f64::INFINITY, "infinite s")] {
        let message = format!("cannot wait {shown}: {rule}");
        run(vec![Statement::Wait(c(time), at(0))]).fails(FailureKind::Value, &message);
        run(vec![wait_until(time, 1.0, None)]).fails(FailureKind::Value, &message);
        run(vec![wait_until(1.0, time, None)]).fails(FailureKind::Value, &message);
    }
}

#[test]
fn waiting_for_a_condition_looks_until_the_limit_and_once_more_there() {
    let later = |lock_at| Bench { lock_at, ..Bench::default() };
    let ran = run_on(later(0.5), &program(vec![wait_until(1.0, 0.25, None)]));
    ran.says(&[]);
    assert_eq!(ran.bench.log, ["look 0.000", "look 0.250", "look 0.500"]);
    // The limit is no multiple of the interval: the last look is right at the limit.
    let ran = run_on(later(1.0), &program(vec![wait_until(1.0, 0.4, None)]));
    ran.says(&[]);
    assert_eq!(ran.bench.log, ["look 0.000", "look 0.400", "look 0.800", "look 1.000"]);
    let ran = run_on(later(99.0), &program(vec![wait_until(20.0, 0.5, None)]));
    ran.fails(FailureKind::Timeout, "gave up after 20 s: `locked()` did not come true");
    assert_eq!(ran.failure().2, 13);
    assert_eq!(ran.bench.time, 20.0);
    let otherwise = Some(vec![note("otherwise")]);
    let ran = run_on(later(99.0), &program(vec![wait_until(0.0, 0.5, otherwise)]));
    ran.says(&["otherwise"]);
    assert_eq!(ran.bench.log, ["look 0.000"]);
}

#[test]
fn waiting_ends_even_when_the_clock_stands() {
    let bench = Bench { lock_at: 1.0, clock_stands: true, ..Bench::default() };
    let ran = run_on(bench, &program(vec![wait_until(1e-3, 0.0, None)]));
    assert_eq!(ran.failure().0, FailureKind::Timeout);
}

#[test]
fn waiting_tells_of_its_progress_now_and_then() {
    let bench = Bench { lock_at: 99.0, ..Bench::default() };
    let ran = run_on(bench, &program(vec![wait_until(1.0, 0.01, Some(vec![]))]));
    let elapsed: Vec<f64> = ran
        .events
        .iter()
        .map(|event| match event {
            Event::Progress { text, elapsed, limit } if &**text == "locked()" && *limit == 1.0 => {
                *elapsed
            }
            other => panic!("{other:?}"),
        })
        .collect();
    assert!((9..=10).contains(&elapsed.len()), "{elapsed:?}");
    assert!(elapsed.windows(2).all(|pair| pair[1] - pair[0] >= 0.1 - 1e-9));
}

#[test]
fn a_stop_while_sleeping_ends_the_wait() {
    let bench = Bench { lock_at: 1e9, stop_at: Some(3.0), ..Bench::default() };
    let ran = run_on(bench, &program(vec![wait_until(1e6, 1.0, None)]));
    ran.fails(FailureKind::Interrupted, "stopped on request");
    assert_eq!(ran.bench.time, 3.0);
}
