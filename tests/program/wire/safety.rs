//! The head becomes safe within the dead-man limit however a client, or a server in between, ends.

use crate::support::Folder;
use crate::wire::bench::{Dice, Line, PATIENCE, Server, ended, program, run, signal, started};
use std::io::Write;
use std::process::Stdio;
use std::time::{Duration, Instant};

/// A short limit, so that the test is short.
const LIMIT: &str = "1s";
const LIMIT_MOST: Duration = Duration::from_secs(1);

#[test]
fn a_silent_client_loses_the_head_within_the_limit() {
    for pace in [vec!["--dead-man", LIMIT], vec!["--dead-man", LIMIT, "--realtime"]] {
        let server = Server::with(&pace);
        let mut looking = server.line();
        let mut line = server.controller();
        line.say("ROT:SPE 4800 RPM");
        assert_eq!(line.ask("*OPC?"), "1");
        let silent = Instant::now();
        assert!(!looking.is_safe());
        looking.until_safe();
        let took = silent.elapsed();
        assert!(took <= LIMIT_MOST && took > LIMIT_MOST / 2, "{took:?}");
        let told = line.ask("SYST:ERR?");
        assert!(told.contains("control was lost and the head made safe"), "{told}");
        line.say("ROT:SPE 4800 RPM");
        assert!(line.ask("SYST:ERR?").contains("say CONTrol:TAKE first"));
        assert!(looking.is_safe());
        line.say("CONT:TAKE;:ROT:SPE 4800 RPM");
        assert_eq!(line.ask("CONT:OWN?"), "SELF");
        assert!(!looking.is_safe());
    }
}

#[test]
fn a_blank_line_keeps_control_and_a_resting_head_needs_none() {
    let server = Server::with(&["--dead-man", LIMIT]);
    let mut line = server.controller();
    std::thread::sleep(LIMIT_MOST * 2);
    assert_eq!(line.ask("CONT:OWN?"), "SELF", "nothing moved");
    line.say("ROT:SPE 4800 RPM");
    for _ in 0..12 {
        std::thread::sleep(LIMIT_MOST / 6);
        line.say("");
    }
    assert_eq!(line.ask("CONT:OWN?"), "SELF", "it was heard");
    assert!(!line.is_safe());
}

#[test]
fn a_long_call_is_cut_short_where_its_client_is_silent_or_gone() {
    for hang_up in [true, false] {
        let server = Server::with(&["--dead-man", LIMIT, "--realtime"]);
        let mut line = server.controller();
        line.say("ROT:SPE 4800 RPM");
        line.say("ROT:TURN? 20000");
        std::thread::sleep(Duration::from_millis(50));
        let from = Instant::now();
        let mut looking = server.line();
        if hang_up {
            drop(line);
        }
        looking.until_safe();
        assert!(from.elapsed() <= LIMIT_MOST, "{:?}", from.elapsed());
    }
}

/// Half a line does not count as activity; the bytes of a block do, up to its length.
#[test]
fn the_bytes_of_a_block_keep_control_and_those_of_a_line_do_not() {
    for (begun, keeps) in [("PAGE:EXP? 1,1,1,#240", true), ("ROT:SPE 5", false)] {
        let server = Server::with(&["--dead-man", LIMIT]);
        let mut line = server.controller();
        line.say("ROT:SPE 4800 RPM");
        let mut looking = server.line();
        assert_eq!(looking.ask("*OPC?"), "1");
        line.stream.write_all(begun.as_bytes()).unwrap();
        for _ in 0..9 {
            std::thread::sleep(LIMIT_MOST / 6);
            line.stream.write_all(b"0").unwrap();
        }
        assert_eq!(!looking.is_safe(), keeps, "{begun}");
        if keeps {
            looking.until_safe();
        }
    }
}

/// What waits unread, in the system or at the other end, was not said later for it.
#[test]
fn a_burst_and_then_silence_loses_the_head_within_the_limit() {
    for said in ["CLOC:SLE 0.01\n", "CONT:TAKE;:ROT:SPE 4800 RPM\n", "*CLS\n"] {
        let server = Server::with(&["--dead-man", LIMIT]);
        let mut line = server.controller();
        line.say("ROT:SPE 4800 RPM");
        let mut looking = server.line();
        assert_eq!(looking.ask("*OPC?"), "1");
        line.stream.set_nonblocking(true).unwrap();
        let (burst, from) = (said.repeat(4000), Instant::now());
        let (mut last, mut sent) = (from, 0);
        while last - from < Duration::from_millis(300) {
            let at = sent % burst.len();
            sent += line.stream.write(&burst.as_bytes()[at..]).unwrap_or_default();
            last = Instant::now();
        }
        let mut moved = last;
        while last.elapsed() < LIMIT_MOST * 3 {
            if !looking.is_safe() {
                moved = Instant::now();
            }
            std::thread::sleep(Duration::from_millis(2));
        }
        assert!(sent > 1_000_000, "only {sent} bytes went out");
        let late = moved - last;
        assert!(late <= LIMIT_MOST, "{said:?}: {late:?} after the last of {sent} bytes");
    }
}

/// What was said before a client vanished moves nothing afterwards.
#[test]
fn a_client_that_hangs_up_leaves_nothing_armed() {
    let server = Server::new();
    let mut looking = server.line();
    for _ in 0..50 {
        let mut line = server.line();
        line.say("CONT:TAKE;:ROT:SPE 4800 RPM;:CLOC:SLE 20;:LAS:ARM 0.5");
        drop(line);
        assert!(looking.until_safe() < Duration::from_secs(1));
        assert_ne!(looking.ask("CONT:OWN?"), "SELF");
    }
}

#[test]
fn a_killed_client_leaves_the_head_safe() {
    clients_killed(20);
}

#[test]
fn a_killed_server_in_between_leaves_the_head_safe() {
    servers_killed(8);
}

/// Rounds of each are in SPINTRUE_KILLS, otherwise 300.
#[test]
#[ignore = "takes minutes"]
fn hundreds_of_kills_leave_the_head_safe() {
    let rounds = std::env::var("SPINTRUE_KILLS").map_or(300, |text| text.parse().unwrap());
    clients_killed(rounds);
    servers_killed(rounds);
}

/// Runs end by kill -9 at any moment.
fn clients_killed(rounds: u32) {
    let server = Server::with(&["--dead-man", LIMIT]);
    let mut dice = Dice::new(0x5EED);
    let (mut cut_short, mut longest) = (0, Duration::ZERO);
    for _ in 0..rounds {
        let mut run = program(&["run", "scripts/bring_up.spt", "--head", &server.address()])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(Duration::from_millis(dice.below(150)));
        signal(&run, "KILL");
        cut_short += u32::from(run.wait().unwrap().code().is_none());
        let killed = Instant::now();
        let mut looking = server.line();
        looking.until_safe();
        longest = longest.max(killed.elapsed());
        assert!(killed.elapsed() <= LIMIT_MOST, "{:?}", killed.elapsed());
    }
    println!("{cut_short} of {rounds} runs cut short by kill -9: safe after {longest:?} at most");
    assert!(cut_short > 3, "only {cut_short} were cut short");
}

#[test]
fn a_killed_client_leaves_a_head_on_the_clock_safe() {
    let server = Server::with(&["--dead-man", LIMIT, "--realtime"]);
    let mut dice = Dice::new(77);
    for _ in 0..3 {
        let address = server.address();
        let mut run = program(&["run", "scripts/spin_only.spt", "--head", &address])
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        let mut looking = server.line();
        let from = Instant::now();
        while looking.is_safe() {
            assert!(from.elapsed() < PATIENCE);
        }
        std::thread::sleep(Duration::from_millis(dice.below(1500)));
        signal(&run, "KILL");
        let killed = Instant::now();
        run.wait().unwrap();
        looking.until_safe();
        assert!(killed.elapsed() <= LIMIT_MOST, "{:?}", killed.elapsed());
    }
}

/// A server that passes a head of another one on is killed: the head becomes safe, and whoever was
/// using it is told.
fn servers_killed(rounds: u32) {
    let behind = Server::with(&["--dead-man", LIMIT]);
    let mut dice = Dice::new(4711);
    let (mut failed, mut longest) = (0, Duration::ZERO);
    for _ in 0..rounds {
        let between = Server::with(&["--head", &behind.address(), "--dead-man", LIMIT]);
        let address = between.address();
        let run = started(program(&["run", "scripts/bring_up.spt", "--head", &address]));
        std::thread::sleep(Duration::from_millis(20 + dice.below(150)));
        between.signal("KILL");
        let killed = Instant::now();
        let mut looking = behind.line();
        looking.until_safe();
        longest = longest.max(killed.elapsed());
        assert!(killed.elapsed() <= LIMIT_MOST, "{:?}", killed.elapsed());
        let ended = ended(run);
        if ended.code != Some(0) {
            failed += 1;
            let told = ended.words();
            assert!(matches!(ended.code, Some(2 | 3)), "{told}");
            let known = ["hung up", "the link broke", "cannot connect", "Connection re"];
            assert!(known.iter().any(|why| told.contains(why)), "{told}");
        }
    }
    println!(
        "{failed} of {rounds} runs cut short by their server's end: safe after {longest:?} at most"
    );
    assert!(failed > 0, "no run was cut short");
}

/// The keep-alive of the driver carries a script over a time in which it asks nothing.
#[test]
fn a_script_that_waits_on_the_clock_keeps_its_head() {
    let server = Server::with(&["--dead-man", LIMIT, "--realtime"]);
    let folder = Folder::new("wire");
    let script = folder.named("script.spt", "spin(4800 rpm)\nwait 2 s\nsteer(1 mrad)\nwait 1 s\n");
    let waited = run(&["run", &script, "--head", &server.address()]);
    assert_eq!(waited.code, Some(0), "{}", waited.all());
}

#[test]
fn a_request_to_end_makes_the_head_safe() {
    for signal in ["INT", "TERM"] {
        let server = Server::new();
        let mut line = server.controller();
        line.say("ROT:SPE 4800 RPM;:CLOC:SLE 20;:LAS:ARM 0.3");
        assert_eq!(line.ask("LAS:ARM?"), "1");
        let (code, told) = server.end(signal);
        assert_eq!(code, Some(0));
        let told = told.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(told.contains("the server ends: made safe: laser off, mirror parked"), "{told}");
        assert!(told.ends_with("ended"), "{told}");
    }
}

#[test]
fn no_thread_is_left_behind_in_the_process() {
    let server = Server::new();
    let mut looking = Line::new(&server.place);
    looking.ask("*IDN?");
    let before = (server.counted("task"), server.counted("fd"));
    let mut dice = Dice::new(99);
    for _ in 0..300 {
        let mut line = server.line();
        let junk: Vec<u8> = (0..dice.below(300)).map(|_| dice.below(256) as u8).collect();
        // It may have been sent away before.
        let _ = std::io::Write::write_all(&mut line.stream, &junk);
    }
    let from = Instant::now();
    while (server.counted("task"), server.counted("fd")) != before {
        assert!(from.elapsed() < PATIENCE, "{:?} {before:?}", server.counted("task"));
        std::thread::sleep(Duration::from_millis(20));
    }
    assert!(looking.is_safe());
}
