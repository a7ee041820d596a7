//! Other protocols at the port of a head: what a browser, or whatever else, says there moves nothing, in
//! whatever pieces it comes, and the connection ends.

use crate::wire::bench::{Line, PATIENCE, Server};
use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::thread;
use std::time::{Duration, Instant};

const COMMANDS: &[u8] = b"\r\n\r\n\nCONT:TAKE\nROT:SPE 500\nCLOC:SLE 12\nLAS:ARM 1\n";

/// First words, the commands behind them, in pieces of this size; gives what came back.
fn said(server: &Server, first: &[u8], size: usize) -> String {
    let mut stream = TcpStream::connect(&server.place).unwrap();
    stream.set_nodelay(true).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    for piece in [first, COMMANDS].concat().chunks(size) {
        // It may have been hung up on.
        if stream.write_all(piece).is_err() {
            break;
        }
        if size < 100 {
            thread::sleep(Duration::from_micros(200));
        }
    }
    let mut all = Vec::new();
    // It ends, by a reset or in order.
    if let Err(error) = stream.read_to_end(&mut all) {
        let waited = matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut);
        assert!(!waited, "{} by {size}: it does not hang up", first.escape_ascii());
    }
    String::from_utf8_lossy(&all).into_owned()
}

/// The head has not moved since it was made, and no client controls it.
fn is_untouched(looking: &mut Line) -> bool {
    looking.is_safe() && looking.ask("CLOC:TIME?;:CONT:OWN?") == "0.0E+0;NONE"
}

#[test]
fn nothing_behind_another_protocol_is_carried_out() {
    let server = Server::new();
    let mut looking = server.line();
    for first in [
        &b"GET / HTTP/1.1\r\nHost: 127.0.0.1"[..],
        b"POST /?CONT:TAKE HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 60",
        b"*RST / HTTP/1.1",
        b"*IDN? HTTP/1.1",
        b"OPTIONS * HTTP/1.0",
        b"Host: 127.0.0.1",
        b"PRI * HTTP/2.0\r\n\r\nSM",
        b"\x16\x03\x01\x02\x00\x01\x00",
        b"\x16\x03\x01\x0a\n*IDN?",
        b"\x00\x01\x00\x08\n",
        b"EHLO there",
        b"*IDN?\r\nHost: 127.0.0.1",
    ] {
        for size in [1, 7, 4096] {
            let reply = said(&server, first, size);
            assert!(is_untouched(&mut looking), "{} by {size}", first.escape_ascii());
            let is_told = reply.is_empty() || reply.contains("the connection is closed");
            assert!(is_told || first.starts_with(b"*IDN?\r"), "{reply}");
            assert!(!reply.contains("HTTP") && !reply.contains("127.0.0.1"), "{reply}");
        }
    }
    let (_, told) = server.end("INT");
    let told = told.split_whitespace().collect::<Vec<_>>().join(" ");
    let wanted = "hung up on a client at 127.0.0.1 that speaks another protocol";
    assert!(told.contains(wanted) && !told.contains("made safe"), "{told}");
    assert!(told.matches(wanted).count() < 10, "{told}");
}

/// Connections that a browser opens ahead, and says nothing on, keep no client out.
#[test]
fn silent_connections_give_way() {
    let server = Server::new();
    let silent: Vec<_> = (0..20).map(|_| server.line()).collect();
    let from = Instant::now();
    let mut line = server.line();
    assert!(line.ask("*IDN?").starts_with("spintrue,"), "after {:?}", from.elapsed());
    drop(silent);
}

/// A controller that speaks HTTP in the middle, as one whose port was handed on, loses the head.
#[test]
fn http_in_the_middle_ends_control() {
    let server = Server::new();
    let (mut line, mut looking) = (server.controller(), server.line());
    line.say("ROT:SPE 500");
    assert_eq!(line.ask("*OPC?"), "1");
    line.say("ROT:SPE 520\r\nGET / HTTP/1.1\r\n\r\nROT:SPE 510");
    assert!(looking.until_safe() < Duration::from_secs(1));
    assert_eq!(looking.ask("CONT:OWN?"), "NONE");
}
