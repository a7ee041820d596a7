//! Two clients at one head: one that never moved it does not make it safe under the other, and the
//! other learns who took its control away.

use crate::bench::{Line, PATIENCE, Server, program, run, said};
use spintrue::head::control::{Control, SharedControl};
use spintrue::head::wire::driver;
use spintrue::head::wire::greeting::Target;
use spintrue::head::wire::link::Place;
use spintrue::head::{Fault, Halt, Head};
use std::io::Write;
use std::process::{Output, Stdio};
use std::sync::Arc;
use std::time::Instant;

fn told(output: &Output) -> String {
    said(output).split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A head that is driven from here.
fn driven(server: &Server) -> impl Head {
    let place = Place::Socket(server.place.clone());
    let target = Target { place, secret: None, stop: Arc::default(), cut: Arc::default() };
    driver::open(target).unwrap().head
}

/// The polygon turns for a client that controls the head.
fn turning(server: &Server) -> Line {
    let mut line = server.controller();
    line.say("ROT:SPE 500;:CLOC:SLE 12");
    assert_eq!(line.ask("ROT:LOCK?;:CONT:OWN?"), "1;SELF");
    line
}

#[test]
fn a_client_that_was_refused_leaves_the_head_to_the_other() {
    for options in [&["--dead-man", "60s"][..], &["--realtime", "--dead-man", "60s"]] {
        let server = Server::with(options);
        let mut first = server.controller();
        first.say("ROT:SPE 500");
        let second = run(&["run", "scripts/spin_only.spt", "--head", &server.address()]);
        let told = told(&second);
        assert_eq!(second.status.code(), Some(3), "{told}");
        assert!(told.contains("fault: another client controls the head: wait until"), "{told}");
        assert!(told.contains("so that it was left to that one"), "{told}");
        assert_eq!(first.ask("ROT:TARG?;:CONT:OWN?"), "5.0E+2;SELF");
    }
}

/// A laser of another client stays armed, and that is told; one that is off is off.
#[test]
fn a_laser_of_another_client_is_not_ours_to_disarm() {
    let server = Server::with(&["--dead-man", "60s"]);
    let mut first = turning(&server);
    let mut second = driven(&server);
    assert_eq!(second.disarm(), Ok(()));
    first.say("LAS:ARM 0.3");
    assert_eq!(first.ask("LAS:ARM?"), "1");
    assert!(matches!(second.disarm(), Err(Fault::Refused(why)) if why.contains("another client")));
    let left = second.make_safe(false);
    assert!(!left.laser_off && left.kept_spinning && left.troubles.len() == 1, "{left:?}");
    assert_eq!(first.ask("LAS:ARM?;:CONT:OWN?"), "1;SELF");
    // Where nobody controls it any more, it is made safe as ever.
    first.say("SAFE?;:CONT:REL");
    first.hear();
    assert_eq!(second.make_safe(false).troubles, Vec::<String>::new());
}

/// Every call that needs control is refused under another client, which is no broken head, and what
/// only looks takes no control.
#[test]
fn a_client_without_control_is_refused_and_may_look() {
    let server = Server::with(&["--dead-man", "60s"]);
    let mut first = turning(&server);
    let mut second = driven(&server);
    let trims = second.trims().unwrap();
    let calls: [(&str, Result<(), Fault>); 6] = [
        ("spin", second.spin(400.0)),
        ("halt", second.halt(Halt::Brake)),
        ("steer", second.steer(Some(1e-3))),
        ("load", second.load_trims(&trims)),
        ("store", second.store_trims()),
        ("arm", second.arm(0.3)),
    ];
    for (name, refused) in calls {
        let why = refused.unwrap_err();
        assert!(why.is_refusal(), "{name}: {why:?}");
        let said = why.to_string();
        assert!(said.starts_with("another client controls the head"), "{name}: {said}");
        assert!(!said.contains(':') || !said.contains("CONT"), "{name}: {said}");
    }
    assert!(second.status().unwrap().locked);
    assert!(second.signal("lamp").is_err());
    assert_eq!(first.ask("ROT:TARG?;:CONT:OWN?"), "5.0E+2;SELF");
    first.say("CONT:REL");
    assert!(second.signal("lamp").is_err());
    assert_eq!(first.ask("CONT:OWN?"), "NONE");
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
        let ended = child.wait_with_output().unwrap();
        (told(&ended), ended.status.code())
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

/// Control is taken and given back, and what insists makes a head safe that another client controls.
#[test]
fn control_goes_from_one_to_the_other() {
    let server = Server::with(&["--dead-man", "60s"]);
    let mut first = turning(&server);
    let place = Place::Socket(server.place.clone());
    let target = Target { place, secret: None, stop: Arc::default(), cut: Arc::default() };
    let mut second = driver::open(target).unwrap();
    assert_eq!(second.control.owner(), Ok(Control::Others));
    assert!(matches!(second.control.take(), Err(Fault::Refused(_))));
    second.control.insist(true);
    let safe = second.head.make_safe(false);
    second.control.insist(false);
    assert!(safe.laser_off && safe.troubles.is_empty(), "{safe:?}");
    assert_eq!(first.ask("ROT:TARG?;:CONT:OWN?"), "9.91E+37;NONE");
    second.control.take().unwrap();
    assert_eq!(second.control.owner(), Ok(Control::Own));
    assert_eq!(first.ask("CONT:OWN?"), "OTH");
    second.head.spin(500.0).unwrap();
    second.control.give().unwrap();
    assert_eq!(second.control.owner(), Ok(Control::Nobody));
    assert_eq!(first.ask("ROT:TARG?;:CONT:OWN?"), "9.91E+37;NONE");
    // What was given back is not made safe any more when another client has it.
    first.say("CONT:TAKE;:ROT:SPE 400");
    assert_eq!(first.ask("CONT:OWN?"), "SELF");
    assert_eq!(second.head.make_safe(false).troubles.len(), 1);
    assert_eq!(first.ask("ROT:TARG?;:CONT:OWN?"), "4.0E+2;SELF");
}

#[test]
fn contracts_are_not_tried_under_another_client() {
    let server = Server::with(&["--dead-man", "60s"]);
    let mut first = turning(&server);
    let refused = run(&["head", "check", &server.address()]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(told(&refused).contains("another client controls the head"), "{}", told(&refused));
    assert_eq!(first.ask("ROT:TARG?;:CONT:OWN?"), "5.0E+2;SELF");
}

#[test]
fn whoever_loses_control_is_told_to_whom() {
    let wanted = "control of the head was lost: another client made the head safe";
    let server = Server::new();
    // By the status, which says that no speed is asked for; by a call that needs control.
    for looks in [true, false] {
        let mut first = driven(&server);
        first.spin(500.0).unwrap();
        first.sleep(12.0);
        assert!(first.status().unwrap().locked);
        let mut other = server.line();
        other.ask("SAFE?");
        let lost = if looks { first.status().map(|_| ()) } else { first.steer(Some(1e-3)) };
        assert_eq!(lost, Err(Fault::Broken(wanted.to_string())));
        first.make_safe(false);
        // What was halted from here was lost to nobody.
        first.spin(500.0).unwrap();
        first.halt(Halt::Brake).unwrap();
        other.ask("SAFE?");
        assert!(first.status().is_ok());
    }
    let (_, log) = server.end("-INT");
    assert!(log.contains("a client ended the control of another: made safe: laser off"), "{log}");
}

/// A run is told so as well, instead of a lock that never comes.
#[test]
fn a_run_that_loses_control_says_so() {
    let server = Server::with(&["--realtime"]);
    let child = program(&["run", "scripts/spin_only.spt", "--head", &server.address()])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut other = server.line();
    let from = Instant::now();
    while other.is_safe() {
        assert!(from.elapsed() < PATIENCE);
    }
    other.ask("SAFE?");
    let ended = child.wait_with_output().unwrap();
    let told = told(&ended);
    assert_eq!(ended.status.code(), Some(3), "{told}");
    assert!(told.contains("control of the head was lost: another client made"), "{told}");
}
