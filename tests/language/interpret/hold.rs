//! Conditions that must hold while a block runs.

use super::head::{Log, Loss};
use super::{Ran, run, run_on};
use spintrue_language::{Event, FailureKind, HeldBlock};

fn lost(loss: Loss, at: f64) -> Log {
    Log { lost: Some((loss, at)), ..Log::default() }
}

impl Ran {
    fn held(&self) -> Vec<&HeldBlock> {
        let held = self.events.iter().filter_map(|event| match event {
            Event::Held(block) => Some(&**block),
            _ => None,
        });
        held.collect()
    }

    /// The looks at the head while nothing was armed.
    fn looks(&self) -> usize {
        self.log.lines.iter().filter(|line| line.starts_with("look")).count()
    }
}

#[test]
fn a_wait_is_cut_into_looks_and_fails_at_the_first_that_tells() {
    let ran =
        run_on(lost(Loss::Lock, 5.03), "hold locked() every 250 ms { wait 60 s }\nnote \"no\"\n");
    let message = "`locked()` does not hold at 5.25 s, 5.25 s after the block began";
    ran.fails_at(FailureKind::NotHeld, message, "locked()");
    assert!(ran.notes().is_empty());
    // When it began, and every 250 ms from then on.
    assert_eq!(ran.looks(), 22);
    let [block] = ran.held()[..] else { panic!("{:?}", ran.events) };
    assert_eq!((block.looks, block.began), (22, 0.0));
    assert!((block.longest_gap - 0.25).abs() < 1e-9 && (block.ended - 5.25).abs() < 1e-9);
    assert_eq!(block.conditions[0].breaks.as_deref(), Some(message));
}

#[test]
fn a_block_is_looked_at_when_it_begins_and_ends() {
    let script = "hold locked(), interlock_closed() { note \"inside\" }\nnote \"behind\"\n";
    let ran = run(script);
    ran.says(&["inside", "behind"]);
    let [block] = ran.held()[..] else { panic!("{:?}", ran.events) };
    // No time passed, so one look is enough.
    assert_eq!((block.looks, ran.looks()), (1, 2));
    // What does not hold to begin with never starts.
    let ran = run_on(lost(Loss::Interlock, 0.0), script);
    let message = "`interlock_closed()` does not hold at 0 s, when the block began";
    ran.fails(FailureKind::NotHeld, message);
    assert!(ran.notes().is_empty());
    // What breaks in the last moment is seen at the end.
    let ran =
        run_on(lost(Loss::Lock, 0.05), "hold locked() every 1 s { wait 50 ms }\nnote \"no\"\n");
    ran.fails(
        FailureKind::NotHeld,
        "`locked()` does not hold at 50 ms, 50 ms after the block began",
    );
}

#[test]
fn a_value_is_told_as_it_was_measured() {
    let script = "hold now() - 1 s < 2 s every 400 ms { wait 10 s }\n";
    let ran = run(script);
    let message =
        "`now() - 1 s < 2 s` does not hold: measured 2.2 s at 3.2 s, 3.2 s after the block began";
    ran.fails(FailureKind::NotHeld, message);
    let [block] = ran.held()[..] else { panic!("{:?}", ran.events) };
    let [least, most] = block.conditions[0].range.clone().unwrap().map(|end| end.to_string());
    assert_eq!((&*least, &*most), ("-1 s", "2.2 s"));
    let high = block.conditions[0].high.as_ref().unwrap();
    assert_eq!((high.at.to_string(), high.closed), ("2 s".to_string(), false));
    // A limit itself holds where it is closed.
    run("let t = now()\nhold t <= 0 s, t >= 0 s, t within 0 s .. 0 s { note \"in\" }\n")
        .says(&["in"]);
}

#[test]
fn waits_for_conditions_are_looked_at_too() {
    let script =
        "hold locked() every 100 ms { wait until not interlock_closed() within 60 s every 30 s }\n";
    let ran = run_on(lost(Loss::Lock, 7.05), script);
    ran.fails(
        FailureKind::NotHeld,
        "`locked()` does not hold at 7.1 s, 7.1 s after the block began",
    );
}

#[test]
fn time_that_passes_by_itself_is_looked_at_while_a_script_computes() {
    let script =
        "var n = 0\nhold locked() every 50 ms { while n >= 0 at most 1e9 times { n = n + 1 } }\n";
    let log = Log { tick: 0.01, ..lost(Loss::Lock, 2.0) };
    let ran = run_on(log, script);
    let failure = ran.failure();
    assert_eq!(failure.kind, FailureKind::NotHeld, "{}", failure.message);
    // Looks are late by what is computed between two of them, and by the looks themselves.
    assert!(ran.log.time < 2.3, "{}", ran.log.time);
}

#[test]
fn nothing_inside_catches_what_broke_and_finally_runs_undisturbed() {
    let script = r#"
try {
    hold locked() every 100 ms {
        try {
            wait 60 s
        } catch _inner {
            note "caught inside"
        } finally {
            wait 2 s
            note "finally at {now() : 1}"
        }
        note "not reached"
    }
} catch problem {
    note "{problem.kind} at {problem.place}"
}
"#;
    let ran = run_on(lost(Loss::Lock, 3.05), script);
    ran.says(&["finally at 5.1 s", "not_held at script.spt:3:10"]);
    // Another failure on its way lets `finally` do its work as well, though lock is lost meanwhile.
    let script = r#"
try {
    hold locked() every 100 ms {
        try { wait 1 s
            fail "mine" } finally { wait 20 s
            note "done" }
    }
} catch problem { note problem.message }
"#;
    run_on(lost(Loss::Lock, 3.05), script).says(&["done", "mine"]);
    // Behind a catch the block goes on, and so do the looks.
    let script = "hold locked() every 100 ms { try { fail \"x\" } catch _p { note \"caught\" }\nwait 9 s }\n";
    let ran = run_on(lost(Loss::Lock, 3.05), script);
    ran.fails(
        FailureKind::NotHeld,
        "`locked()` does not hold at 3.1 s, 3.1 s after the block began",
    );
}

#[test]
fn the_laser_goes_off_where_a_condition_breaks() {
    for script in [
        "hold now() < 3 s every 100 ms { arm at 35 % { try { wait 9 s } finally { wait 5 s } } }\n",
        "arm at 35 % { hold now() < 3 s every 100 ms { try { wait 9 s } finally { wait 5 s } } }\n",
    ] {
        let ran = run(script);
        let failure = ran.failure();
        assert_eq!(failure.kind, FailureKind::NotHeld, "{}", failure.message);
        let dark = ran.log.dark_at[0];
        assert!((3.0..3.11).contains(&dark), "{dark}\n{script}");
        assert!(!ran.log.armed);
    }
}

#[test]
fn blocks_nest_and_each_ends_with_its_own() {
    let script = r#"
hold now() < 10 s every 100 ms {
    try {
        hold now() < 2 s every 300 ms { wait 60 s }
    } catch problem {
        note "inner: {problem.kind}"
    }
    wait 60 s
}
"#;
    let ran = run(script);
    let message = "`now() < 10 s` does not hold: measured 10 s at 10 s, 10 s after the block began";
    ran.fails(FailureKind::NotHeld, message);
    assert_eq!(ran.notes(), ["inner: not_held"]);
    // The outer one breaks inside the inner one, which cannot keep it.
    let script =
        "try { hold now() < 2 s { hold locked() { try { wait 9 s } catch _p { note \"no\" } } } }
catch problem { note problem.message }
";
    let message = "`now() < 2 s` does not hold: measured 2 s at 2 s, 2 s after the block began";
    run(script).says(&[message]);
}

/// Every way out ends the looks.
#[test]
fn a_jump_out_of_the_block_ends_it() {
    let script = r#"
routine early() -> number may reads {
    hold locked() every 100 ms { return 7 }
}
for k in 0..3 { hold locked() every 100 ms { if k == 1 { break }
 wait 1 s } }
note "{early()}"
wait 60 s
"#;
    let ran = run_on(lost(Loss::Lock, 1.5), script);
    ran.says(&["7"]);
    assert_eq!(ran.held().len(), 3);
}

/// A look works on copies: what a routine is about is not touched by a condition that calls it too.
#[test]
fn a_condition_may_call_the_routine_that_runs() {
    let script = r#"
routine counted(rounds: number, pause: time) -> number may reads {
    var sum = 0
    var all: list of number = []
    for k in 0..rounds {
        sum = sum + k
        all = all + [k]
        wait pause
    }
    return sum + 100 * count(all)
}
hold counted(3, 0 s) == 303 every 1 ms { note "{counted(20, 10 ms)}" }
"#;
    run(script).says(&["2190"]);
}

#[test]
fn a_condition_that_cannot_be_looked_at_fails_as_it_does() {
    let ran = run_on(lost(Loss::Control, 2.0), "hold locked() every 100 ms { wait 9 s }\n");
    ran.fails_at(FailureKind::NoAnswer, "another client made the head safe", "locked()");
    let ran =
        run("hold locked() every -1 s { note \"no\" }\n".replace("-1 s", "(now() - 1 s)").as_str());
    ran.fails(FailureKind::Value, "cannot wait -1 s: a time is finite and not negative");
}
