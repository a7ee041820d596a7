//! A head at a serial line, served and driven over it: whole runs, the suite of contracts, and all
//! that a line without anybody who hangs up can come to.

use crate::support::Folder;
use crate::wire::bench::{PATIENCE, Server, ended, program, run, signal, started, without_address};
use crate::wire::cable::{Cable, Hand, line};
use std::io::Write;
use std::process::{Child, Stdio};
use std::thread;
use std::time::{Duration, Instant};

const LIMIT: &str = "1s";
const LIMIT_MOST: Duration = Duration::from_secs(1);

fn words(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A script that keeps the polygon turning, once it turns.
fn spinning(server: &Server, address: &str) -> Child {
    let mut child = started(program(&["run", "scripts/spin_only.spt", "--head", address]));
    let mut looking = server.line();
    let from = Instant::now();
    while looking.is_safe() {
        if from.elapsed() > PATIENCE || child.try_wait().unwrap().is_some() {
            let _ = child.kill();
            panic!("it never turned: {}", ended(child).all());
        }
    }
    child
}

#[test]
fn a_head_at_a_serial_line_is_the_head() {
    let cable = Cable::new();
    let server = cable.server(&[]);
    assert!(words(&server.said).contains(" and serial://"), "{}", server.said);
    let there = run(&["run", "scripts/bring_up.spt", "--head", &cable.address]);
    assert_eq!(
        without_address(&there, &cable.address),
        run(&["run", "scripts/bring_up.spt"]).all()
    );
    // The next client at the same line finds nothing of the one before.
    let described = run(&["head", "describe", &cable.address]);
    assert_eq!(described.all(), run(&["head", "describe", "sim"]).all());
    let refused = run(&["head", "describe", "serial:///dev/no-such-line"]);
    assert_eq!(refused.code, Some(2));
    assert!(refused.all().contains("cannot connect to /dev/no-such-line"), "{}", refused.all());
    for wrong in ["serial://", "serial:///dev/null?baud=fast", "serial:///dev/null?parity=even"] {
        assert!(run(&["head", "describe", wrong]).all().contains("error: `serial://"));
    }
    for (wrong, wanted) in [
        ("serial:///dev/no-such-line", "cannot listen on /dev/no-such-line"),
        ("serial:///dev/null?secret-file=Cargo.toml", "by --secret-file FILE"),
        ("serial:///dev/null?baud=0", "baud=RATE"),
    ] {
        let refused = run(&["serve", "--listen", wrong]);
        assert_eq!(refused.code, Some(2));
        assert!(words(&refused.all()).contains(wanted), "{}", refused.all());
    }
}

/// The suite of contracts that every head must hold to, over a serial line.
#[test]
fn a_head_at_a_serial_line_keeps_every_contract() {
    let cable = Cable::new();
    let _server = cable.server(&[]);
    let options = ["--trims", "--spin", "--allow-light"];
    let checked = run(&[&["head", "test", &cable.address], &options[..]].concat());
    assert!(checked.code == Some(0), "{}", checked.all());
    assert!(!checked.all().contains("BROKEN"), "{}", checked.all());
}

/// A serial line has no end of a connection, so silence counts as one.
#[test]
fn a_cut_line_and_a_killed_client_leave_the_head_safe_within_the_limit() {
    for kill in [true, false] {
        let cable = Cable::new();
        let server = cable.server(&["--realtime", "--dead-man", LIMIT]);
        let child = spinning(&server, &cable.address);
        let mut looking = server.line();
        thread::sleep(Duration::from_millis(1500));
        assert!(!looking.is_safe(), "the keep-alive keeps it");
        if kill {
            signal(&child, "KILL");
        } else {
            cable.cut();
        }
        let from = Instant::now();
        looking.until_safe();
        assert!(from.elapsed() <= LIMIT_MOST, "{:?}", from.elapsed());
        let ended = ended(child);
        if !kill {
            assert_eq!(ended.code, Some(3), "{}", ended.all());
            let told = words(&ended.all());
            assert!(told.contains("no reply came within"), "{told}");
            assert!(told.contains("could not be told to make itself safe"), "{told}");
            assert!(from.elapsed() < PATIENCE);
            cable.mend();
        }
        // The next client at the same cable is served.
        let next = run(&["head", "describe", &cable.address]);
        assert_eq!(next.code, Some(0), "{}", next.all());
    }
}

/// One that comes before the limit is over takes nothing over from the one before.
#[test]
fn a_client_that_comes_at_once_ends_what_the_one_before_did() {
    let cable = Cable::new();
    let server = cable.server(&["--realtime", "--dead-man", "20s"]);
    let child = spinning(&server, &cable.address);
    signal(&child, "KILL");
    child.wait_with_output().unwrap();
    let from = Instant::now();
    let next = run(&["head", "describe", &cable.address]);
    assert_eq!(next.code, Some(0), "{}", next.all());
    assert!(server.line().is_safe() && from.elapsed() < Duration::from_secs(10));
    let (_, told) = server.end("INT");
    assert!(!told.contains("silent"), "{told}");
}

#[test]
fn a_killed_server_is_told_and_one_that_comes_back_is_spoken_to() {
    let cable = Cable::new();
    let server = cable.server(&["--realtime", "--dead-man", LIMIT]);
    let child = spinning(&server, &cable.address);
    server.signal("KILL");
    let ended = ended(child);
    assert_eq!(ended.code, Some(3), "{}", ended.all());
    assert!(words(&ended.all()).contains("that was not seen"), "{}", ended.all());
    drop(server);
    let _server = cable.server(&[]);
    let next = run(&["run", "scripts/measure_only.spt", "--head", &cable.address]);
    assert_eq!(next.code, Some(0), "{}", next.all());
}

/// As an adapter that is pulled out of its computer and put in again.
#[test]
fn a_line_that_goes_away_makes_the_head_safe_and_may_come_back() {
    let mut cable = Cable::new();
    // So long that only the line itself can tell.
    let server = cable.server(&["--realtime", "--dead-man", "20s"]);
    let child = spinning(&server, &cable.address);
    let mut looking = server.line();
    assert!(looking.ask("*IDN?").starts_with("spintrue,"));
    let before = (server.counted("task"), server.counted("fd"));
    cable.pull();
    assert!(looking.until_safe() < LIMIT_MOST);
    let ended = ended(child);
    assert_eq!(ended.code, Some(3), "{}", ended.all());
    thread::sleep(Duration::from_millis(1500));
    assert!(looking.ask("*IDN?").starts_with("spintrue,"), "the server lives on");
    let again = Cable::to(cable.socket.clone());
    let from = Instant::now();
    while (server.counted("task"), server.counted("fd")) != before {
        let now = (server.counted("task"), server.counted("fd"));
        assert!(from.elapsed() < PATIENCE, "it is not back as it was: {before:?}, {now:?}");
        thread::sleep(Duration::from_millis(20));
    }
    // The cable itself may need a moment on a busy machine.
    let mut next = run(&["head", "describe", &again.address]);
    while next.code != Some(0) && from.elapsed() < PATIENCE {
        next = run(&["head", "describe", &again.address]);
    }
    assert_eq!(next.code, Some(0), "{}", next.all());
    let (code, told) = server.end("INT");
    let told = words(&told);
    assert_eq!(code, Some(0));
    for wanted in ["went away (", "tried again every second", "hung up: made safe", "is back"] {
        assert!(told.contains(wanted), "{wanted}: {told}");
    }
}

/// After control was lost by silence, the next client is told so, and nothing older.
#[test]
fn silence_ends_a_session_at_a_line() {
    let (mut hand, server) = Hand::new(&["--dead-man", LIMIT]);
    hand.say("NONSENSE;*ESE 255;*SRE 255");
    hand.say("CONT:TAKE;:ROT:SPE 4800 RPM");
    assert_eq!(hand.ask("CONT:OWN?;*ESE?"), "SELF;255");
    let from = Instant::now();
    let mut looking = server.line();
    looking.until_safe();
    assert!(from.elapsed() <= LIMIT_MOST, "{:?}", from.elapsed());
    assert_eq!(hand.ask("CONT:OWN?;*ESE?;*SRE?"), "NONE;0;0");
    let errors = hand.errors();
    assert_eq!(errors.len(), 1, "{errors:?}");
    assert!(errors[0].starts_with("-203,") && errors[0].contains("silent for 1 s"), "{errors:?}");
}

/// Line noise does not count as activity; what can be read does.
#[test]
fn noise_keeps_no_control() {
    let (mut hand, server) = Hand::new(&["--dead-man", LIMIT]);
    let mut looking = server.line();
    hand.say("CONT:TAKE;:ROT:SPE 4800 RPM");
    assert_eq!(hand.ask("CONT:OWN?"), "SELF");
    for _ in 0..15 {
        thread::sleep(LIMIT_MOST / 10);
        hand.say("");
    }
    assert!(!looking.is_safe(), "a blank line keeps it");
    let from = Instant::now();
    while !looking.is_safe() {
        hand.port.write_all(b"\xf0\x9e\xe0\x00\x1e\n\xff").unwrap();
        thread::sleep(LIMIT_MOST / 50);
        assert!(from.elapsed() < PATIENCE);
    }
    assert!(from.elapsed() <= LIMIT_MOST, "{:?}", from.elapsed());
}

/// Control that a client left behind while the head rests blocks no other client.
#[test]
fn a_silent_line_gives_way_once_the_head_rests() {
    let (mut hand, server) = Hand::new(&["--dead-man", LIMIT]);
    hand.say("CONT:TAKE");
    assert_eq!(hand.ask("CONT:OWN?"), "SELF");
    let mut other = server.line();
    other.say("CONT:TAKE");
    assert_eq!(other.ask("CONT:OWN?"), "OTH", "it was heard a moment ago");
    thread::sleep(LIMIT_MOST + LIMIT_MOST / 5);
    other.say("CONT:TAKE");
    assert_eq!(other.ask("CONT:OWN?"), "SELF");
    assert!(hand.errors()[0].contains("another client took it after a silence"));
    assert_eq!(hand.ask("CONT:OWN?"), "OTH");
}

#[test]
fn a_new_client_finds_nothing_old() {
    let (mut hand, server) = Hand::new(&[]);
    hand.say("NONSENSE");
    hand.say("CONT:TAKE;:ROT:SPE 4800 RPM;*ESE 9");
    assert_eq!(hand.ask("ROT:TARG?").get(..4), Some("5.02"));
    // Half a message of a client that is gone does nothing.
    hand.port.write_all(b"ROT:SPE 300").unwrap();
    hand.say("!");
    assert_eq!(hand.ask("ROT:TARG?").get(..4), Some("5.02"));
    assert_eq!(hand.ask("SYST:BEG;:CONT:OWN?;*ESE?"), "NONE;0");
    assert!(hand.errors().is_empty() && server.line().is_safe());
}

#[test]
fn limits_hold_at_a_line_as_well() {
    let (mut hand, server) = Hand::new(&[]);
    let mut looking = server.line();
    let flood = vec![b'x'; 200_000];
    hand.say(&flood);
    assert_eq!(hand.errors(), ["-363,\"Input buffer overrun;a message may have 65536 bytes\""]);
    hand.port.write_all(b"LINE:EXP? 0,1,1,1,#210abc\n").unwrap();
    thread::sleep(Duration::from_millis(2300));
    assert!(hand.errors()[0].starts_with("-161,"));
    hand.say("LINE:EXP? 0,1,1,1,#9999999999");
    assert!(hand.errors()[0].starts_with("-223,"));
    // A client that asks and never reads holds no other up, and fills no memory.
    let memory = server.memory();
    let from = Instant::now();
    for _ in 0..600 {
        hand.say("HEAD:DESC?");
        looking.ask("*IDN?");
    }
    assert!(from.elapsed() < PATIENCE);
    assert!(server.memory() < memory + 4_000, "{} kB more", server.memory() - memory);
    // What it finds once it reads: whole replies, and that there would have been more.
    hand.say("CONT:OWN?");
    let mut replies = 0;
    while hand.hear() != "NONE" {
        replies += 1;
        assert!(replies < 600);
    }
    let errors = hand.errors();
    assert!(errors[0].starts_with("-430,\"Query DEADLOCKED"), "{errors:?}");
}

#[test]
fn a_secret_is_asked_for_at_a_line_too_and_forgotten_with_its_session() {
    let folder = Folder::new("wire");
    let file = folder.named("file", "opensesame8\n");
    let (mut hand, _server) = Hand::new(&["--secret-file", &file]);
    let owner = "SYST:SECR 'opensesame8';:CONT:OWN?";
    hand.say("CONT:OWN?");
    assert!(hand.errors()[0].contains("say SYSTem:SECRet first"));
    assert_eq!(hand.ask(owner), "NONE");
    hand.say("SYST:BEG");
    hand.say("CONT:OWN?");
    assert!(hand.errors()[0].contains("say SYSTem:SECRet first"));
    // Wrong ones take turns, and so does the right one behind them.
    let from = Instant::now();
    for _ in 0..3 {
        hand.say("SYST:SECR 'guess'");
    }
    assert_eq!(hand.ask(owner), "NONE");
    assert!(from.elapsed() > Duration::from_millis(2500), "{:?}", from.elapsed());
}

/// A server may have no socket at all.
#[test]
fn a_line_alone_is_enough() {
    let name = std::env::temp_dir().join(format!("spintrue-alone-{}", std::process::id()));
    let inside = line(&name);
    let listen = format!("serial://{}", name.display());
    let mut child =
        program(&["serve", "--listen", &listen]).stdout(Stdio::piped()).spawn().unwrap();
    let from = Instant::now();
    let sockets = |child: &Child| {
        let folder = std::fs::read_dir(format!("/proc/{}/fd", child.id())).unwrap();
        let all = folder.filter_map(|fd| std::fs::read_link(fd.unwrap().path()).ok());
        all.filter(|to| to.display().to_string().starts_with("socket:")).count()
    };
    thread::sleep(Duration::from_millis(300));
    // One pair of the signal handler.
    assert!(sockets(&child) <= 2, "{}", sockets(&child));
    signal(&child, "INT");
    let mut told = String::new();
    std::io::Read::read_to_string(child.stdout.as_mut().unwrap(), &mut told).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(0));
    assert!(!told.contains("tcp://") && told.contains("ended"), "{told}");
    assert!(from.elapsed() < PATIENCE);
    drop(inside);
}
