//! Waiting, arming, catching, stopping.

use super::head::Log;
use super::{run, run_on};
use spintrue_language::{Event, FailureKind};

#[test]
fn caught_failures_say_what_happened() {
    let script = r#"
var zero = 0
try {
    note "{1 / zero}"
    note "not reached"
} catch problem {
    note "{problem.kind}: {problem.message} at {problem.place}"
} finally {
    note "finally"
}
try {
    let _t = turns(1)
} catch problem {
    note "{problem.kind}: {problem.message} at {problem.place}"
}
try { note "fine" } catch _p { note "not reached" } finally { note "finally" }
"#;
    run(script).says(&[
        "value: division by zero at script.spt:4:12",
        "finally",
        "not_locked: the polygon is not locked at script.spt:12:14",
        "fine",
        "finally",
    ]);
}

#[test]
fn a_failure_passed_on_is_the_same_failure() {
    let script = "try { let _t = turns(1) } catch problem { fail problem }\n";
    run(script).fails_at(FailureKind::NotLocked, "the polygon is not locked", "turns(1)");
    // Put together by the script, it has the script's words and place.
    for (kind, expected) in [
        ("timeout", FailureKind::Timeout),
        ("anything", FailureKind::Failed),
        ("interrupted", FailureKind::Failed),
    ] {
        let made = format!("{{kind: \"{kind}\", message: \"words\", place: \"nowhere\"}}");
        let ran = run(&format!("fail {made}\n"));
        ran.fails_at(expected, "words", &format!("fail {made}"));
    }
}

#[test]
fn finally_runs_on_every_way_out_and_the_first_failure_wins() {
    let script = r#"
routine early() { try { if locked() { return } } finally { note "c" }
    note "not reached" }
for _k in 0..2 { try { if locked() { continue } } finally { note "a" } }
for _k in 0..2 { try { if locked() { break } } finally { note "b" } }
early()
"#;
    run(script).says(&["a", "a", "b", "c"]);
    let script = r#"
try {
    fail "first"
} catch _p {
    fail "second"
} finally {
    note "finally"
    if locked() { fail "third" }
    note "not reached"
}
"#;
    let ran = run(script);
    ran.fails_at(FailureKind::Failed, "second", "fail \"second\"");
    assert_eq!((ran.notes(), ran.also()), (vec!["finally"], vec!["third"]));
    let script = "try { note \"\" } finally { fail \"only\" }\n";
    run(script).fails(FailureKind::Failed, "only");
}

#[test]
fn a_stop_is_not_caught_but_finally_runs() {
    let script = r#"
try {
    note "stop"
    for _k in 0..1000000000 { wait 0 s }
} catch _p {
    note "caught"
} finally {
    for _k in 0..3 { note "finally" }
}
note "not reached"
"#;
    let ran = run(script);
    ran.fails(FailureKind::Interrupted, "stopped on request");
    assert_eq!(ran.notes(), ["finally"; 3]);
    // A second one ends finally as well.
    let script = r#"
try {
    note "stop"
    wait 1 s
} finally {
    note "finally"
    note "stop"
    for _k in 0..1000000000 { wait 0 s }
    note "not reached"
}
"#;
    let ran = run(script);
    ran.fails_at(FailureKind::Interrupted, "stopped on request", "wait 1 s");
    assert_eq!((ran.notes(), ran.also()), (vec!["finally"], vec!["stopped on request"]));
}

#[test]
fn every_way_out_of_arm_disarms() {
    let routine = "routine early() { arm at 50 % { if locked() { return } }\n    note \"late\" }\n";
    for (body, passes) in [
        ("arm at 50 % { }", true),
        ("for _k in 0..5 { arm at 50 % { if locked() { break } } }", true),
        ("for _k in 0..1 { arm at 50 % { if locked() { continue } }\n    note \"late\" }", true),
        ("early()", true),
        ("arm at 50 % { fail \"no\" }", false),
        ("arm at 50 % { note \"{1 / zero}\" }", false),
        ("arm at 50 % { note \"stop\"\n for _k in 0..1000 { }\n note \"late\" }", false),
    ] {
        let ran = run(&format!("var zero = 1\nzero = zero - 1\n{routine}{body}\n"));
        assert_eq!(ran.result.is_ok(), passes, "{body}: {:?}", ran.result);
        assert!(ran.notes().is_empty(), "{body}: {:?}", ran.notes());
        assert_eq!(ran.calls(), ["arm 0.5", "disarm"], "{body}");
    }
}

#[test]
fn a_panic_disarms_and_becomes_a_failure() {
    let script = r#"
try {
    arm at 50 % { let _trims = loaded_trims() }
} catch _p {
    note "caught"
} finally {
    note "finally"
}
"#;
    let ran = run_on(Log { panics: true, ..Log::default() }, script);
    ran.fails(FailureKind::Fault, "internal error: boom");
    assert!(ran.notes().is_empty());
    assert_eq!(ran.calls(), ["arm 0.5", "trims", "disarm", "disarm"]);
}

#[test]
fn disarming_comes_before_anything_else() {
    let script = r#"
try {
    arm at 25 % {
        try { fail "no" } finally { let _trims = loaded_trims() }
    }
} catch _p {
    let _trims = loaded_trims()
}
arm at 50 % { }
"#;
    let calls = ["arm 0.25", "trims", "disarm", "trims", "arm 0.5", "disarm"];
    assert_eq!(run(script).calls(), calls);
}

#[test]
fn arming_is_refused_with_a_reason() {
    let values = "var zero = 1\nzero = zero - 1\nvar big = 1e300\nbig = big * big\n";
    for (power, shown) in
        [("zero + 1.5", "1.5"), ("zero", "0"), ("zero - 0.1", "-0.1"), ("big - big", "no number")]
    {
        let ran = run(&format!("{values}arm at {power} {{ }}\n"));
        let message =
            format!("cannot arm at {shown}: power is a share above 0 and at most 1 (100 %)");
        ran.fails(FailureKind::Value, &message);
        assert!(ran.calls().is_empty());
    }
    let refuses = Log { refuses_arm: true, ..Log::default() };
    let ran = run_on(refuses, "arm at 50 % { note \"not reached\" }\n");
    ran.fails(FailureKind::InterlockOpen, "the interlock is open");
    assert!(ran.notes().is_empty());
    assert_eq!(ran.calls(), ["arm 0.5", "disarm"]);
}

#[test]
fn a_failed_disarm_is_told() {
    let stuck = || Log { refuses_disarm: true, ..Log::default() };
    let message = "the laser could not be disarmed: no answer";
    for script in [
        "arm at 50 % { }\n",
        "routine early() { arm at 50 % { if locked() { return } } }\nearly()\n",
    ] {
        let ran = run_on(stuck(), script);
        ran.fails(FailureKind::Fault, message);
        assert!(ran.also().is_empty());
    }
    let ran = run_on(stuck(), "arm at 50 % { fail \"first\" }\n");
    ran.fails(FailureKind::Failed, "first");
    assert_eq!(ran.also(), [message]);
}

#[test]
fn waiting_takes_head_time() {
    let ran = run("wait 1.5 s\nwait 0 s\n");
    ran.says(&[]);
    assert_eq!(ran.log.time, 1.5);
    let values = "var t = 1 s\nvar big = 1e300\nbig = big * big\n";
    let rule = "a time is finite and not negative";
    for (time, shown) in
        [("t - 2 s", "-1 s"), ("(big - big) * t", "no number"), ("big * t", "infinite s")]
    {
        for wait in [
            format!("wait {time}"),
            format!("wait until locked() within {time}"),
            format!("wait until locked() within 1 s every {time}"),
        ] {
            let ran = run(&format!("{values}{wait}\n"));
            ran.fails(FailureKind::Value, &format!("cannot wait {shown}: {rule}"));
        }
    }
}

#[test]
fn waiting_for_a_condition_looks_until_the_limit_and_once_more_there() {
    let later = |lock_at| Log { lock_at, ..Log::default() };
    let ran = run_on(later(0.5), "wait until locked() within 1 s every 0.25 s\n");
    ran.says(&[]);
    assert_eq!(ran.log.lines, ["look 0.000", "look 0.250", "look 0.500"]);
    // The limit is no multiple of the interval: the last look is right at the limit.
    let ran = run_on(later(1.0), "wait until locked() within 1 s every 0.4 s\n");
    ran.says(&[]);
    assert_eq!(ran.log.lines, ["look 0.000", "look 0.400", "look 0.800", "look 1.000"]);
    let wait = "wait until locked() within 20 s every 0.5 s";
    let ran = run_on(later(99.0), &format!("{wait}\n"));
    let message = "gave up after 20 s: `locked()` did not come true";
    ran.fails_at(FailureKind::Timeout, message, wait);
    assert_eq!(ran.log.time, 20.0);
    let wait = "wait until locked() within 0 s every 0.5 s else { note \"otherwise\" }\n";
    let ran = run_on(later(99.0), wait);
    ran.says(&["otherwise"]);
    assert_eq!(ran.log.lines, ["look 0.000"]);
}

#[test]
fn waiting_ends_even_when_the_clock_stands() {
    let log = Log { lock_at: 1.0, clock_stands: true, ..Log::default() };
    let ran = run_on(log, "wait until locked() within 1 ms every 0 s\n");
    assert_eq!(ran.failure().kind, FailureKind::Timeout);
}

#[test]
fn waiting_tells_of_its_progress_now_and_then() {
    let log = Log { lock_at: 99.0, ..Log::default() };
    let ran = run_on(log, "wait until locked() within 1 s every 10 ms else { }\n");
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
    let log = Log { lock_at: 1e9, stop_at: Some(3.0), ..Log::default() };
    let ran = run_on(log, "wait until locked() within 1e6 s every 1 s\n");
    ran.fails(FailureKind::Interrupted, "stopped on request");
    assert_eq!(ran.log.time, 3.0);
}
