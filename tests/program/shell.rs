//! The shell through the binary with plain lines, as a pipe gives them: entries beside what they
//! yield and the exit code. A line `// shell: ARGUMENTS` adds arguments. `tests/extra/shell.sh`
//! tries it on a terminal.

use crate::program::{Typing, shell, spintrue, typed};
use crate::support::{Folder, corpus, root, scripts};
use insta::assert_snapshot;
use std::fs;
use std::time::{Duration, Instant};

#[test]
fn entries_yield_what_they_should() {
    for folder in ["shell", "step"] {
        corpus(&format!("{folder}/*.txt"), |path| {
            let text = fs::read_to_string(path).unwrap();
            let mut command = shell(path.parent().unwrap(), &[]);
            for arguments in text.lines().filter_map(|line| line.strip_prefix("// shell: ")) {
                command.args(arguments.split_whitespace());
            }
            let (said, code) = typed(command, &text);
            assert!(!said.contains("panicked") && !said.contains("internal error"), "{said}");
            format!("{}\n────\n{}\n──── exit code {code:?}", text.trim(), said.trim_end())
        });
    }
}

/// Right and wrong scripts of all sorts, line by line: the shell never breaks, and the head is safe.
#[test]
fn whatever_is_typed_the_head_ends_safe() {
    let found = [scripts("tests/corpus"), scripts("scripts")].concat();
    assert!(found.len() > 200, "{}", found.len());
    for path in found {
        let shell = shell(path.parent().unwrap(), &[]);
        let (said, code) = typed(shell, fs::read(&path).unwrap());
        assert!(said.contains("head: laser off"), "{}: {said}", path.display());
        assert!(!said.contains("panicked"), "{}: {said}", path.display());
        assert!(matches!(code, Some(0..=4)), "{}: {code:?}", path.display());
    }
}

#[test]
fn what_was_typed_is_saved_as_a_script_that_passes() {
    let folder = Folder::new("save");
    let turns = "routine twice(x: rotation) -> rotation { return x * 2 }\n";
    folder.file("lib/turns.spt", turns);
    let entries = "\
use \"lib/turns.spt\"
/// Largest error.
param largest = 12 um within 0 um .. 1 mm
let speed = 4800 rpm
spin(4800 rpm)
wait until locked() within 20 s
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
/// One measured line per facet.
routine measured_lines(plan: plan) -> list of line {
    arm at 35 % { return [test_line(k, plan) for k in facets()] }
}
let seen = measured_lines(plan)
load(corrected(seen, plan))
undo
load(corrected(seen, plan))
let seen = measured_lines(plan)
worst(seen).in_scan
expect \"in-scan\": worst(seen).in_scan <= largest
wait 250 ms
wait 250 ms
twice(2400 rpm)
safe
save out/typed.spt
";
    fs::create_dir(folder.0.join("out")).unwrap();
    let (said, code) = typed(shell(&folder, &[]), entries);
    assert_eq!(code, Some(0), "{said}");
    let saved = folder.read("out/typed.spt");
    assert_snapshot!("saved_script", saved);
    for subcommand in ["check", "run"] {
        let ended = spintrue(&folder, &[subcommand, "out/typed.spt"]);
        let right = ended.code == Some(0) && !ended.error.contains("Error");
        assert!(right, "{subcommand}: {}", ended.error);
    }
    // What stands there already is never written over.
    let (said, code) = typed(shell(&folder, &[]), "let x = 1\nsave out/typed.spt\n");
    assert_eq!(code, Some(2));
    assert!(said.contains("exists; give another name"), "{said}");
    assert_eq!(folder.read("out/typed.spt"), saved);
}

/// Everything that a topic of help tells to type works, in its order, in one shell.
#[test]
fn what_topics_tell_to_type_works() {
    let folder = Folder::new("topics");
    let topics = fs::read_to_string(root().join("src/shell/topics.md")).unwrap();
    let lines = topics.lines().filter_map(|line| line.strip_prefix("    "));
    let typed_lines: Vec<&str> = lines.collect();
    assert!(typed_lines.len() > 10, "{typed_lines:?}");
    let (said, code) = typed(shell(&folder, &[]), typed_lines.join("\n") + "\n");
    assert_eq!(code, Some(0), "{said}");
    assert!(folder.read("rows.csv").starts_with("facet [1],speed [rad/s]\r\n0,"), "{said}");
}

/// Comments stay where they were typed, and an entry that was dropped is left out.
#[test]
fn a_saved_script_keeps_comments_and_leaves_out_what_was_dropped() {
    let folder = Folder::new("comments");
    let entries = "\
// first look
let speed = 3000 rpm // a slow one
spin(3000 rpm)
// why this wait:
// the drive is slow
wait until locked() within 20 s
for k in 0..2 {
    // inside
    note \"turn {k}\" // behind
}
note \"dropped\"
";
    let more = "measured_speed()\nlet rows = [{facet: k, far: 2 mm} for k in 0..2]\n\
                export rows to rows.csv\ndrop 8\nsave typed.spt\n";
    let (said, code) = typed(shell(&folder, &[]), entries.to_string() + more);
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("`save` leaves out: note \"dropped\""), "{said}");
    assert_snapshot!("saved_with_comments", folder.read("typed.spt"));
    assert_eq!(folder.read("rows.csv"), "facet [1],far [mm]\r\n0,2\r\n1,2\r\n");
    let ended = spintrue(&folder, &["run", "typed.spt"]);
    assert_eq!(ended.code, Some(0), "{}", ended.error);
}

/// A session is recorded like a run: what was typed, refused and failed, with the verdict of the failure.
#[test]
fn a_session_is_recorded() {
    let folder = Folder::new("recorded");
    let entries = "spin(3000 rpm)\nwait until locked() within 20 s\n\
                   expect \"speed\": measured_speed() > 2000 rpm\n";
    let cases = [("good", "", 0, "passed"), ("bad", "fail \"a fixture is loose\"\n", 1, "failed")];
    for (name, more, exit, verdict) in cases {
        let typing = shell(&folder, &["--record", name]);
        let (said, code) = typed(typing, format!("{entries}{more}"));
        assert_eq!(code, Some(exit), "{said}");
        let verified = spintrue(&folder, &["record", "verify", name]);
        assert_eq!(verified.code, Some(0), "{}{}", verified.out, verified.error);
        assert!(verified.out.contains(&format!("verdict: {verdict}")), "{}", verified.out);
        let shown = spintrue(&folder, &["record", "show", name]);
        assert!(shown.out.contains("check speed: 3000 rpm > 2000 rpm: conforms"), "{}", shown.out);
        let report = folder.read(&format!("{name}/report.html"));
        assert!(report.contains("&gt; wait until locked() within 20 s"), "{report}");
        assert_eq!(report.contains("failed: failed: a fixture is loose"), !more.is_empty());
    }
    // No session is begun whose record cannot be kept.
    let (said, code) = typed(shell(&folder, &["--record", "good"]), "spin(3000 rpm)\n");
    assert!(said.contains("no record can be kept, so no shell is opened"), "{said}");
    assert_eq!(code, Some(2), "{said}");
}

/// What was run goes into a saved script like what was typed.
#[test]
fn a_script_that_was_run_is_saved() {
    let folder = Folder::new("shell-step");
    for name in ["script.spt", "motion.spt"] {
        folder.file(name, fs::read(root().join("tests/corpus/step").join(name)).unwrap());
    }
    let entries = "run\nstep note \"own\"\ngo\nsave saved.spt\n";
    let (said, code) = typed(shell(&folder, &["script.spt"]), entries);
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("`spintrue check saved.spt` passes"), "{said}");
    assert_snapshot!("saved_after_run", folder.read("saved.spt"));
}

#[test]
fn an_edited_script_is_read_again() {
    let folder = Folder::new("again");
    let script = "param speed = 3000 rpm\nroutine f() -> number { return 1 }\nspin(speed)\n";
    folder.file("a.spt", script);
    let mut typing = Typing::new(shell(&folder, &["a.spt"]));
    typing.types("f()\nnote \"first\"\n");
    typing.until("first");
    folder.file("a.spt", "param speed = 3000 rpm\nroutine f() -> number { return }\n");
    typing.types("let own = 7\nread\n");
    typing.stdin = None;
    let (said, code) = typing.end();
    let read = "read a.spt: 1 routine, 1 value; nothing of it was run\n1\n";
    assert!(said.starts_with(read), "{said}");
    assert!(said.contains("a.spt:2:"), "{said}");
    assert_eq!(code, Some(2), "{said}");
}

#[test]
fn odd_input_is_refused_and_leaves_the_head_safe() {
    let long = format!("let x = \"{}\"\n", "a".repeat(2 << 20));
    let open = "arm at 35 % {\n".repeat(10);
    let cases: [(&[u8], &str, i32); 4] = [
        (b"spin(3000 rpm)\nnote \"\xff\"\n", "not UTF-8", 2),
        (long.as_bytes(), "longer than 1 MiB", 2),
        (open.as_bytes(), "Error", 2),
        (b"\n\n   \n", "head: laser off", 0),
    ];
    for (input, wanted, exit) in cases {
        let (said, code) = typed(shell(root(), &[]), input);
        assert!(said.contains(wanted), "{said}");
        assert!(said.contains("laser off, mirror parked, polygon at rest (measured)"), "{said}");
        assert_eq!(code, Some(exit), "{said}");
    }
}

#[cfg(unix)]
#[test]
fn a_request_to_end_makes_the_head_safe() {
    for signal in ["TERM", "HUP", "INT"] {
        let mut typing = Typing::new(shell(root(), &["--realtime"]));
        typing.types("spin(600 rpm)\nnote \"turns\"\nwait 60 s\n");
        typing.until("turns");
        let started = Instant::now();
        typing.signal(signal);
        let (said, code) = typing.end();
        assert!(said.contains("laser off, mirror parked, polygon at rest (measured)"), "{said}");
        assert!(started.elapsed() < Duration::from_secs(55), "it waited to the end");
        assert_eq!(code, Some(130), "{said}");
    }
}

/// Ctrl-C and a request to end at a pause: `finally` runs, and the head is safe.
#[cfg(unix)]
#[test]
fn a_stop_at_a_pause_makes_the_head_safe() {
    for signal in ["INT", "TERM", "HUP"] {
        let mut typing = Typing::new(shell(root(), &["--realtime"]));
        typing.types(
            "spin(600 rpm)\nstep try {\n  note \"turning\"\n  wait 60 s\n} finally { note \"left\" }\n\
             into\nnext\n",
        );
        typing.until("turning");
        typing.until("  wait 60 s\n");
        typing.signal(signal);
        let (said, code) = typing.end();
        assert!(said.contains("stopped on request"), "{signal}: {said}");
        assert!(said.contains("s  left\n"), "{signal}: {said}");
        assert!(said.contains("laser off, mirror parked, polygon at rest (measured)"), "{said}");
        assert_eq!(code, Some(130), "{signal}: {said}");
    }
}

/// What cannot be plotted or watched is refused with what to write instead, and nothing was moved.
#[test]
fn what_cannot_be_plotted_or_watched_has_a_way_out() {
    let plan = "let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)\n";
    let cases = [
        ("plot", "say what to plot"),
        ("plot 3 mm", "`watch 3 mm` plots one value over time"),
        ("plot turns_before", "there is no"),
        ("plot plan", "`plot plan.FIELD` a list in a record"),
        ("plot [true, false]", "holds no list of numbers"),
        ("plot [1 mm][1..1]", "Error"),
        ("plot histogram [1 mm]", "`plot histogram: xs`"),
        ("plot hist: [1 mm]", "a plot takes line, points, bars, histogram, low, high"),
        ("plot bars, high 3 V: [1 mm]", "the limit `high` must be a length"),
        ("plot bars: wait 3 s", "what follows the colon is no list"),
        ("plot bars: spin(300 rpm)", "is more than a value to read"),
        ("plot [test_line(k, plan).in_scan for k in 0..2]", "arm at 35 %` arms the laser for each"),
        ("watch spin(3000 rpm)", "`plot spin(3000 rpm)` runs it"),
        ("watch wait 3 s", "only values can be watched"),
        ("watch test_line(0, plan)", "`watch test_line(0, plan) arm at 35 %` arms the laser"),
        ("watch measured_speed() for 3 mm", "write `for 200 ms`, at most 24 h"),
        ("watch measured_speed() every", "`every ` is no time"),
        ("watch arm at 35 %", "say what needs light"),
        ("watch locked(), spin(3000 rpm)", "`spin(3000 rpm)` spins"),
        ("watch for 0 s", "is no time"),
        ("watch 3 mm arm at 35 %", "not_locked"),
    ];
    for (entry, wanted) in cases {
        let (said, code) = typed(shell(root(), &[]), format!("{plan}{entry}\n"));
        // Lines are broken where the screen ends.
        let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(said.contains(wanted), "{entry}: {said}");
        assert!(matches!(code, Some(2 | 3)), "{entry}: {code:?}");
        assert!(!said.contains("panicked") && !said.contains("until then"), "{entry}: {said}");
    }
}
