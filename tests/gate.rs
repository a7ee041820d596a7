//! No error is ever followed by a motion: the wrong example of every code, with a motion behind it,
//! goes through every command that can move a head, and the head hears nothing that moves it.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    missing_docs,
    reason = "a test fails by panicking, and tries the product from outside"
)]

mod common;
#[path = "common/example.rs"]
mod example;

use common::Folder;
use example::Example;
use spintrue::diagnostics::codes::{BAD_HEAD_DESCRIPTION, BAD_HEAD_LIST, find, topics};
use spintrue::head::call::Call;
use spintrue::head::record::{CallListener, CallRecorder, Heard};
use spintrue::head::sim;
use spintrue::head::wire::acceptor::Listener;
use spintrue::head::wire::control::Served;
use spintrue::head::wire::server::serve;
use std::cell::RefCell;
use std::io::Write;
use std::process::{Command, Output, Stdio};
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::thread::{self, JoinHandle};

/// Every command that runs scripts on heads.
const COMMANDS: [&str; 4] = ["run", "batch", "shell", "simulate"];

/// What stands behind every wrong example.
const MOTION: &str = "spin(4800 rpm)\n";

/// Counts the calls that move a head, light it or change what it keeps.
struct Counter(Arc<AtomicUsize>);

impl CallListener for Counter {
    fn heard(&mut self, heard: &Heard) {
        let still = matches!(
            heard.call,
            Call::Describe
                | Call::Status
                | Call::Trims
                | Call::Turns { .. }
                | Call::Disarm
                | Call::Halt { .. }
                | Call::Steer { angle: None }
                | Call::Sleep { .. }
                | Call::MakeSafe { .. }
                | Call::Signal { .. }
                | Call::Channel { .. }
        );
        if !still {
            self.0.fetch_add(1, Ordering::SeqCst);
        }
    }
}

/// A simulated head behind a server, whose motions are counted.
struct Head {
    at: String,
    moves: Arc<AtomicUsize>,
    end: Arc<AtomicBool>,
    serving: Option<JoinHandle<()>>,
}

impl Head {
    fn new(description: Option<&str>) -> Head {
        let door = Listener::socket(([127, 0, 0, 1], 0).into()).unwrap();
        let at = door.at().unwrap();
        let (moves, end) = (Arc::new(AtomicUsize::new(0)), Arc::new(AtomicBool::new(false)));
        let (counted, ends) = (moves.clone(), end.clone());
        let description = description.map(str::to_string);
        let serving = thread::spawn(move || {
            let file = description.as_deref().map(|text| ("station.toml", text));
            let (head, gauge) = sim::open(file, 1).unwrap();
            let counter = Rc::new(RefCell::new(Counter(counted)));
            let served = Served::new(Box::new(head), Some(Box::new(gauge)), false);
            let link = Box::new(CallRecorder::new(served.link, counter));
            let served = Served { link, ..served };
            serve(served, vec![door], &ends, &AtomicBool::new(true), &mut |_: &str| ()).unwrap();
        });
        Head { at, moves, end, serving: Some(serving) }
    }
}

impl Drop for Head {
    fn drop(&mut self) {
        self.end.store(true, Ordering::SeqCst);
        self.serving.take().unwrap().join().unwrap();
    }
}

/// Gives a command an example, and types `typed` where it listens.
fn command(name: &str, folder: &Folder, example: &Example, at: &str, typed: &str) -> Output {
    let _ = std::fs::remove_dir_all(folder.0.join("kept"));
    let mut options: Vec<&str> = vec![name, "example.spt"];
    for setting in &example.settings {
        options.extend(["--set", setting]);
    }
    if let Some(allowed) = &example.allowed {
        options.extend(["--allow", allowed]);
    }
    if let Some(answers) = &example.answers {
        options.extend(["--answers", answers]);
    }
    if let Some(time) = &example.at_most {
        options.extend(["--at-most", time]);
    }
    match name {
        "batch" => options.extend(["--list", "heads.csv", "--record", "kept", "--head", at]),
        "simulate" => options.extend(["--heads", "2", "--threads", "1"]),
        _ => options.extend(["--head", at]),
    }
    if name == "shell" {
        options.push("--no-history");
    }
    let mut child = Command::new(env!("CARGO_BIN_EXE_spintrue"))
        .args(options)
        .current_dir(&folder.0)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A shell that ends before it reads everything hangs up.
    let _ = child.stdin.take().unwrap().write_all(typed.as_bytes());
    child.wait_with_output().unwrap()
}

/// What of an example a command has no option for.
fn cannot_come_up(command: &str, example: &Example, code: &str) -> bool {
    let limited = example.at_most.is_some();
    match command {
        "simulate" => limited || example.allowed.is_some() || example.head.is_some(),
        // It asks its questions at its own prompt.
        "shell" => limited || matches!(code, "E0905" | "E0906"),
        _ => false,
    }
}

/// Lays the files of an example out, with a motion at the end of its script.
fn lay_out(folder: &Folder, example: &Example) {
    for (name, text) in &example.files {
        let motion = if name == "example.spt" { MOTION } else { "" };
        folder.file(name, format!("{text}{motion}"));
    }
    folder.file("heads.csv", "serial\nSIM-0001\n");
}

fn walk(command_name: &str) -> Vec<String> {
    let folder = Folder::new(&format!("gate-{command_name}"));
    let head = Head::new(None);
    let mut wrong = Vec::new();
    // That the head hears what moves it is seen on a script that may run.
    let sound = Example::new("");
    lay_out(&folder, &sound);
    let ran = command(command_name, &folder, &sound, &head.at, "run\n");
    assert_eq!(ran.status.code(), Some(0), "{ran:?}");
    match command_name {
        "simulate" => assert!(!ran.stdout.is_empty()),
        _ => assert!(head.moves.swap(0, Ordering::SeqCst) > 0, "{command_name} moved nothing"),
    }
    let mut tried = 0;
    for code in
        topics().iter().flat_map(|topic| &topic.codes).filter(|code| code.code.starts_with('E'))
    {
        if [BAD_HEAD_DESCRIPTION, BAD_HEAD_LIST].contains(&code.code) {
            continue;
        }
        let example = Example::new(&code.wrong);
        if cannot_come_up(command_name, &example, code.code) {
            continue;
        }
        tried += 1;
        lay_out(&folder, &example);
        let own = example.head.as_ref().map(|file| {
            let (_, text) = example.files.iter().find(|(name, _)| name == file).unwrap();
            Head::new(Some(text))
        });
        let head = own.as_ref().unwrap_or(&head);
        let ended = command(command_name, &folder, &example, &head.at, "run\nspin(4800 rpm)\n");
        let moves = head.moves.swap(0, Ordering::SeqCst);
        let results = command_name == "simulate" && !ended.stdout.is_empty();
        let told = String::from_utf8_lossy(&ended.stderr).into_owned();
        if ended.status.code() != Some(2)
            || moves > 0
            || results
            // The motion behind it may bring an error of its own in place of this one.
            || !told.contains("] Error: ")
        {
            wrong.push(format!(
                "{command_name} of {}: {moves} motions, {:?}\n{told}",
                code.code, ended.status
            ));
        }
    }
    assert!(tried > 80, "only {tried} codes were tried");
    wrong
}

#[test]
fn no_error_of_any_code_is_followed_by_a_motion() {
    let walks = COMMANDS.map(|name| thread::spawn(move || walk(name)));
    let wrong: Vec<String> = walks.into_iter().flat_map(|walk| walk.join().unwrap()).collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// A mark on an error is an error itself, whatever stands behind it and wherever it stands.
#[test]
fn a_mark_on_an_error_lets_nothing_through() {
    let folder = Folder::new("gate-marks");
    let head = Head::new(None);
    for script in [
        "allow E0501 \"x\"\n",
        "allow E0501 \"x\"\nlet a = 1\n",
        "allow W9999 \"x\"\n",
        "allow W0803 \"\"\nlet a = 1\n",
        "if true {\n    allow E0717 \"x\"\n    let a = 1\n}\n",
    ] {
        for name in COMMANDS {
            let example = Example::new(script);
            lay_out(&folder, &example);
            let ended = command(name, &folder, &example, &head.at, "run\n");
            assert_eq!(ended.status.code(), Some(2), "{name} of {script}: {ended:?}");
            assert_eq!(head.moves.swap(0, Ordering::SeqCst), 0, "{name} of {script}");
        }
    }
    // As entries, the first of which stops the shell.
    let example = Example::new("");
    lay_out(&folder, &example);
    for typed in [
        "allow E0501 \"x\"\nspin(4800 rpm)\n",
        "allow E0501 \"x\"; spin(4800 rpm)\n",
        "step allow E0501 \"x\"; spin(4800 rpm)\n\n\n\n",
        "trace allow E0501 \"x\"; spin(4800 rpm)\n",
        "let n = 1 mm + 1 s; spin(4800 rpm)\nspin(4800 rpm)\n",
    ] {
        let ended = command("shell", &folder, &example, &head.at, typed);
        assert_eq!(ended.status.code(), Some(2), "{typed}: {ended:?}");
        assert_eq!(head.moves.swap(0, Ordering::SeqCst), 0, "{typed}");
    }
}

/// A list that cannot be used, and descriptions of heads.
#[test]
fn lists_and_descriptions_with_errors_move_nothing() {
    let folder = Folder::new("gate-lists");
    let head = Head::new(None);
    let example = Example::new("");
    lay_out(&folder, &example);
    let code = find(BAD_HEAD_LIST).unwrap();
    folder.file("heads.csv", code.wrong.trim_start());
    let ended = command("batch", &folder, &example, &head.at, "");
    assert_eq!(ended.status.code(), Some(2), "{}: {ended:?}", code.code);
    assert_eq!(head.moves.load(Ordering::SeqCst), 0, "{}", code.code);
    assert!(!folder.0.join("kept").exists(), "{}", code.code);
    folder.file("page.pbm", b"P4\n8 1\n\xff");
    let code = find(BAD_HEAD_DESCRIPTION).unwrap();
    folder.file("head.toml", &code.wrong);
    for arguments in [
        "run example.spt",
        "shell --no-history example.spt",
        "simulate example.spt",
        "batch example.spt --list heads.csv --record kept",
        "head expose page.pbm",
        "head check",
        "serve --listen 127.0.0.1:0",
    ] {
        let address = "sim:head.toml";
        let mut words: Vec<&str> = arguments.split(' ').collect();
        match arguments {
            "head check" => words.push(address),
            _ => words.extend(["--head", address]),
        }
        let mut program = Command::new(env!("CARGO_BIN_EXE_spintrue"));
        let ended = program.args(words).current_dir(&folder.0).stdin(Stdio::null());
        let ended = ended.output().unwrap();
        assert_eq!(ended.status.code(), Some(2), "{arguments}: {ended:?}");
        assert!(String::from_utf8_lossy(&ended.stderr).contains(code.code), "{arguments}");
    }
}
