//! Garbage and floods: each has an entry in the error queue, the connection lives, and others are
//! served meanwhile.

use crate::wire::bench::{Dice, PATIENCE, Server};
use std::io::{Read, Write};
use std::time::{Duration, Instant};

#[test]
fn every_line_of_garbage_has_its_error() {
    let server = Server::new();
    let mut line = server.controller();
    let mut dice = Dice::new(2026);
    for _ in 0..500 {
        // Without newlines, which end a line, and # and quotes, which begin what may be long.
        let byte = |dice: &mut Dice| loop {
            let byte = dice.below(256) as u8;
            if !matches!(byte, b'\n' | b'#' | b'"' | b'\'' | b';') {
                return byte;
            }
        };
        let mut junk: Vec<u8> = (0..1 + dice.below(60)).map(|_| byte(&mut dice)).collect();
        junk.push(b'!');
        line.say(&junk);
        let error = line.ask("SYST:ERR?");
        assert!(error.starts_with("-1"), "{}: {error}", junk.escape_ascii());
    }
    assert!(line.errors().len() <= 32 && line.is_safe());
}

#[test]
fn blocks_without_their_end_are_given_up() {
    let server = Server::new();
    let mut line = server.controller();
    line.stream.write_all(b"LINE:EXP? 0,1,1,1,#210abc\n").unwrap();
    std::thread::sleep(Duration::from_millis(2600));
    let errors = line.errors();
    assert!(errors[0].starts_with("-161,"), "{errors:?}");
    line.say("LINE:EXP? 0,1,1,1,#9999999999");
    assert!(line.errors()[0].starts_with("-223,"));
}

#[test]
fn floods_are_bounded() {
    let server = Server::new();
    let mut line = server.line();
    line.ask("*IDN?");
    line.say(vec![b'x'; 3_000_000]);
    assert_eq!(line.errors(), ["-363,\"Input buffer overrun;a message may have 65536 bytes\""]);
    for _ in 0..100 {
        line.say("NONSENSE");
    }
    let errors = line.errors();
    assert_eq!(errors.len(), 32);
    assert_eq!(errors[31], "-350,\"Queue overflow\"");
}

#[test]
fn one_client_too_many_is_told_so() {
    let server = Server::new();
    let mut lines: Vec<_> = (0..8).map(|_| server.line()).collect();
    for line in &mut lines {
        assert!(line.ask("*IDN?").starts_with("spintrue,"));
    }
    let mut more = server.line();
    assert_eq!(more.hear(), "-310,\"System error;8 clients are here already\"");
    drop(lines);
    let from = Instant::now();
    loop {
        let mut line = server.line();
        if line.ask("*IDN?").starts_with("spintrue,") {
            break;
        }
        assert!(from.elapsed() < PATIENCE);
    }
}

/// One who asks and never reads is sent away; the one in control does not notice.
#[test]
fn a_client_that_reads_nothing_holds_no_other_up() {
    let server = Server::new();
    let mut line = server.controller();
    line.say("ROT:SPE 4800 RPM");
    let greedy = server.line();
    let mut writer = greedy.stream.try_clone().unwrap();
    let flood = std::thread::spawn(move || {
        let many = "HEAD:DESC?\n".repeat(1000);
        for _ in 0..1000 {
            if writer.write_all(many.as_bytes()).is_err() {
                return true;
            }
        }
        false
    });
    let (from, mut slowest) = (Instant::now(), Duration::ZERO);
    while !flood.is_finished() {
        let asked = Instant::now();
        assert_eq!(line.ask("CONT:OWN?"), "SELF");
        slowest = slowest.max(asked.elapsed());
        assert!(from.elapsed() < PATIENCE);
    }
    assert!(flood.join().unwrap(), "it was never sent away");
    assert!(slowest < Duration::from_secs(1), "{slowest:?}");
    let mut rest = greedy.stream;
    rest.set_read_timeout(Some(PATIENCE)).unwrap();
    let mut all = Vec::new();
    // It ends, by a reset or in order.
    let _ = rest.read_to_end(&mut all);
}

/// Nor do many of them keep the head from being made safe.
#[test]
fn clients_that_read_nothing_do_not_delay_the_dead_man() {
    let server = Server::with(&["--dead-man", "1s"]);
    let (mut line, mut looking) = (server.controller(), server.line());
    line.say("ROT:SPE 4800 RPM");
    assert_eq!(line.ask("*OPC?"), "1");
    let silent = Instant::now();
    let greedy: Vec<_> = (0..6)
        .map(|_| {
            let mut stream = server.line().stream;
            std::thread::spawn(move || {
                let many = "HEAD:DESC?\n".repeat(1000);
                // Until it is sent away.
                while stream.write_all(many.as_bytes()).is_ok() {}
            })
        })
        .collect();
    looking.until_safe();
    assert!(silent.elapsed() <= Duration::from_secs(1), "{:?}", silent.elapsed());
    assert!(line.ask("SYST:ERR?").contains("silent for 1 s"));
    drop(server);
    greedy.into_iter().for_each(|one| one.join().unwrap());
}
