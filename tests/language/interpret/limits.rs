//! What keeps a script from running or growing without end.

use super::head::Log;
use super::{run, run_on};
use spintrue_language::FailureKind;

#[test]
fn loops_keep_their_bounds() {
    let shown = |body: &str| format!("var n = 0\n{body}\nnote \"{{n}}\"\n");
    let up = "{ n = n + 1 }";
    let bound = "else { note \"bound reached\" }";
    for (body, notes) in [
        (format!("while n < 2 at most 3 times {up} {bound}"), &["2"][..]),
        (format!("while n < 3 at most 3 times {up} {bound}"), &["3"]),
        (format!("while n < 9 at most 3 times {up} {bound}"), &["bound reached", "3"]),
        (format!("repeat at most 5 times {up} until n >= 5 {bound}"), &["5"]),
        (format!("repeat at most 5 times {up} until n >= 6 {bound}"), &["bound reached", "5"]),
    ] {
        run(&shown(&body)).says(notes);
    }
    let values = "var one = 1\nvar big = 1e300\nbig = big * big\n";
    for (times, shown) in [
        ("one * 2.5", "2.5"),
        ("one - 2", "-1"),
        ("big - big", "no number"),
        ("one * 1e10", "10000000000"),
    ] {
        let message = format!(
            "a loop cannot run {shown} times: the bound is a whole number from 0 to 1000000000"
        );
        let ran = run(&format!("{values}repeat {times} times {{ }}\n"));
        ran.fails(FailureKind::Value, &message);
    }
}

#[test]
fn ranges_end() {
    let values = "var one = 1\nvar big = 1e300\nbig = big * big\n";
    run(&format!("{values}for x in one / 2 .. 2 {{ note \"{{x}}\" }}\n")).says(&["0.5", "1.5"]);
    run(&format!("{values}for _x in one * 1e17 .. one * 1e17 + 16 {{ }}\n")).says(&[]);
    run(&format!("{values}for _x in 0 .. big {{ }}\n"))
        .fails(FailureKind::Value, "a range cannot go from 0 to infinite");
    run(&format!("{values}for _x in 0 .. one * 1e12 {{ }}\n")).fails(
        FailureKind::Limit,
        "a loop over 1000000000000 numbers is too long; 1000000000 are allowed",
    );
}

/// Each routine calls the next one, from inside of what takes much of the stack.
#[test]
fn calls_that_nest_too_deep_are_refused() {
    let bodies: [fn(&str) -> String; 4] = [
        |next| format!("return 1 + {next}"),
        |next| format!("let n = count([{next}])\n    return n"),
        |next| format!("let xs = [{next} for _k in 0..1]\n    return xs[0]"),
        |next| {
            format!(
                "var n = 0\n    try {{ for _k in 0..1 {{ n = {next} }} }} finally {{ }}\n    return n"
            )
        },
    ];
    for body in bodies {
        let passes = |length: usize| {
            let link = |at: usize| {
                let next = if at < length { format!("f{}()", at + 1) } else { "1".to_string() };
                format!("routine f{at}() -> number {{\n    {}\n}}\n", body(&next))
            };
            let routines: String = (1..=length).map(link).collect();
            let ran = run(&format!("{routines}let _n = f1()\n"));
            if ran.result.is_err() {
                let message = "calls, blocks and expressions nest too deep from here";
                ran.fails(FailureKind::Limit, message);
            }
            ran.result.is_ok()
        };
        assert!(passes(200) && !passes(2000), "{}", body("next"));
    }
}

#[test]
fn a_stop_ends_loops_waits_and_calls() {
    for long in [
        "repeat 1000000000 times { }",
        "while n < 1 at most 1000000000 times { }",
        "for _k in 0..1000000000 { }",
        "for _x in long { }",
        "let _ys = [x + n for x in long]",
        "empty(1)",
        "wait 1 s",
        "wait until locked() within 9 s every 0.1 s",
        "arm at 50 % { }",
    ] {
        let start = "routine empty(_x: number) { }\nvar n = 0\nn = n * 2\nlet long = 0..1000000\n";
        let log = Log { lock_at: 1e9, ..Log::default() };
        let ran =
            run_on(log, &format!("{start}note \"stop\"\n{long}\nnote \"not reached {{n}}\"\n"));
        assert!(ran.notes().is_empty(), "{long}");
        ran.fails(FailureKind::Interrupted, "stopped on request");
        assert!(!ran.log.lines.iter().any(|line| line.starts_with("arm")), "{long}");
    }
}

#[test]
fn memory_is_bounded() {
    let list = "a list may not hold more than 4000000 numbers";
    let held = "the lists and texts of the script take more than 256 MiB";
    let range = "a range of 4000001 numbers is too long for a list, which holds 4000000 at most";
    let one = "var one = 1\n";
    for (script, message) in [
        ("let _xs = [0 .. one * 4000001]", range),
        ("var xs = 0 .. one * 3000000\nxs = xs + xs", list),
        ("let _xs = [x for x in 0 .. one * 5000000]", list),
        ("let _xs = [\"x\" for _x in 0 .. one * 5000000]", list),
        // Lists of lists, in a comprehension, by growing, and nested while under construction.
        ("let _xs = [[0 .. one * 100000] for _x in 0 .. 5000000]", held),
        ("let _xs = [[[0 .. one * 100000] for _x in 0 .. 5000000] for _y in 0 .. 5000000]", held),
        (
            "var xs: list of list of number = []\n\
             for _k in 0 .. 1000000 { xs = xs + [0 .. one * 100000] }",
            held,
        ),
    ] {
        run(&format!("{one}{script}\n")).fails(FailureKind::Limit, message);
    }
    // Letting go frees memory again: a hundred times a million, one after the other.
    run(&format!("{one}var xs = [0]\nfor _k in 0 .. 100 {{ xs = 0 .. one * 1000000 }}\n"))
        .says(&[]);
    // One list, seen from many places, counts once.
    let script = r#"
let same = 0 .. one * 1000000
var xs: list of list of number = []
for _k in 0 .. 100000 { xs = xs + [same] }
var ys = [0]
for _k in 0 .. 40 { ys = 0 .. one * 1000000 }
"#;
    run(&format!("{one}{script}")).says(&[]);
}

#[test]
fn what_cannot_grow_stays_as_it_was() {
    let script = r#"
var one = 1
var xs = 0 .. one * 3000000
try { xs = xs + xs } catch _p { note "caught" }
note "{xs[1]}"
"#;
    run(script).says(&["caught", "1"]);
}

#[test]
fn texts_are_bounded() {
    for grow in ["t = \"{t}{t}\"", "t = t + t"] {
        let ran = run(&format!("var t = \"x\"\nfor _k in 0 .. 30 {{ {grow} }}\n"));
        ran.fails(FailureKind::Limit, "a text may not be longer than 1048576 bytes");
    }
    run("var n = 1000000\nlet xs = 0 .. n\nnote \"{xs}\"\n")
        .fails(FailureKind::Limit, "a value of more than 350000 parts cannot be shown");
}
