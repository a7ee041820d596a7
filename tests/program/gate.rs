//! No error is ever followed by a motion: the wrong example of every code, with a motion behind it,
//! goes through every command that can move a head, and the head hears nothing that moves it.

use crate::example::Example;
use crate::explained::{self, codes};
use crate::program::{Ended, command, piped, spintrue};
use crate::support::Folder;
use crate::wire::bench::Server;
use std::io::{BufRead, BufReader, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

/// Every command that runs scripts on heads.
const COMMANDS: [&str; 4] = ["run", "batch", "shell", "simulate"];

/// What stands behind every wrong example.
const MOTION: &str = "spin(4800 rpm)\n";

/// Headers on the wire that neither move a head, nor light it, nor change what it keeps.
const STILL: [&str; 17] = [
    "*IDN?",
    "SYST:",
    "CLOC:",
    "CONT:",
    "HEAD:",
    "FAUL?",
    "ROT:HALT",
    "ROT:TURN?",
    "MIRR:PARK",
    "TRIM:LOAD?",
    "LAS:DIS",
    "SAFE?",
    "SIGN:STAT?",
    "CHAN:VAL?",
    "REH:STR?",
    "REH:MEND",
    "*CLS",
];

/// How many parts of a message may move a head.
fn motions(message: &[u8]) -> usize {
    let message = String::from_utf8_lossy(message);
    let parts = message.trim().split(';').map(|part| part.trim_start_matches(':'));
    let moves = |part: &&str| !STILL.iter().any(|header| part.starts_with(header));
    parts.filter(|part| !part.is_empty()).filter(moves).count()
}

/// A served head with a relay in front, which counts what may move the head.
struct Head {
    at: String,
    moves: Arc<AtomicUsize>,
    _server: Server,
}

impl Head {
    fn new(options: &[&str]) -> Head {
        let server = Server::with(options);
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let at = format!("tcp://{}", listener.local_addr().unwrap());
        let moves = Arc::new(AtomicUsize::new(0));
        let (place, counted) = (server.place.clone(), moves.clone());
        thread::spawn(move || {
            for client in listener.incoming() {
                // The test is over where the server is gone.
                let Ok(head) = TcpStream::connect(&place) else { return };
                relay(client.unwrap(), head, counted.clone());
            }
        });
        Head { at, moves, _server: server }
    }
}

/// Carries messages to the head and replies back.
fn relay(client: TcpStream, head: TcpStream, moves: Arc<AtomicUsize>) {
    for stream in [&client, &head] {
        stream.set_nodelay(true).unwrap();
    }
    let (mut replies, mut answered) = (head.try_clone().unwrap(), client.try_clone().unwrap());
    thread::spawn(move || {
        let _ = std::io::copy(&mut replies, &mut answered);
        let _ = answered.shutdown(Shutdown::Both);
    });
    thread::spawn(move || {
        let (mut from, mut to, mut message) = (BufReader::new(client), head, Vec::new());
        while from.read_until(b'\n', &mut message).is_ok_and(|count| count > 0) {
            moves.fetch_add(motions(&message), Ordering::SeqCst);
            if to.write_all(&message).is_err() {
                break;
            }
            message.clear();
        }
        let _ = to.shutdown(Shutdown::Both);
    });
}

/// Gives a command an example, and types `typed` where it listens.
fn tried(name: &str, folder: &Folder, example: &Example, at: &str, typed: &str) -> Ended {
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
    piped(command(folder, &options), typed)
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
    let head = Head::new(&[]);
    let mut wrong = Vec::new();
    // That the head hears what moves it is seen on a script that may run.
    let sound = Example::new("");
    lay_out(&folder, &sound);
    let ran = tried(command_name, &folder, &sound, &head.at, "run\n");
    assert_eq!(ran.code, Some(0), "{}", ran.all());
    match command_name {
        "simulate" => assert!(!ran.out.is_empty()),
        _ => assert!(head.moves.swap(0, Ordering::SeqCst) > 0, "{command_name} moved nothing"),
    }
    let mut count = 0;
    let apart = [explained::HEAD_DESCRIPTIONS, explained::LISTS];
    for code in codes().iter().filter(|code| code.code.starts_with('E')) {
        if apart.contains(&code.topic.as_str()) {
            continue;
        }
        let example = Example::new(&code.wrong);
        if cannot_come_up(command_name, &example, &code.code) {
            continue;
        }
        count += 1;
        lay_out(&folder, &example);
        let own = example.head.as_ref();
        let own = own.map(|file| Head::new(&["--head", &format!("sim:{}", folder.path(file))]));
        let head = own.as_ref().unwrap_or(&head);
        let ended = tried(command_name, &folder, &example, &head.at, "run\nspin(4800 rpm)\n");
        let moves = head.moves.swap(0, Ordering::SeqCst);
        let results = command_name == "simulate" && !ended.out.is_empty();
        // The motion behind it may bring an error of its own in place of this one.
        if ended.code != Some(2) || moves > 0 || results || !ended.error.contains("] Error: ") {
            wrong.push(format!(
                "{command_name} of {}: {moves} motions, {:?}\n{}",
                code.code, ended.code, ended.error
            ));
        }
    }
    assert!(count > 80, "only {count} codes were tried");
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
    let head = Head::new(&[]);
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
            let ended = tried(name, &folder, &example, &head.at, "run\n");
            assert_eq!(ended.code, Some(2), "{name} of {script}: {}", ended.all());
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
        let ended = tried("shell", &folder, &example, &head.at, typed);
        assert_eq!(ended.code, Some(2), "{typed}: {}", ended.all());
        assert_eq!(head.moves.swap(0, Ordering::SeqCst), 0, "{typed}");
    }
}

/// Lists and descriptions of heads: wrong examples are refused with their code, right ones taken.
#[test]
fn lists_and_descriptions_with_errors_move_nothing() {
    let folder = Folder::new("gate-lists");
    folder.file("empty.spt", "");
    let head = Head::new(&[]);
    let example = Example::new("");
    lay_out(&folder, &example);
    for code in codes().iter().filter(|code| code.topic == explained::LISTS) {
        folder.file("heads.csv", &code.wrong);
        let ended = tried("batch", &folder, &example, &head.at, "");
        assert_eq!(ended.code, Some(2), "{}: {}", code.code, ended.all());
        assert!(ended.error.contains(&format!("[{}]", code.code)), "{}", ended.error);
        assert_eq!(head.moves.load(Ordering::SeqCst), 0, "{}", code.code);
        assert!(!folder.0.join("kept").exists(), "{}", code.code);
        folder.file("heads.csv", &code.right);
        let batch = ["batch", "empty.spt", "--list", "heads.csv", "--record", &code.code];
        assert_eq!(spintrue(&folder, &batch).code, Some(0), "{}", code.code);
    }
    folder.file("heads.csv", "serial\nSIM-0001\n");
    folder.file("page.pbm", b"P4\n8 1\n\xff");
    for code in codes().iter().filter(|code| code.topic == explained::HEAD_DESCRIPTIONS) {
        folder.file("head.toml", &code.wrong);
        for arguments in [
            "run example.spt",
            "shell --no-history example.spt",
            "simulate example.spt",
            "batch example.spt --list heads.csv --record kept",
            "head expose page.pbm",
            "head test",
            "serve --listen 127.0.0.1:0",
        ] {
            let address = "sim:head.toml";
            let mut words: Vec<&str> = arguments.split(' ').collect();
            match arguments {
                "head test" => words.push(address),
                _ => words.extend(["--head", address]),
            }
            let ended = spintrue(&folder, &words);
            assert_eq!(ended.code, Some(2), "{arguments}: {}", ended.all());
            assert!(ended.error.contains(&format!("[{}]", code.code)), "{arguments}");
        }
        folder.file("head.toml", &code.right);
        let run = ["run", "empty.spt", "--head", "sim:head.toml"];
        assert_eq!(spintrue(&folder, &run).code, Some(0), "{}", code.code);
    }
}
