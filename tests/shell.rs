//! The shell through the binary with plain lines, as a pipe gives them: entries beside what they
//! yield and the exit code. A line `// shell: ARGUMENTS` adds arguments. `tests/extra/shell.sh`
//! tries it on a terminal.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    missing_docs,
    reason = "a test fails by panicking, and tries the product from outside"
)]

mod common;

use common::{shell, typed, until};
use insta::{Settings, assert_snapshot, glob};
use std::fs;
use std::io::{Read, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

#[test]
fn entries_yield_what_they_should() {
    let mut settings = Settings::clone_current();
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    settings.bind(|| {
        glob!("corpus/shell", "*.txt", |path| {
            let text = fs::read_to_string(path).unwrap();
            let mut command = shell();
            command.current_dir(path.parent().unwrap());
            for line in text.lines() {
                if let Some(arguments) = line.strip_prefix("// shell: ") {
                    command.args(arguments.split_whitespace());
                }
            }
            let (said, code) = typed(command, text.as_bytes());
            let mut settings = Settings::clone_current();
            settings.set_snapshot_path(path.parent().unwrap());
            settings.set_input_file(path);
            settings.bind(|| {
                let seen =
                    format!("{}\n────\n{}\n──── exit code {code:?}", text.trim(), said.trim_end());
                assert_snapshot!(path.file_stem().unwrap().to_string_lossy().into_owned(), seen);
            });
        });
    });
}

fn scripts(folder: &Path, found: &mut Vec<std::path::PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            scripts(&path, found);
        } else if path.extension().is_some_and(|e| e == "spt") {
            found.push(path);
        }
    }
}

/// Right and wrong scripts of all sorts, line by line: the shell never breaks, and the head is safe.
#[test]
fn whatever_is_typed_the_head_ends_safe() {
    let mut found = Vec::new();
    for folder in ["tests/corpus", "scripts"] {
        scripts(&Path::new(env!("CARGO_MANIFEST_DIR")).join(folder), &mut found);
    }
    assert!(found.len() > 200, "{}", found.len());
    for path in found {
        let mut command = shell();
        command.current_dir(path.parent().unwrap());
        let (said, code) = typed(command, &fs::read(&path).unwrap());
        assert!(said.contains("head: laser off"), "{}: {said}", path.display());
        assert!(!said.contains("panicked"), "{}: {said}", path.display());
        assert!(matches!(code, Some(0..=4)), "{}: {code:?}", path.display());
    }
}

fn folder(name: &str) -> std::path::PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("shell-{name}"));
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).unwrap();
    folder
}

#[test]
fn what_was_typed_is_saved_as_a_script_that_passes() {
    let folder = folder("save");
    fs::create_dir(folder.join("lib")).unwrap();
    fs::write(
        folder.join("lib/turns.spt"),
        "routine twice(x: rotation) -> rotation { return x * 2 }\n",
    )
    .unwrap();
    let entries = "\
use \"lib/turns.spt\"
/// Largest error.
param largest = 12 um within 0 um .. 1 mm
let speed = 4800 rpm
spin(4800 rpm)
wait until locked() within 20 s
let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)
/// One measured line per facet.
routine traced(plan: plan) -> list of line {
    arm at 35 % { return [test_line(k, plan) for k in facets()] }
}
let seen = traced(plan)
load(corrected(no_trims(), seen, plan))
undo
load(corrected(no_trims(), seen, plan))
let seen = traced(plan)
worst(seen).in_scan
expect \"in-scan\": worst(seen).in_scan <= largest
wait 250 ms
wait 250 ms
twice(2400 rpm)
safe
save out/typed.spt
";
    fs::create_dir(folder.join("out")).unwrap();
    let mut command = shell();
    command.current_dir(&folder);
    let (said, code) = typed(command, entries.as_bytes());
    assert_eq!(code, Some(0), "{said}");
    let saved = fs::read_to_string(folder.join("out/typed.spt")).unwrap();
    assert_snapshot!("saved_script", saved);
    for subcommand in ["check", "run"] {
        let mut command = Command::new(env!("CARGO_BIN_EXE_spintrue"));
        let ran =
            command.args([subcommand, "out/typed.spt"]).current_dir(&folder).output().unwrap();
        let errors = String::from_utf8_lossy(&ran.stderr);
        assert!(ran.status.success() && !errors.contains("Error"), "{subcommand}: {errors}");
    }
    // What stands there already is never written over.
    let mut command = shell();
    command.current_dir(&folder);
    let (said, code) = typed(command, b"let x = 1\nsave out/typed.spt\n");
    assert_eq!(code, Some(2));
    assert!(said.contains("exists; give another name"), "{said}");
    assert_eq!(fs::read_to_string(folder.join("out/typed.spt")).unwrap(), saved);
}

#[test]
fn an_edited_script_is_read_again() {
    let folder = folder("again");
    let script = folder.join("a.spt");
    fs::write(&script, "param speed = 3000 rpm\nroutine f() -> number { return 1 }\nspin(speed)\n")
        .unwrap();
    let mut command = shell();
    let (mut output, both) = std::io::pipe().unwrap();
    command.current_dir(&folder).arg("a.spt");
    command.stdin(Stdio::piped()).stdout(both.try_clone().unwrap()).stderr(both);
    let mut child = command.spawn().unwrap();
    drop(command);
    let mut stdin = child.stdin.take().unwrap();
    stdin.write_all(b"f()\nnote \"first\"\n").unwrap();
    let mut said = Vec::new();
    until(&mut output, &mut said, "first");
    fs::write(&script, "param speed = 3000 rpm\nroutine f() -> number { return }\n").unwrap();
    stdin.write_all(b"let own = 7\nread\n").unwrap();
    drop(stdin);
    output.read_to_end(&mut said).unwrap();
    let said = String::from_utf8_lossy(&said);
    assert!(
        said.starts_with("read a.spt: 1 routine, 1 value; nothing of it was run\n1\n"),
        "{said}"
    );
    assert!(said.contains("a.spt:2:"), "{said}");
    assert_eq!(child.wait().unwrap().code(), Some(2), "{said}");
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
        let (said, code) = typed(shell(), input);
        assert!(said.contains(wanted), "{said}");
        assert!(said.contains("laser off, mirror parked, polygon at rest (measured)"), "{said}");
        assert_eq!(code, Some(exit), "{said}");
    }
}

#[cfg(unix)]
#[test]
fn a_request_to_end_makes_the_head_safe() {
    for signal in ["TERM", "HUP", "INT"] {
        let mut command = shell();
        command.args(["--realtime"]).stdin(Stdio::piped());
        let (mut output, both) = std::io::pipe().unwrap();
        command.stdout(both.try_clone().unwrap()).stderr(both);
        let mut child = command.spawn().unwrap();
        drop(command);
        let mut stdin = child.stdin.take().unwrap();
        stdin.write_all(b"spin(600 rpm)\nnote \"turns\"\nwait 60 s\n").unwrap();
        let mut said = Vec::new();
        until(&mut output, &mut said, "turns");
        let started = Instant::now();
        let kill = ["-s", signal, &child.id().to_string()].map(str::to_string);
        assert!(Command::new("kill").args(kill).status().unwrap().success());
        output.read_to_end(&mut said).unwrap();
        let said = String::from_utf8_lossy(&said);
        assert!(said.contains("laser off, mirror parked, polygon at rest (measured)"), "{said}");
        assert!(started.elapsed() < Duration::from_secs(55), "it waited to the end");
        assert_eq!(child.wait().unwrap().code(), Some(130), "{said}");
    }
}
