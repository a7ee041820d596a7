//! Two clients at one head: one that never moved it does not make it safe under the other, and the
//! other learns who took its control away.

use crate::wire::bench::{PATIENCE, Server, ended, program, run, started};
use std::io::Write;
use std::process::Stdio;
use std::time::Instant;

#[test]
fn a_client_that_was_refused_leaves_the_head_to_the_other() {
    for options in [&["--dead-man", "60s"][..], &["--realtime", "--dead-man", "60s"]] {
        let server = Server::with(options);
        let mut first = server.controller();
        first.say("ROT:SPE 500");
        let second = run(&["run", "scripts/spin_only.spt", "--head", &server.address()]);
        let told = second.words();
        assert_eq!(second.code, Some(3), "{told}");
        assert!(told.contains("fault: another client controls the head: wait until"), "{told}");
        assert!(told.contains("so that it was left to that one"), "{told}");
        assert_eq!(first.ask("ROT:TARG?;:CONT:OWN?"), "5.0E+2;SELF");
    }
}

/// A shell tells nothing as happened that was refused, and its `safe` acts under another client.
#[test]
fn a_shell_that_only_looks_says_so_and_can_make_the_head_safe() {
    let server = Server::with(&["--realtime", "--dead-man", "60s"]);
    let mut first = server.controller();
    first.say("ROT:SPE 100");
    let shell = |entries: &str| {
        let mut child = program(&["shell", "--head", &server.address()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        child.stdin.take().unwrap().write_all(entries.as_bytes()).unwrap();
        let ended = ended(child);
        (ended.words(), ended.code)
    };
    let (said, code) = shell("state\nspin(4000 rpm)\n");
    assert!(said.contains("so that this shell only looks"), "{said}");
    assert!(said.contains("control another client: this shell only looks"), "{said}");
    assert!(said.contains("nothing was changed on the head"), "{said}");
    assert!(said.contains("the head is left to the client that controls it"), "{said}");
    assert_eq!(code, Some(3), "{said}");
    assert_eq!(first.ask("ROT:TARG?;:CONT:OWN?"), "1.0E+2;SELF");
    let (said, code) = shell("safe now\nstate\ntake\ngive\n");
    assert!(said.contains("laser off, mirror parked, polygon at rest (measured)"), "{said}");
    assert!(said.contains("control no client"), "{said}");
    assert!(said.contains("any client may take control now"), "{said}");
    assert_eq!(code, Some(0), "{said}");
    assert_eq!(first.ask("ROT:TARG?;:CONT:OWN?"), "9.91E+37;NONE");
}

#[test]
fn contracts_are_not_tried_under_another_client() {
    let server = Server::with(&["--dead-man", "60s"]);
    let mut first = server.controller().turning();
    let refused = run(&["head", "test", &server.address()]);
    assert_eq!(refused.code, Some(2));
    assert!(refused.words().contains("another client controls the head"), "{}", refused.words());
    assert_eq!(first.ask("ROT:TARG?;:CONT:OWN?"), "5.0E+2;SELF");
}

/// A run is told so as well, instead of a lock that never comes.
#[test]
fn a_run_that_loses_control_says_so() {
    let server = Server::with(&["--realtime"]);
    let child = started(program(&["run", "scripts/spin_only.spt", "--head", &server.address()]));
    let mut other = server.line();
    let from = Instant::now();
    while other.is_safe() {
        assert!(from.elapsed() < PATIENCE);
    }
    other.ask("SAFE?");
    let ended = ended(child);
    let told = ended.words();
    assert_eq!(ended.code, Some(3), "{told}");
    assert!(told.contains("control of the head was lost: another client made"), "{told}");
}
