//! Guesses of a secret: they are slow, whatever a guesser does, and keep no client out that knows it.

use crate::support::Folder;
use crate::wire::bench::{PATIENCE, run};
use crate::wire::cable::Hand;
use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread;
use std::time::{Duration, Instant};

/// Guesses until it is over, on a new connection whenever it is sent away.
fn guess(place: &str, over: &AtomicBool, wrong: &AtomicU64) {
    while !over.load(Ordering::SeqCst) {
        let Ok(mut stream) = TcpStream::connect(place) else { continue };
        stream.set_read_timeout(Some(Duration::from_millis(200))).unwrap();
        let mut reader = BufReader::new(stream.try_clone().unwrap());
        let mut reply = String::new();
        for _ in 0..3 {
            if stream.write_all(b"SYST:SECR 'guess';:FAUL?\n").is_err() {
                break;
            }
            reply.clear();
            while reader.read_line(&mut reply).is_err() && !over.load(Ordering::SeqCst) {}
            if !reply.contains("not the secret") {
                break;
            }
            wrong.fetch_add(1, Ordering::SeqCst);
        }
    }
}

#[test]
fn guesses_are_slow_and_keep_no_client_out() {
    let folder = Folder::new("wire");
    let file = folder.named("file", "opensesame9\n");
    let (mut hand, server) = Hand::new(&["--secret-file", &file]);
    let (over, wrong) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicU64::new(0)));
    let guessers: Vec<_> = (0..7)
        .map(|_| {
            let (place, over, wrong) =
                (server.place.clone(), Arc::clone(&over), Arc::clone(&wrong));
            thread::spawn(move || guess(&place, &over, &wrong))
        })
        .collect();
    let from = Instant::now();
    while wrong.load(Ordering::SeqCst) < 2 {
        assert!(from.elapsed() < PATIENCE, "no guess was made");
        thread::sleep(Duration::from_millis(10));
    }
    // A client at another address does not notice.
    let asked = Instant::now();
    assert_eq!(hand.ask("SYST:SECR 'opensesame9';:CONT:OWN?"), "NONE");
    assert!(asked.elapsed() < Duration::from_millis(500), "{:?}", asked.elapsed());
    // A client at the same address that knows it has its turn.
    let (guessed, asked) = (wrong.load(Ordering::SeqCst), Instant::now());
    let address = format!("{}?secret-file={}", server.address(), file);
    let described = run(&["head", "describe", &address]);
    assert_eq!(described.code, Some(0), "{}", described.all());
    thread::sleep(Duration::from_secs(3));
    let (seconds, guessed) = (asked.elapsed().as_secs(), wrong.load(Ordering::SeqCst) - guessed);
    assert!(guessed <= seconds + 3, "{guessed} guesses in {seconds} s");
    over.store(true, Ordering::SeqCst);
    guessers.into_iter().for_each(|guesser| guesser.join().unwrap());
}

/// With all places taken by strangers, a client that knows the secret is still admitted.
#[test]
fn strangers_make_room() {
    let folder = Folder::new("wire");
    let file = folder.named("file", "opensesame9\n");
    let (_hand, server) = Hand::new(&["--secret-file", &file]);
    let mut first = server.line();
    assert_eq!(first.ask("SYST:SECR 'opensesame9';:CONT:TAKE;:CONT:OWN?"), "SELF");
    let mut strangers: Vec<_> = (0..7).map(|_| server.line()).collect();
    for stranger in &mut strangers {
        stranger.ask("*IDN?");
    }
    let mut more = server.line();
    assert_eq!(more.ask("SYST:SECR 'opensesame9';:CONT:OWN?"), "OTH");
    assert_eq!(first.ask("CONT:OWN?"), "SELF", "a client that was admitted stays");
    let mut rest = Vec::new();
    let _ = std::io::Read::read_to_end(&mut strangers[0].stream, &mut rest);
    assert!(rest.is_empty(), "the one that came first has gone");
    assert!(strangers[6].ask("*IDN?").starts_with("spintrue,"));
    // Once all know it, there is no place left.
    let mut known: Vec<_> = (0..6).map(|_| server.line()).collect();
    for line in &mut known {
        assert_eq!(line.ask("SYST:SECR 'opensesame9';:CONT:OWN?"), "OTH");
    }
    assert!(server.line().hear().starts_with("-310,"));
}
