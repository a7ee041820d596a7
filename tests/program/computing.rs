//! What a script computes is watched on a head whose time passes by itself: under light, against
//! `--at-most`, and in recordings.

use crate::program::{Ended, Typing, command, json_lines, piped, spintrue};
use crate::support::{Folder, root};
use crate::wire::bench::{Server, program, run};
use flate2::read::GzDecoder;
use std::fs;
use std::io::Read;

/// It would compute for minutes.
const LONG: &str = "var n = 0\nn = n * 2\n";
const TURNS: &str = "repeat 1000000000 times { n = n + 1 }";

const LOCKED: &str = "spin(4800 rpm)\nwait until locked() within 30 s\n";

fn realtime() -> Server {
    Server::with(&["--realtime", "--dead-man", "20s"])
}

/// Runs a script on a served head.
fn run_script(server: &Server, script: &str) -> Ended {
    let folder = Folder::new("computing");
    let script = folder.named("script.spt", script);
    run(&["run", &script, "--head", &server.address()])
}

#[test]
fn what_is_lost_under_light_ends_what_is_computed() {
    let server = realtime();
    let faults = [
        ("lock_lost", "not_locked: the polygon is not locked"),
        ("interlock_opened", "interlock_open: the interlock is open"),
    ];
    for (fault, why) in faults {
        let lost = format!("provoke(\"{fault}\", after: 500 ms)\narm at 30 % {{ {TURNS} }}\n");
        let ended = run_script(&server, &format!("{LONG}{LOCKED}{lost}note \"went on\"\n"));
        let told = ended.words();
        assert_eq!(ended.code, Some(3), "{told}");
        assert!(told.contains(why) && told.contains("laser off, mirror parked"), "{told}");
        assert!(!told.contains("went on"), "{told}");
    }
}

#[test]
fn control_that_is_taken_away_ends_what_is_computed() {
    let server = realtime();
    let folder = Folder::new("computing");
    let lit = format!("arm at 30 % {{ note \"lit\"\n{TURNS} }}\nnote \"went on\"\n");
    let script = folder.named("script.spt", format!("{LONG}{LOCKED}{lit}"));
    let mut typing = Typing::new(program(&["run", &script, "--head", &server.address()]));
    typing.until(" lit");
    server.line().ask("SAFE?");
    let (told, code) = typing.end();
    let words = told.split_whitespace().collect::<Vec<_>>().join(" ");
    assert_eq!(code, Some(3), "{told}");
    assert!(words.contains("control of the head was lost: another client made"), "{told}");
    assert!(words.contains("script.spt:6:8"), "{told}");
    assert!(!words.contains("went on"), "{told}");
}

#[test]
fn a_run_that_computes_for_too_long_is_stopped() {
    let server = realtime();
    let folder = Folder::new("computing");
    let text = format!("{LONG}try {{ {TURNS} }} catch _p {{ }} finally {{ note \"finally\" }}\n");
    let script = folder.named("script.spt", &text);
    let address = server.address();
    let checked = run(&["check", &script, "--head", &address, "--format", "json"]);
    let longest = &json_lines(&checked.out)[0]["scripts"][0]["longest"];
    let longest = longest["value"].as_f64().unwrap_or_else(|| panic!("{}", checked.all()));
    let most = format!("{} ms", (longest * 1e3).ceil() + 700.0);
    let trace = folder.path("run.trace");
    let arguments = ["run", &script, "--at-most", &most, "--head"];
    let stopped = run(&[&arguments[..], &[&address, "--trace", &trace]].concat());
    let told = stopped.words();
    assert_eq!(stopped.code, Some(3), "{told}");
    assert!(told.contains("timeout: the run was stopped after"), "{told}");
    assert!(told.contains("finally"), "{told}");
    assert!(told.contains("laser off, mirror parked, polygon at rest (measured)"), "{told}");
    let again = run(&[&arguments[..], &[&format!("replay:{trace}")]].concat());
    assert_eq!((again.code, shown(&again)), (Some(3), shown(&stopped)), "{}", again.error);
    // A head whose time passes by calls only has all the time for it.
    let quick = text.replace("1000000000", "100000");
    let quick = folder.named("quick.spt", &quick);
    let ended = run(&["run", &quick, "--at-most", "12s"]);
    assert_eq!(ended.code, Some(0), "{}", ended.all());
}

fn unpacked(path: &str) -> String {
    let mut lines = String::new();
    GzDecoder::new(&fs::read(path).unwrap()[..]).read_to_string(&mut lines).unwrap();
    lines
}

/// What a run shows behind its title.
fn shown(ended: &Ended) -> &str {
    ended.out.split_once("officer decide.\n").map_or("", |(_, shown)| shown)
}

#[test]
fn a_recording_repeats_the_looks_of_its_run() {
    let server = realtime();
    let folder = Folder::new("computing");
    let text = fs::read_to_string(root().join("tests/data/recordings/computing_in_arm.spt"));
    let text = text.unwrap().replace("400000", "3000000");
    let script = folder.named("script.spt", text);
    let (one, two) = (folder.path("one.trace"), folder.path("two.trace"));
    let then = run(&["run", &script, "--head", &server.address(), "--trace", &one]);
    assert_eq!(then.code, Some(0), "{}", then.all());
    let lines = unpacked(&one);
    assert!(lines.lines().next().unwrap().contains("\"real_time\":true"));
    let lit = lines.split("\"name\":\"arm\"").nth(1).unwrap();
    let lit = lit.split("\"name\":\"disarm\"").next().unwrap();
    let looks = lit.matches("\"name\":\"status\"").count();
    // One behind the arming and before the disarming, two of `locked()`, three slices of the wait; what is
    // computed has its own.
    assert!(looks > 8, "{looks} looks");
    let head = format!("replay:{one}");
    let now = run(&["run", &script, "--head", &head, "--trace", &two]);
    assert_eq!(now.code, Some(0), "{}", now.all());
    assert_eq!(shown(&now), shown(&then));
    assert_eq!(fs::read(&one).unwrap(), fs::read(&two).unwrap());
    // So does the shell, in one go or statement by statement.
    for typed in ["run\n", "step\n\n\n\ngo\n"] {
        let shell = command(root(), &["shell", &script, "--no-history", "--head", &head]);
        let said = piped(shell, typed).all();
        assert!(said.contains("check locked: locked(): conforms"), "{said}");
        assert!(!said.contains("leaves its recording") && !said.contains("fault"), "{said}");
    }
}

/// It was made before what computes was watched.
#[test]
fn an_older_recording_of_computing_under_light_is_replayed() {
    let folder = root().join("tests/data/recordings");
    let trace = folder.join("computing_in_arm.trace");
    assert!(!unpacked(&trace.display().to_string()).contains("real_time"));
    let ended = spintrue(
        &folder,
        &["run", "computing_in_arm.spt", "--head", "replay:computing_in_arm.trace"],
    );
    let told = ended.all();
    assert_eq!(ended.code, Some(0), "{told}");
    assert!(told.contains("lit for         36.637 ms") && !told.contains("leaves"), "{told}");
}
