//! Whether a client at a socket speaks this protocol or another one. A web page can have its browser
//! send what it likes to any port, but only behind the first words of HTTP or TLS. So the first
//! message of a connection must be one of the table, and what looks like HTTP ends it later as well.
//! Pure; uses the messages and the tree.

use crate::wire::errors::WireError;
use crate::wire::frame::Frame;
use crate::wire::message::message_units;
use crate::wire::tree::find_header;

/// What a connection has shown so far.
#[derive(Debug, Default)]
pub(crate) struct Introduction {
    /// A byte of its first message came.
    begun: bool,
    /// It said a message of this protocol.
    pub done: bool,
}

impl Introduction {
    /// Looks at bytes that came, and at the messages that became whole by them. Fails where the
    /// connection must end before any of these is carried out.
    pub(crate) fn check(&mut self, bytes: &[u8], frames: &[Frame]) -> Result<(), WireError> {
        if !self.begun {
            // Other control bytes are blanks inside a message, and begin the hello of TLS here.
            let first = bytes.iter().find(|byte| !matches!(byte, b' ' | b'\t' | b'\r' | b'\n'));
            match first {
                None => return Ok(()),
                Some(byte) if byte.is_ascii_alphabetic() || matches!(byte, b'*' | b':') => {}
                Some(_) => return Err(refused(-101)),
            }
            self.begun = true;
        }
        let mut messages = frames.iter().filter(|frame| !is_blank(frame));
        if !self.done {
            match messages.next() {
                None => return Ok(()),
                Some(Err(error)) => return Err(refused(error.code)),
                Some(Ok(message)) if is_http(message) => return Err(refused(-102)),
                Some(Ok(message)) => {
                    let units = message_units(message).map_err(|error| refused(error.code))?;
                    let known = |header: &str, query| {
                        let parts: Vec<&str> = header.trim_start_matches(':').split(':').collect();
                        find_header(&parts, query).is_some()
                    };
                    if !units.first().is_some_and(|unit| known(&unit.header, unit.query)) {
                        return Err(refused(-113));
                    }
                }
            }
            self.done = true;
        }
        let http = |frame: &Frame| frame.as_ref().is_ok_and(|message| is_http(message));
        if messages.any(http) { Err(refused(-102)) } else { Ok(()) }
    }
}

/// A blank line is a heartbeat and no more.
pub(crate) fn is_blank(frame: &Frame) -> bool {
    frame.as_ref().is_ok_and(|message| message.iter().all(|byte| *byte <= b' '))
}

/// Tells nothing of what was said, so that no browser shows it as an answer.
fn refused(code: i16) -> WireError {
    let why = "what came is not this protocol: begin with a message such as *IDN?; the connection \
               is closed";
    WireError::new(code, why)
}

/// A request line, a status line or a header line of HTTP (RFC 9112, sections 3, 4 and 5).
fn is_http(message: &[u8]) -> bool {
    let line = message.trim_ascii();
    let version = |word: &[u8]| {
        let number = word.strip_prefix(b"HTTP/");
        number.is_some_and(|number| number.iter().all(|b| b.is_ascii_digit() || *b == b'.'))
    };
    let mut words = line.split(|byte| byte.is_ascii_whitespace());
    let first = words.next().unwrap_or_default();
    let last = words.next_back().unwrap_or(first);
    let name = first.strip_suffix(b":").filter(|name| !name.is_empty());
    version(first)
        || version(last)
        || name.is_some_and(|name| name.iter().all(|b| b.is_ascii_alphanumeric() || *b == b'-'))
}

#[cfg(test)]
mod tests {
    use super::Introduction;
    use crate::wire::frame::{BLOCK_LOOKING, Framer, MAX_LINE};

    /// What of these pieces would be carried out.
    fn heard(pieces: &[&[u8]]) -> Vec<String> {
        let (mut framer, mut introduction) = (Framer::new(MAX_LINE), Introduction::default());
        let mut all = Vec::new();
        for piece in pieces {
            let mut frames = Vec::new();
            framer.feed(piece, BLOCK_LOOKING, &mut frames);
            if introduction.check(piece, &frames).is_err() {
                break;
            }
            all.extend(frames.into_iter().flatten());
        }
        all.iter().map(|message| String::from_utf8_lossy(message).trim().to_string()).collect()
    }

    const COMMANDS: &str = "\r\n\r\n\nCONT:TAKE\nROT:SPE 500\nLAS:ARM 1\n";

    /// Whole, in two pieces at each byte (of long ones at some 500, and near their end), and byte by byte.
    fn is_silent(said: &[u8]) {
        let shown = said.escape_ascii();
        assert!(heard(&[said]).is_empty(), "{shown}");
        let near_end = said.len().saturating_sub(100)..said.len();
        for at in (0..said.len()).step_by((said.len() / 500).max(1)).chain(near_end) {
            let (one, other) = said.split_at(at);
            assert!(heard(&[one, other]).iter().all(String::is_empty), "{shown} at {at}");
        }
        let single: Vec<&[u8]> = said.chunks(1).collect();
        assert!(heard(&single).iter().all(String::is_empty), "{shown} byte by byte");
    }

    #[test]
    fn nothing_behind_another_protocol_is_heard() {
        for first in [
            "GET / HTTP/1.1",
            "POST / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 50",
            "*RST /CONT:TAKE HTTP/1.1",
            "*IDN? HTTP/1.1",
            "*IDN? HTTP/1.1\r\nHost: x",
            "OPTIONS * HTTP/1.1",
            "CONNECT 127.0.0.1:5025 HTTP/1.1",
            "get /%0ACONT:TAKE",
            "GET /#18\nCONT:TAKE",
            "POST /\"'\"' HTTP/1.1",
            "HTTP/1.1 200 OK",
            "Host: 127.0.0.1",
            "ROT: 500",
            "PRI * HTTP/2.0\r\n\r\nSM",
            "\r\n\r\nGET / HTTP/1.1",
            "EHLO there",
            "USER me",
            "NICK me",
            "PROXY TCP4 127.0.0.1 127.0.0.1 1 2",
            "OPTIONS rtsp://127.0.0.1/ RTSP/1.0",
            "<policy-file-request/>\0",
            "\u{16}\u{3}\u{1}\u{2}\n\u{1}",
            "\u{16}\u{3}\u{1}\n\n*IDN?",
            "\0\u{1}\n\0\u{8}!\n*IDN?",
            "\u{feff}*IDN?",
            "!",
            "#15\n\n\n\n\n",
            ";*IDN?",
            "\"*IDN?",
        ] {
            is_silent(format!("{first}{COMMANDS}").as_bytes());
        }
        is_silent(&[&[0x80, 0x2e, 1, 3, 1], COMMANDS.as_bytes()].concat());
        is_silent(&[&vec![b'A'; 2 * MAX_LINE], COMMANDS.as_bytes()].concat());
        is_silent(format!("LINE:EXP? #6999999{COMMANDS}").as_bytes());
    }

    #[test]
    fn what_looks_like_http_later_ends_it_before_its_piece() {
        for line in ["POST / HTTP/1.1", "Host: x", "Content-Type: text/plain", "HTTP/1.0 200 OK"] {
            let piece = format!("ROT:SPE 1\r\n{line}\r\n\r\nCONT:TAKE\n");
            assert_eq!(heard(&[b"*IDN?\n", piece.as_bytes()]), ["*IDN?"], "{line}");
        }
    }

    #[test]
    fn messages_of_this_protocol_are_heard() {
        for first in
            ["*IDN?", ":SYST:PROT?;:FAUL?", "syst:secr 'a: HTTP/1.1'", "\r\n *cls", "SAFE?"]
        {
            let said = format!("{first}\nNONSENSE\nROT:SPE 1\n");
            let wanted = [first.trim(), "NONSENSE", "ROT:SPE 1"];
            let all = heard(&[said.as_bytes()]);
            assert!(all.ends_with(&wanted.map(str::to_string)), "{all:?}");
            assert_eq!(heard(&said.as_bytes().chunks(1).collect::<Vec<_>>()), all);
        }
    }
}
