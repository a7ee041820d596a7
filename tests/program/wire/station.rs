//! Signals and channels over the wire: plain lines, a script, the contracts, and what becomes of
//! outputs when a client vanishes.

use crate::support::Folder;
use crate::wire::bench::{Ended, Server, ended, program, run, started};

const STATION: &str = "sim:scripts/heads/ten_with_station.toml";

fn server() -> Server {
    Server::with(&["--head", STATION])
}

#[test]
fn lines_are_read_and_switched() {
    let server = server();
    let mut line = server.controller();
    assert_eq!(line.ask("SIGN:STAT? \"clamped\";STAT? 'door_open';:FAUL?"), "0;0;\"none\"");
    assert_eq!(line.ask("SIGNal:SWITch \"clamp\",1;:CLOC:SLE 0.2;:SIGN:STAT? \"clamped\""), "0");
    assert_eq!(line.ask("CLOC:SLE 0.2;:SIGN:STAT? \"clamped\""), "1");
    assert_eq!(line.ask("CHAN:VAL \"pump\",-60000;VAL? \"pump\""), "-6.0E+4");
    for (message, why) in [
        ("SIGN:SWIT \"door_open\",1", "is an input"),
        ("SIGN:SWIT \"dor\",1", "has no signal `dor`"),
        ("SIGN:SWIT \"clamp\",2", "2 is neither 0 nor 1"),
        ("CHAN:VAL \"pump\",5", "\"0.005 kPa\",\"-90 kPa\",\"0 kPa\""),
        ("CHAN:VAL \"vacuum\",5", "is an input"),
    ] {
        let fault = line.ask(&format!("{message};:FAUL?"));
        assert!(fault.contains(why), "{message}: {fault}");
    }
    // A client without control only looks.
    let mut other = server.line();
    assert_eq!(other.ask("SIGN:STAT? \"clamp\""), "1");
    assert!(other.ask("SIGN:SWIT \"clamp\",0;:FAUL?").contains("\"error\""));
    assert_eq!(other.ask("SIGN:STAT? \"clamp\""), "1");
}

#[test]
fn outputs_are_made_safe_where_a_client_vanishes() {
    let server = server();
    let mut line = server.controller();
    let lit = line.ask("SIGN:SWIT \"lamp\",1;SWIT \"clamp\",1;STAT? \"lamp\";STAT? \"clamp\"");
    assert_eq!(lit, "1;1");
    drop(line);
    let mut other = server.line();
    while other.ask("CONT:OWN?") != "NONE" {
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    other.until_safe();
    assert_eq!(other.ask("SIGN:STAT? \"lamp\";STAT? \"clamp\""), "0;1");
}

#[test]
fn a_script_does_there_what_it_does_here() {
    let server = server();
    let script = "scripts/station.spt";
    let here = run(&["run", script, "--head", STATION]);
    let there = run(&["run", script, "--head", &server.address()]);
    assert_eq!(there.code, Some(0), "{}", there.all());
    let events = |ended: &Ended| {
        let checks = ended.out.lines().filter(|line| line.contains(" check "));
        checks.map(str::to_string).collect::<Vec<_>>()
    };
    assert_eq!(events(&there), events(&here));
    assert!(events(&here).len() == 9, "{}", here.all());
    let wrong = run(&["check", script, "--head", "sim"]);
    assert_eq!(wrong.code, Some(2));
    let right = run(&["check", script, "--head", &server.address()]);
    assert_eq!(right.code, Some(0), "{}", right.all());
}

#[test]
fn the_contracts_hold_over_the_wire() {
    let server = server();
    let options = ["--trims", "--switch", "--spin", "--allow-light"];
    let checked = run(&[&["head", "test", &server.address()], &options[..]].concat());
    assert_eq!(checked.code, Some(0), "{}", checked.all());
}

/// A client that only looks takes no control, and needs none.
#[test]
fn reading_signals_and_channels_takes_no_control() {
    let folder = Folder::new("looks");
    let reads = "let open = signal(\"door_open\")\nlet pump = channel(\"pump\", like: 1 kPa)\n";
    let script = folder.named("looks.spt", format!("repeat 300 times {{\n{reads}}}\n"));
    let server = server();
    let mut third = server.line();
    let mut child = started(program(&["run", &script, "--head", &server.address()]));
    let mut owners = std::collections::BTreeSet::new();
    while child.try_wait().unwrap().is_none() {
        owners.insert(third.ask("CONT:OWN?"));
    }
    let ran = ended(child);
    assert_eq!(ran.code, Some(0), "{}", ran.all());
    assert_eq!(owners.into_iter().collect::<Vec<_>>(), ["NONE"]);
    let mut first = server.controller();
    first.say("ROT:SPE 500");
    let ran = run(&["run", &script, "--head", &server.address()]);
    assert_eq!(ran.code, Some(3), "it does not leave the head safe: {}", ran.all());
    assert!(ran.words().contains("it was left to that one"), "{}", ran.all());
    assert_eq!(first.ask("CONT:OWN?;:ROT:TARG?"), "SELF;5.0E+2");
}
