//! Computing is watched where time passes by itself: on a head whose clock advances at each reading.

use super::head::{Log, Logged, Loss};
use super::{Ran, run, run_on};
use crate::inside::{Events, Sources};
use spintrue_head::Rig;
use spintrue_language::{FailureKind, Finished, Station, TimeLimit, Verdict, prepare, run_script};
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;

/// Far more turns than any of these runs may take.
const LONG: &str = "100000000";

/// Head time in s that passes at each reading of the clock.
const TICK: f64 = 8e-3;

/// What computes for long, each in its own way.
fn long() -> Vec<String> {
    let turns = [
        format!("repeat {LONG} times {{ n = n + 1 }}"),
        format!("for k in 0..{LONG} {{ n = n + k }}"),
        format!("while n >= 0 at most {LONG} times {{ n = n + 1 }}"),
        format!("for x in long {{ repeat {LONG} times {{ n = n + x }} }}"),
    ];
    // Few turns, and much work in each.
    let work = ["n = n + f(n)", "n = sum(sorted(long))", "n = sum([x + 1 for x in long])"];
    let work = work.map(|work| format!("repeat {LONG} times {{ {work} }}"));
    turns.into_iter().chain(work).collect()
}

fn armed(body: &str) -> String {
    format!(
        "routine f(x: number) -> number {{\n    return x * 2 - x\n}}\n\
         var n = 0\nn = n * 2\nlet long = [1000 - k for k in 0..1000]\n\
         arm at 50 % {{\n{body}\n}}\nnote \"not reached\"\n"
    )
}

fn ticking(lost: Option<(Loss, f64)>) -> Log {
    Log { tick: TICK, lost, ..Log::default() }
}

/// Dark within 50 ms of the loss, by the head's own clock.
#[track_caller]
fn is_dark_soon(ran: &Ran, lost_at: f64) {
    let dark = ran.log.dark_at[0];
    assert!((lost_at..lost_at + 0.05).contains(&dark), "lost at {lost_at} s, dark at {dark} s");
    assert!(!ran.log.armed && ran.notes().is_empty());
}

#[test]
fn what_is_lost_while_a_script_computes_is_noticed_at_once() {
    let losses = [
        (Loss::Lock, FailureKind::NotLocked, "the polygon is not locked"),
        (Loss::Interlock, FailureKind::InterlockOpen, "the interlock is open"),
        (Loss::Laser, FailureKind::Fault, "the laser is not armed"),
        (Loss::Control, FailureKind::NoAnswer, "another client made the head safe"),
    ];
    for (loss, kind, message) in losses {
        for body in long() {
            let ran = run_on(ticking(Some((loss, 0.3))), &armed(&body));
            ran.fails(kind, message);
            // At the loop, or at what was called in it.
            let at = ran.prepared.sources.slice(ran.failure().place);
            assert!(body.contains(at) && !at.is_empty(), "{body}: {at}");
            is_dark_soon(&ran, 0.3);
        }
    }
}

/// The script may catch the failure, in the dark.
#[test]
fn a_loss_can_be_caught_and_the_light_is_off_then() {
    let body = format!(
        "try {{ repeat {LONG} times {{ n = n + 1 }} }} catch problem {{ note problem.message }}"
    );
    let script = armed(&body).replace("not reached", "behind");
    let ran = run_on(ticking(Some((Loss::Lock, 0.3))), &script);
    ran.says(&["the polygon is not locked", "behind"]);
    assert!(!ran.log.armed && ran.log.dark_at[0] < 0.35, "{:?}", ran.log.dark_at);
}

/// A stretch that is too short for a look of its own is looked over at the end of the block.
#[test]
fn a_block_fails_at_its_end_where_something_was_lost_in_the_last_stretch() {
    // Time passes at the note, which is no call.
    let script = "arm at 50 % { note \"lit\" }\nnote \"not reached\"\n";
    let lost_at = |at| run_on(ticking(Some((Loss::Control, at))), script);
    let ran = lost_at(1.5 * TICK);
    ran.fails_at(FailureKind::NoAnswer, "another client made the head safe", "arm");
    assert_eq!((ran.notes(), ran.log.armed), (vec!["lit"], false));
    lost_at(2.5 * TICK).says(&["lit", "not reached"]);
}

/// On a head whose time passes by calls only, nothing is asked while a script computes.
#[test]
fn nothing_changes_where_time_passes_by_calls_only() {
    let seen = |turns: &str| {
        let ran = run(&armed(&format!("repeat {turns} times {{ n = n + f(n) }}")));
        ran.says(&["not reached"]);
        (ran.log.lines.clone(), ran.log.readings, ran.log.armed_looks)
    };
    assert_eq!(seen("1"), seen("2000000"));
    assert_eq!(seen("1").2, 1);
}

/// A run that may take `at_most` in all.
fn limited(script: &str, at_most: f64, tick: f64) -> (Finished, Events, Log) {
    let prepared = prepare(&mut Sources::of(script), "script.spt", &[]).unwrap();
    assert_eq!(prepared.errors(), 0, "{script}");
    let log = Rc::new(RefCell::new(Log { tick, ..Log::default() }));
    let head = Logged { log: log.clone(), stop: Arc::default() };
    let mut station =
        Station::open(Box::new(Rig::new(Box::new(head), None)), Arc::default()).unwrap();
    station.set_real_time(true);
    let description = station.description().clone();
    let runnable = prepared.admit(&description, false, &|_| Ok(()), Vec::new()).ok().unwrap();
    let limit = Some(TimeLimit { at_most, to_make_safe: 1.0 });
    let mut events = Events::default();
    let finished = run_script(runnable.with_limit(limit), &mut station, &mut events);
    drop(station);
    (finished, events, log.take())
}

#[track_caller]
fn is_overdue(finished: &Finished) {
    let failure = finished.failure.as_ref().unwrap();
    assert_eq!(failure.kind, FailureKind::Timeout, "{failure:?}");
    let stopped = "the run was stopped after 2 s: `--at-most` allows 3 s, of which 1 s are left";
    assert!(failure.message.starts_with(stopped), "{}", failure.message);
    assert_eq!(finished.verdict(), Verdict::HeadFailed);
    assert_eq!(finished.verdict().exit_code(), 3);
}

#[test]
fn a_run_is_stopped_by_the_clock_whatever_it_does() {
    let start = "var n = 0\nn = n * 2\n";
    for (body, armed) in [
        (format!("repeat {LONG} times {{ n = n + 1 }}"), false),
        (format!("arm at 50 % {{ repeat {LONG} times {{ n = n + 1 }} }}"), true),
        (format!("repeat {LONG} times {{ let _locked = locked() }}"), false),
        ("wait 100 s".to_string(), false),
        ("arm at 50 % { wait 100 s }".to_string(), true),
        ("wait until n > now() / 1 s within 100 s every 1 s".to_string(), false),
        // It cannot be caught.
        (format!("repeat {LONG} times {{ try {{ wait 100 s }} catch _p {{ }} }}"), false),
    ] {
        let (finished, events, log) = limited(&format!("{start}{body}\nnote \"late\"\n"), 3.0, 0.1);
        is_overdue(&finished);
        assert!(events.notes().is_empty(), "{body}");
        assert!(finished.took < 2.6, "{body}: {} s", finished.took);
        assert_eq!(log.lines.iter().any(|line| line.starts_with("arm")), armed, "{body}");
        assert!(!log.armed && (!armed || log.dark_at[0] < 2.5), "{body}: {:?}", log.dark_at);
    }
    let (finished, events, _) =
        limited(&format!("{start}wait 1.8 s\nnote \"in time\"\n"), 3.0, TICK);
    assert_eq!(finished.verdict(), Verdict::Passed, "{:?}", finished.failure);
    assert_eq!(events.notes(), ["in time"]);
}

/// What `finally` does has as long as making the head safe may take, and no longer.
#[test]
fn finally_runs_when_the_time_is_over() {
    let body = "wait 100 s";
    let script = |last: &str| {
        format!("try {{ {body} }} catch _p {{ note \"caught\" }} finally {{\n{last}\n}}\n")
    };
    let (finished, events, _) = limited(&script("wait 0.5 s\nnote \"finally\""), 3.0, TICK);
    is_overdue(&finished);
    assert_eq!(events.notes(), ["finally"]);
    let inner = script("note \"inner\"\nwait 0.6 s");
    let outer =
        format!("try {{\n{inner}}} finally {{\nnote \"outer\"\nwait 100 s\nnote \"late\"\n}}\n");
    let (finished, events, _) = limited(&outer, 3.0, TICK);
    is_overdue(&finished);
    assert_eq!(events.notes(), ["inner", "outer"]);
    assert!(finished.took < 3.4, "{} s", finished.took);
}
