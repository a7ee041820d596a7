//! Loops, routines, failures on their way, checks.

use super::run;
use spintrue_language::{Event, FailureKind, Outcome};

#[test]
fn a_loop_sees_its_list_as_it_was() {
    let script = r#"
var xs = [1, 2, 3]
for x in xs {
    xs[1] = 50
    xs = xs + [4]
    note "{x}"
}
note "{xs}"
"#;
    run(script).says(&["1", "2", "3", "[1, 50, 3, 4, 4, 4]"]);
}

#[test]
fn loops_are_left_early() {
    let script = r#"
routine early() {
    for k in 0..9 {
        if k >= 5 { break }
        if k >= 2 { continue }
        note "{k}"
    }
    if locked() { return }
    note "not reached"
}
early()
"#;
    run(script).says(&["0", "1"]);
}

#[test]
fn arguments_are_ready_before_the_call() {
    let script = r#"
routine plus(a: number, b: number) -> number { return a + b * 10 }
var changed = 100
note "{plus(plus(1, 2), plus(3, 4))} {plus(5, plus(3, 4))} {plus(1, 1) + plus(1, 1)}"
for round in 0..2 {
    changed = changed + plus(changed, round)
    note "{changed}"
}
"#;
    run(script).says(&["451 435 22", "200", "410"]);
}

#[test]
fn routines_take_and_give_lists() {
    let script = r#"
routine changed(xs: list of number) -> list of number {
    var own = xs
    own[0] = 8
    return own
}
let xs = [1, 2]
let ys = changed(xs)
note "{xs} {changed(changed([3]))} {ys}"
"#;
    run(script).says(&["[1, 2] [8] [8, 2]"]);
}

#[test]
fn failures_name_the_calls_that_led_there() {
    let script =
        "routine inner(x: number) { fail \"no {x}\" }\nroutine outer() { inner(1) }\nouter()\n";
    let ran = run(script);
    ran.fails_at(FailureKind::Failed, "no 1", "fail \"no {x}\"");
    let calls = ran.failure().calls.iter().map(|span| ran.prepared.sources.slice(*span));
    assert_eq!(calls.collect::<Vec<_>>(), ["inner(1)", "outer()"]);
}

#[test]
fn checks_are_decided_and_the_script_goes_on() {
    let script = r#"
for t in [26 degC, 26.85 degC, 28 degC] {
    expect "warm": t ± 0.5 K <= 27 degC
}
var two = 2
expect "holds": locked()
expect "does not": not locked()
record "x": two + 0.5
"#;
    let ran = run(script);
    ran.says(&[]);
    let mut outcomes = Vec::new();
    for event in &ran.events {
        match event {
            Event::Check(check) => {
                outcomes.push(check.outcome);
                if let Some(measured) = &check.measured {
                    let uncertainty = measured.uncertainty.as_ref().unwrap().to_string();
                    assert!(
                        uncertainty.ends_with(" mK") || uncertainty == "0.5 K",
                        "{uncertainty}"
                    );
                    assert_eq!(measured.high.as_ref().unwrap().at.to_string(), "27 degC");
                }
            }
            Event::Recorded { label, shown, span, .. } => {
                let text = ran.prepared.sources.slice(*span);
                assert_eq!((label.as_str(), shown.to_string().as_str()), ("x", "2.5"));
                assert!(text.contains("two + 0.5"), "{text}");
            }
            other => panic!("{other:?}"),
        }
    }
    let expected =
        [Outcome::Conforms, Outcome::Undecided, Outcome::Fails, Outcome::Conforms, Outcome::Fails];
    assert_eq!(outcomes, expected);
}
