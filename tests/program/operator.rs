//! Questions at a terminal: the program runs under a pseudo-terminal, which the `script` command of
//! util-linux gives it, and people are played who type nonsense, press Ctrl-C, or go away.

use crate::program::{recorded, spintrue};
use crate::support::Folder;
use std::fs;
use std::io::{Read, Write};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// How long anything may take that is to happen at once.
const PATIENCE: Duration = Duration::from_secs(30);

/// The program at a terminal.
struct Terminal {
    child: Child,
    shown: Arc<Mutex<String>>,
    seen: usize,
}

impl Terminal {
    fn run(folder: &Folder, script: &str, options: &str) -> Terminal {
        folder.file("asking.spt", script);
        let program = env!("CARGO_BIN_EXE_spintrue");
        let mut child = Command::new("script")
            .args(["-qec", &format!("'{program}' run asking.spt {options}"), "/dev/null"])
            .current_dir(folder)
            .env("TERM", "dumb")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let shown = Arc::new(Mutex::new(String::new()));
        let (mut out, keep) = (child.stdout.take().unwrap(), shown.clone());
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(count @ 1..) = out.read(&mut bytes) {
                keep.lock().unwrap().push_str(&String::from_utf8_lossy(&bytes[..count]));
            }
        });
        Terminal { child, shown, seen: 0 }
    }

    /// Waits until the program shows something, behind what was waited for before.
    fn shows(&mut self, text: &str) {
        let started = Instant::now();
        loop {
            let shown = self.shown.lock().unwrap().clone();
            if let Some(at) = shown[self.seen..].find(text) {
                self.seen += at + text.len();
                return;
            }
            assert!(started.elapsed() < PATIENCE, "`{text}` is not shown:\n{shown}");
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    fn type_in(&mut self, text: &str) {
        let stdin = self.child.stdin.as_mut().unwrap();
        stdin.write_all(text.as_bytes()).unwrap();
        stdin.flush().unwrap();
    }

    /// Waits for the end; gives the exit code and all that was shown.
    fn ends(mut self) -> (Option<i32>, String) {
        let started = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                std::thread::sleep(Duration::from_millis(50));
                return (status.code(), self.shown.lock().unwrap().clone());
            }
            let shown = self.shown.lock().unwrap().clone();
            assert!(started.elapsed() < PATIENCE, "it does not end:\n{shown}");
            std::thread::sleep(Duration::from_millis(10));
        }
    }
}

const GAP: &str = "\
spin(4800 rpm)
wait until locked() within 20 s
record \"before\": 3 mm
let gap = ask \"gap at the shim\" within 5 min: length within 0 mm .. 5 mm
expect \"gap\": gap <= 3 mm
";

#[test]
fn nonsense_is_asked_again_with_the_reason() {
    let folder = Folder::new("ask-nonsense");
    let mut terminal = Terminal::run(&folder, GAP, "--record kept");
    terminal.shows("gap at the shim");
    terminal.shows("a length from 0 mm to 5 mm, within 5 min: ");
    for (typed, reason) in [
        ("soon", "`soon` is no number with a unit: write it such as `12.5 mm`"),
        ("", "an answer is needed: a length from 0 mm to 5 mm"),
        ("1.2", "`1.2` has no unit: write it such as `1.2 mm`"),
        ("1.2 s", "`1.2 s` is a time; a length is wanted"),
        ("7 mm", "7 mm is outside the range from 0 mm to 5 mm"),
        ("1 \u{1b}[31m mm", "an answer is one line without control characters"),
    ] {
        terminal.type_in(&format!("{typed}\n"));
        terminal.shows(reason);
        terminal.shows(" left: ");
    }
    terminal.type_in("1.2 mm\n");
    terminal.shows("gap at the shim: 1.2 mm (at the terminal)");
    let (code, shown) = terminal.ends();
    assert_eq!(code, Some(0), "{shown}");
    let answers = folder.read("kept/answers.toml");
    assert!(answers.contains("\"gap at the shim\" = \"0.0012 m\""), "{answers}");
    let report = folder.read("kept/report.html");
    assert!(report.contains("Answers of the operator") && report.contains("at the terminal"));
    let events = recorded(folder.path("kept/events.jsonl"));
    assert_eq!(events.matches("\"event\":\"asked\"").count(), 1, "{events}");
    assert_eq!(events.matches("\"event\":\"answered\"").count(), 1, "{events}");
    // The record answers the same questions again, without an operator.
    let again = spintrue(&folder, &["run", "asking.spt", "--answers", "kept/answers.toml"]);
    assert_eq!(again.code, Some(0));
}

#[test]
fn every_kind_is_answered() {
    let folder = Folder::new("ask-kinds");
    let script = "\
let fitted = ask \"spacer fitted\": flag
let count = ask \"how many\": number within 1 .. 3
let room = ask \"room\": temperature
let name = ask \"who is \\\"{count}\\\"?\": text
expect \"all\": fitted and count == 2 and room == 21.5 degC and name == \"A. Tester µ\"
";
    let mut terminal = Terminal::run(&folder, script, "");
    for (question, answer) in [
        ("yes or no, within 10 min: ", "YES"),
        ("a plain number from 1 to 3, within 10 min: ", " 2 "),
        ("a temperature with its unit, such as 12.5 degC, within 10 min: ", "21.5 degC"),
        ("who is \"2\"?\r\n  a text, within 10 min: ", "A. Tester µ"),
    ] {
        terminal.shows(question);
        terminal.type_in(&format!("{answer}\n"));
    }
    terminal.shows("who is \"2\"? A. Tester µ (at the terminal)");
    let (code, shown) = terminal.ends();
    assert_eq!(code, Some(0), "{shown}");
}

/// Enter that is pressed too early does not answer the next question.
#[test]
fn what_is_typed_before_the_question_is_no_answer() {
    let folder = Folder::new("ask-early");
    let script = format!("ask \"all well\": flag\n{GAP}");
    let mut terminal = Terminal::run(&folder, &script, "");
    terminal.shows("yes or no, within 10 min: ");
    terminal.type_in("yes\n1 mm\n2 mm\n");
    terminal.shows("(what was typed before this was asked is not taken)");
    terminal.shows("within 5 min: ");
    terminal.type_in("3 mm\n");
    terminal.shows("gap at the shim: 3 mm (at the terminal)");
    assert_eq!(terminal.ends().0, Some(0));
}

#[test]
fn control_c_ends_a_question_and_leaves_the_head_safe() {
    let folder = Folder::new("ask-interrupt");
    // An interruption is not caught, and what is asked on the way out is answered.
    let script = format!(
        "try {{\n{GAP}}} catch problem {{ note problem.kind }} finally {{ ask \"why\": text }}\n"
    );
    let mut terminal = Terminal::run(&folder, &script, "--record kept");
    terminal.shows("within 5 min: ");
    terminal.type_in("\u{3}");
    terminal.shows("  a text, within 10 min: ");
    terminal.type_in("no shims left\n");
    let (code, shown) = terminal.ends();
    assert_eq!(code, Some(130), "{shown}");
    assert!(shown.contains("laser off, mirror parked, polygon at rest (measured)"), "{shown}");
    assert!(shown.contains("INTERRUPTED"), "{shown}");
    let values = folder.read("kept/values.toml");
    assert!(values.contains("before"), "{values}");
}

#[test]
fn the_end_of_the_input_is_an_error_at_once() {
    let folder = Folder::new("ask-end");
    let started = Instant::now();
    let mut terminal = Terminal::run(&folder, GAP, "--record kept");
    terminal.shows("within 5 min: ");
    // What was begun and not sent by Enter is no answer.
    terminal.type_in("1 mm\u{4}\u{4}");
    let (code, shown) = terminal.ends();
    assert_eq!(code, Some(3), "{shown}");
    assert!(shown.contains("UNANSWERED"), "{shown}");
    // A terminal breaks lines.
    let words = shown.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("the operator is gone: the input has ended"), "{shown}");
    assert!(shown.contains("polygon at rest (measured)"), "{shown}");
    assert!(started.elapsed() < Duration::from_secs(60));
    let record = folder.read("kept/record.json");
    assert!(record.contains("\"verdict\": \"unanswered\""), "{record}");
}

#[test]
fn a_time_limit_ends_a_question_and_can_be_caught() {
    let folder = Folder::new("ask-limit");
    let script = "\
try { ask \"anybody?\" within 300 ms: flag } catch problem { note \"{problem.kind}, caught\" }
ask \"really nobody?\" within 300 ms: flag
";
    let mut terminal = Terminal::run(&folder, script, "");
    terminal.shows("yes or no, within 300 ms: ");
    terminal.shows("timeout, caught");
    terminal.shows("really nobody?");
    terminal.type_in("perhaps\n");
    terminal.shows("`perhaps` is neither yes nor no");
    let (code, shown) = terminal.ends();
    assert_eq!(code, Some(3), "{shown}");
    assert!(shown.contains("\"really nobody?\": gave up after 300 ms: no answer came"), "{shown}");
}

/// The window is closed while a question stands: the run ends, and its record is complete.
#[test]
fn a_terminal_that_goes_away_ends_the_run() {
    let folder = Folder::new("ask-closed");
    let mut terminal = Terminal::run(&folder, GAP, "--record kept");
    terminal.shows("within 5 min: ");
    terminal.child.kill().unwrap();
    terminal.child.wait().unwrap();
    let started = Instant::now();
    let record = loop {
        if let Ok(record) = fs::read_to_string(folder.path("kept/record.json")) {
            break record;
        }
        assert!(started.elapsed() < PATIENCE, "no record was finished");
        std::thread::sleep(Duration::from_millis(20));
    };
    let ended = ["interrupted", "unanswered"];
    assert!(ended.iter().any(|v| record.contains(&format!("\"verdict\": \"{v}\""))), "{record}");
    let report = folder.read("kept/report.html");
    // A signal that comes late ends the wait for rest, which is then said.
    let left = ["polygon at rest (measured)", "POLYGON NOT SEEN AT REST"];
    let left = left.iter().any(|end| report.contains(&format!("laser off, mirror parked, {end}")));
    assert!(left, "{report}");
}

/// Without standard error at the terminal no question can be seen, so none is asked.
#[test]
fn a_terminal_that_shows_no_question_is_none() {
    let folder = Folder::new("ask-blind");
    let terminal = Terminal::run(&folder, GAP, "2> said.txt");
    let (code, shown) = terminal.ends();
    assert_eq!(code, Some(2), "{shown}");
    let said = folder.read("said.txt");
    assert!(said.contains("[E0905]"), "{said}");
}
