//! Everything that a link can do to a run: a relay between program and server breaks it at a random
//! reply. Each is a failure of the head with a clear message, and the head becomes safe.

use crate::wire::bench::{Dice, PATIENCE, Server, ended, program, run, signal, started};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread;
use std::time::{Duration, Instant};

/// What happens to a reply.
#[derive(Clone, Copy, Debug)]
enum Trouble {
    HangUp,
    HangUpInside,
    Garbage,
    Nonsense,
    Twice,
    Silence,
    Endless,
}

const TROUBLES: [Trouble; 7] = [
    Trouble::HangUp,
    Trouble::HangUpInside,
    Trouble::Garbage,
    Trouble::Nonsense,
    Trouble::Twice,
    Trouble::Silence,
    Trouble::Endless,
];

/// A relay to `place` that breaks its first connection at reply `at`. Where `for_good`, nobody can
/// connect any more then.
fn relay(place: String, trouble: Trouble, at: u64, for_good: bool) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let here = listener.local_addr().unwrap().to_string();
    let struck = Arc::new(AtomicBool::new(false));
    let replies = Arc::new(AtomicU64::new(0));
    thread::spawn(move || {
        for client in listener.incoming() {
            if for_good && struck.load(Ordering::SeqCst) {
                return;
            }
            let (client, server) = (client.unwrap(), TcpStream::connect(&place).unwrap());
            let (mut up, mut down) = (server.try_clone().unwrap(), client.try_clone().unwrap());
            down.set_nodelay(true).unwrap();
            let mut from = client.try_clone().unwrap();
            thread::spawn(move || {
                let _ = std::io::copy(&mut from, &mut up);
                let _ = up.shutdown(std::net::Shutdown::Both);
            });
            let (struck, replies) = (Arc::clone(&struck), Arc::clone(&replies));
            thread::spawn(move || {
                let mut reader = BufReader::new(server);
                let mut reply = Vec::new();
                while reader.read_until(b'\n', &mut reply).is_ok_and(|count| count > 0) {
                    let strikes = replies.fetch_add(1, Ordering::SeqCst) == at;
                    if strikes {
                        struck.store(true, Ordering::SeqCst);
                        strike(trouble, &mut down, &reply);
                        break;
                    }
                    if down.write_all(&reply).is_err() {
                        break;
                    }
                    reply.clear();
                }
                let _ = down.shutdown(std::net::Shutdown::Both);
                let _ = reader.into_inner().shutdown(std::net::Shutdown::Both);
            });
        }
    });
    here
}

fn strike(trouble: Trouble, down: &mut TcpStream, reply: &[u8]) {
    let junk: &[u8] = match trouble {
        Trouble::HangUp => return,
        Trouble::HangUpInside => &reply[..reply.len() / 2],
        Trouble::Garbage => b"\xff\x00!!\x9f,#\n",
        Trouble::Nonsense => b"42,\"what\";17\n",
        Trouble::Twice => &[reply, reply].concat(),
        Trouble::Silence | Trouble::Endless => b"",
    };
    let _ = down.write_all(junk);
    let from = Instant::now();
    match trouble {
        Trouble::Endless => {
            while from.elapsed() < PATIENCE && down.write_all(b"1").is_ok() {
                thread::sleep(Duration::from_micros(200));
            }
        }
        Trouble::HangUpInside => {}
        _ => {
            // Until the other end has had enough.
            down.set_read_timeout(Some(PATIENCE)).unwrap();
            let _ = down.read(&mut [0; 1]);
        }
    }
}

/// On a head whose time passes by calls, the wait for a reply is long, so that silence is tried on
/// one on the clock below.
#[test]
fn whatever_breaks_is_a_fault_and_the_head_is_made_safe() {
    let server = Server::new();
    let mut dice = Dice::new(31);
    let mut failed = 0;
    for round in 0..24 {
        let trouble = TROUBLES[round % 5];
        // The greeting has seven replies.
        let at = 9 + dice.below(120);
        let for_good = round % 2 == 0;
        let here = relay(server.place.clone(), trouble, at, for_good);
        let address = format!("tcp://{here}");
        let from = Instant::now();
        let ended = run(&["run", "scripts/bring_up.spt", "--head", &address]);
        assert!(from.elapsed() < PATIENCE, "{trouble:?}");
        let told = ended.words();
        assert_eq!(ended.code, Some(3), "{trouble:?} at {at}: {told}");
        failed += 1;
        assert!(told.contains("does not answer as it should"), "{trouble:?}: {told}");
        assert!(told.contains("a server that still runs makes the head safe"), "{told}");
        let outcome = if for_good {
            "the head could not be told to make itself safe"
        } else {
            "laser off, mirror parked, polygon at rest (measured)"
        };
        assert!(told.contains(outcome), "{trouble:?} at {at}, for good {for_good}: {told}");
        assert!(server.line().until_safe() < Duration::from_secs(3));
    }
    assert_eq!(failed, 24);
}

#[test]
fn silence_and_replies_without_end_have_their_limit() {
    let server = Server::with(&["--realtime"]);
    for trouble in [Trouble::Silence, Trouble::Endless] {
        let here = relay(server.place.clone(), trouble, 14, false);
        let address = format!("tcp://{here}");
        let from = Instant::now();
        let ended = run(&["run", "scripts/spin_only.spt", "--head", &address]);
        let told = ended.words();
        assert_eq!(ended.code, Some(3), "{trouble:?}: {told}");
        assert!(told.contains("within"), "{told}");
        assert!(from.elapsed() < PATIENCE, "{trouble:?}");
        assert!(server.line().is_safe());
    }
}

#[test]
fn slow_pieces_are_put_together() {
    let server = Server::new();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let here = listener.local_addr().unwrap().to_string();
    let place = server.place.clone();
    thread::spawn(move || {
        let (client, _) = listener.accept().unwrap();
        let server = TcpStream::connect(place).unwrap();
        let (mut up, mut from) = (server.try_clone().unwrap(), client.try_clone().unwrap());
        thread::spawn(move || std::io::copy(&mut from, &mut up));
        let (mut down, mut chunk, mut server) = (client, [0; 1], server);
        while server.read(&mut chunk).is_ok_and(|count| count > 0) {
            down.write_all(&chunk).unwrap();
            thread::sleep(Duration::from_micros(100));
        }
    });
    let slow = run(&["head", "describe", &format!("tcp://{here}")]);
    assert_eq!(slow.all(), run(&["head", "describe", "sim"]).all());
}

/// What is no server of a head, or a newer one, is told in words.
#[test]
fn strangers_are_told_apart() {
    let answering = |lines: Vec<&'static [u8]>| {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let here = listener.local_addr().unwrap().to_string();
        thread::spawn(move || {
            let (mut stream, _) = listener.accept().unwrap();
            for line in lines {
                let _ = stream.read(&mut [0; 1000]);
                let _ = stream.write_all(line);
            }
            thread::sleep(PATIENCE);
        });
        here
    };
    for (lines, wanted) in [
        (vec![b"HTTP/1.1 400 Bad Request\r\n".as_slice()], "is no instrument: `HTTP/1.1 400 Bad"),
        (vec![b"a,b,c,d\n", b"2.0\n"], "speaks edition `2.0` of the protocol"),
        (vec![b""], "no reply came within 1 s"),
        (vec![b"-310,\"System error;8 clients are here already\"\n"], "8 clients are here already"),
    ] {
        let address = format!("tcp://{}", answering(lines));
        let ended = run(&["head", "describe", &address]);
        assert_eq!(ended.code, Some(2));
        assert!(ended.words().contains(wanted), "{}", ended.words());
    }
    let refused = run(&["head", "describe", "tcp://127.0.0.1:1"]);
    assert!(refused.words().contains("cannot connect to 127.0.0.1:1"), "{}", refused.words());
    for wrong in ["tcp://host", "tcp://127.0.0.1:1?baud=3", "tcp://:x"] {
        let ended = run(&["head", "describe", wrong]);
        assert_eq!(ended.code, Some(2));
        assert!(ended.words().contains("tcp://") && ended.words().contains("error:"));
    }
}

#[test]
fn seeds_and_faults_belong_to_the_server() {
    let server = Server::with(&["--seed", "7", "--fault", "lock_lost@12s"]);
    let address = server.address();
    let ended = run(&["run", "scripts/bring_up.spt", "--head", &address]);
    let here = run(&["run", "scripts/bring_up.spt", "--seed", "7"]);
    assert!(ended.words().contains("(seed 7)"), "{}", ended.words());
    assert_ne!(ended.code, here.code, "the lock is lost");
    let refused = run(&["run", "scripts/bring_up.spt", "--head", &address, "--seed", "8"]);
    assert!(refused.words().contains("belongs to its server"), "{}", refused.words());
}

/// Ctrl-C ends a wait on the clock at once, and the head is made safe over the wire.
#[test]
fn a_request_to_stop_reaches_a_head_on_the_clock() {
    let server = Server::with(&["--realtime"]);
    let child = started(program(&["run", "scripts/spin_only.spt", "--head", &server.address()]));
    let mut looking = server.line();
    let from = Instant::now();
    while looking.is_safe() {
        assert!(from.elapsed() < PATIENCE);
    }
    signal(&child, "INT");
    assert!(looking.until_safe() < Duration::from_secs(1));
    let ended = ended(child);
    assert_eq!(ended.code, Some(130), "{}", ended.words());
}
