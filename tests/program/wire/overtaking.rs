//! Stops overtake all that waits for the head. The calls that wait here last for minutes each, so that
//! a stop behind one of them would come too late for any test.

use crate::support::Folder;
use crate::wire::bench::{Line, Server};
use std::io::{Read, Write};
use std::time::Duration;

/// A call of four minutes on a head that turns at 4800 rpm.
const LONG: &str = "ROT:TURN? 20000;:FAUL?";

const LEFT_OUT: &str = "left out: the head was stopped after this was said";

/// A client in control, and so many long calls that wait behind one that is under way.
fn busy(server: &Server, waiting: usize) -> Line {
    let mut line = turning(server);
    for _ in 0..=waiting {
        line.say(LONG);
    }
    until_busy(server);
    line
}

/// A client in control of a head that turns.
fn turning(server: &Server) -> Line {
    let mut line = server.controller();
    line.say("ROT:SPE 4800 RPM");
    assert_eq!(line.ask("*OPC?"), "1");
    line
}

/// Until a call is under way, others are answered.
fn until_busy(server: &Server) {
    loop {
        let mut other = server.line().stream;
        other.set_read_timeout(Some(Duration::from_millis(300))).unwrap();
        other.write_all(b"*OPC?\n").unwrap();
        if other.read(&mut [0; 8]).is_err() {
            return;
        }
    }
}

/// What a head says of itself that was made safe, but for its speed.
fn is_dark(reply: &str) -> bool {
    reply.starts_with("1,") && reply.split(',').count() >= 5
}

#[test]
fn a_stop_of_another_client_overtakes_all_that_waits() {
    let server = Server::with(&["--realtime", "--dead-man", "60s"]);
    let mut line = busy(&server, 200);
    let mut other = server.line();
    assert!(is_dark(&other.ask("SAFE?")));
    assert!(other.is_safe());
    // The call under way was cut short, and those behind it were refused; all are told.
    let replies: Vec<String> = (0..=200).map(|_| line.hear()).collect();
    let refused = replies.iter().filter(|reply| reply.contains("say CONTrol:TAKE first")).count();
    assert!(refused >= 199, "{refused} {:?}", replies.last());
    let errors = line.errors();
    assert!(errors.iter().any(|e| e.contains("another client made the head safe")), "{errors:?}");
}

#[test]
fn a_stop_overtakes_what_its_own_client_said_before() {
    let server = Server::with(&["--realtime", "--dead-man", "60s"]);
    let mut line = busy(&server, 200);
    line.say("SAFE?;:FAUL?");
    let replies: Vec<String> = (0..=200).map(|_| line.hear()).collect();
    let refused = replies.iter().filter(|reply| reply.contains(LEFT_OUT)).count();
    assert!(refused >= 199, "{refused} {:?}", replies.last());
    // Replies keep the order of what was asked.
    let safe = line.hear();
    assert!(is_dark(&safe) && safe.ends_with("\"none\""), "{safe}");
    assert!(line.is_safe());
    assert_eq!(line.ask("CONT:OWN?"), "SELF");
    // What is said after it acts again.
    assert_eq!(line.ask("ROT:SPE 4800 RPM;:FAUL?"), "\"none\"");
}

/// What was cut short is told, also of time that was to pass.
#[test]
fn a_sleep_that_a_stop_cuts_short_fails() {
    let server = Server::with(&["--realtime", "--dead-man", "60s"]);
    let mut line = turning(&server);
    line.say("CLOC:SLE 50;:FAUL?");
    until_busy(&server);
    line.say("LAS:DIS;:FAUL?");
    assert_eq!([line.hear(), line.hear()], [r#""refused","a stop cut it short""#, r#""none""#]);
    assert_eq!(line.ask("CLOC:SLE 0.1;:FAUL?"), r#""none""#);
}

#[test]
fn a_stop_ends_a_message_of_many_calls() {
    let server = Server::with(&["--realtime", "--dead-man", "60s"]);
    let mut line = turning(&server);
    line.say([LONG; 100].join(";:"));
    until_busy(&server);
    let mut other = server.line();
    assert!(is_dark(&other.ask("SAFE?")));
    let reply = line.hear();
    assert!(reply.contains("a stop cut it short"), "{reply}");
    assert_eq!(reply.matches("left out behind an error").count(), 99);
}

/// A laser that is armed behind a disarming would be a surprise.
#[test]
fn disarming_overtakes_and_leaves_out_what_would_arm() {
    let server = Server::with(&["--realtime", "--dead-man", "60s"]);
    let mut line = busy(&server, 0);
    line.say("LAS:ARM 10 PCT;:FAUL?");
    line.say("MIRR:ANGL 1 MRAD;:FAUL?");
    // They wait by then; nothing tells when.
    std::thread::sleep(Duration::from_millis(500));
    let mut other = server.line();
    assert_eq!(other.ask("LAS:DIS;:FAUL?"), "\"none\"");
    line.hear();
    assert!(line.hear().contains(LEFT_OUT));
    assert_eq!(line.hear(), "\"none\"", "what lets no light out goes on");
    assert_eq!(line.ask("ROT:TARG?;:CONT:OWN?"), "5.026548245743669E+2;SELF");
    assert_eq!(line.ask("LAS:DIS;:FAUL?;:LAS:ARM?"), "\"none\";0");
}

/// What takes control but was said before another client stopped the head takes none.
#[test]
fn control_is_not_taken_by_what_was_said_before_a_stop() {
    let server = Server::with(&["--realtime", "--dead-man", "60s"]);
    let mut third = server.line();
    assert!(third.ask("*IDN?").starts_with("spintrue,"));
    let _line = busy(&server, 0);
    third.say("CONT:TAKE;:ROT:SPE 4800 RPM;:FAUL?");
    // It waits by then; nothing tells when.
    std::thread::sleep(Duration::from_millis(500));
    let mut other = server.line();
    assert!(is_dark(&other.ask("SAFE?")));
    assert!(third.hear().contains("left out"));
    assert!(other.is_safe());
    assert_eq!(other.ask("CONT:OWN?"), "NONE");
}

/// Guesses at a secret wait for their turn, and a stop does not wait behind them.
#[test]
fn a_stop_needs_no_secret_and_does_not_wait_behind_guesses() {
    let folder = Folder::new("overtaking");
    let secret = folder.named("secret", "open sesame\n");
    let server = Server::with(&["--realtime", "--dead-man", "60s", "--secret-file", &secret]);
    let mut line = server.line();
    line.say("SYST:SECR 'open sesame'");
    assert_eq!(line.ask("CONT:TAKE;:ROT:SPE 4800 RPM;:CONT:OWN?"), "SELF");
    for _ in 0..10 {
        line.say(LONG);
    }
    let mut stranger = server.line();
    stranger.say("SYST:SECR 'guess one';:FAUL?");
    stranger.say("SYST:SECR 'guess two';:FAUL?");
    stranger.say("SAFE?");
    for _ in 0..10 {
        line.hear();
    }
    assert!(line.is_safe());
    for _ in 0..2 {
        assert!(stranger.hear().contains("that is not the secret"));
    }
    assert!(is_dark(&stranger.hear()));
}

/// Bytes that wait are bounded: who sends more is sent away, and the head made safe where it was in
/// control.
#[test]
fn a_client_that_sends_more_than_may_wait_is_sent_away() {
    let block = 40_000_000;
    let mut page = format!("PAGE:EXP? 1,1,1,#8{block}").into_bytes();
    page.resize(page.len() + block, b'0');
    page.push(b'\n');
    for flood in [b"HEAD:STAT?\n".repeat(100_000), page.repeat(2)] {
        let server = Server::with(&["--realtime", "--dead-man", "60s"]);
        let mut line = busy(&server, 0);
        let mut other = server.line();
        // The connection may be gone before all is sent.
        let _ = line.stream.write_all(&flood);
        other.until_safe();
        assert_eq!(other.ask("CONT:OWN?"), "NONE");
        assert!(server.memory() < 250_000, "{} kB", server.memory());
        let (_, told) = server.end("INT");
        assert!(told.contains("sent a client away: -363"), "{told}");
    }
}

/// Behind a long call with others that wait, too.
#[test]
fn a_client_that_hangs_up_is_missed_at_once() {
    let server = Server::with(&["--realtime", "--dead-man", "60s"]);
    let line = busy(&server, 1000);
    let mut other = server.line();
    drop(line);
    other.until_safe();
}

/// A flood of stops leaves others their turns, and keeps the server in its bounds.
#[test]
fn a_flood_of_stops_leaves_others_their_turns() {
    let server = Server::with(&["--realtime"]);
    let mut flood = server.line();
    let mut other = server.line();
    assert!(flood.ask("*IDN?").starts_with("spintrue,"));
    flood.say(["SAFE?"; 300].join("\n"));
    for _ in 0..20 {
        assert!(other.is_safe());
    }
    for _ in 0..300 {
        assert!(is_dark(&flood.hear()));
    }
}

/// A long message of looks is no hiding place either.
#[test]
fn a_stop_comes_between_the_looks_of_a_message() {
    let server = Server::with(&["--realtime", "--dead-man", "60s"]);
    let mut line = turning(&server);
    let mut looker = server.line();
    assert!(looker.ask("*IDN?").starts_with("spintrue,"));
    // As many looks as a message holds, again and again.
    let looks = vec!["HEAD:STAT?"; 5000].join(";:");
    for _ in 0..10 {
        looker.say(&looks);
    }
    let mut other = server.line();
    assert!(is_dark(&other.ask("SAFE?")));
    let speed = line.ask("ROT:TARG?;:CONT:OWN?");
    assert_eq!(speed, "9.91E+37;NONE");
    for _ in 0..10 {
        assert!(looker.hear().len() > 100_000);
    }
}

/// What was sent before a stop, but lies unread in the system, was said before it. The burst fits into the
/// receive buffer of a socket: what a full buffer keeps back reaches the server after the stop.
#[test]
fn a_burst_that_was_sent_before_a_stop_does_not_undo_it() {
    for (burst, stop, own) in [
        ("LAS:ARM 10 PCT\n", "LAS:DIS;:FAUL?", "SELF"),
        ("CONT:TAKE;:ROT:SPE 500;:LAS:ARM 10 PCT\n", "SAFE?", "NONE"),
    ] {
        let server = Server::new();
        let mut line = server.controller().turning();
        let mut other = server.line();
        assert_eq!(other.ask("CONT:OWN?"), "OTH");
        line.stream.write_all(burst.repeat(50_000 / burst.len()).as_bytes()).unwrap();
        other.ask(stop);
        // Said behind the stop, and behind all of the burst.
        assert_eq!(line.ask("LAS:ARM?;:CONT:OWN?"), format!("0;{own}"), "{burst}");
    }
}
