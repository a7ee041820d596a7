//! A plain client on the wire: a line in, a line out.

#![allow(dead_code, reason = "each test binary uses a part of it")]

use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

/// Long enough for anything, and short enough to fail.
pub const PATIENCE: Duration = Duration::from_secs(30);

/// The entries of the error queue.
pub fn errors(mut ask: impl FnMut(&str) -> String) -> Vec<String> {
    let entries = std::iter::from_fn(|| Some(ask("SYST:ERR?")));
    entries.take_while(|error| !error.starts_with("0,")).collect()
}

/// A plain client.
pub struct Line {
    pub stream: TcpStream,
    reader: BufReader<TcpStream>,
}

impl Line {
    pub fn new(place: &str) -> Line {
        let stream = TcpStream::connect(place).unwrap();
        stream.set_nodelay(true).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        let reader = BufReader::new(stream.try_clone().unwrap());
        Line { stream, reader }
    }

    /// A line that controls the head.
    pub fn controlling(place: &str) -> Line {
        let mut line = Line::new(place);
        assert_eq!(line.ask("CONT:TAKE;:CONT:OWN?"), "SELF");
        line
    }

    /// The polygon turns and is locked, for a line that controls the head.
    pub fn turning(mut self) -> Line {
        self.say("ROT:SPE 500;:CLOC:SLE 12");
        assert_eq!(self.ask("ROT:LOCK?;:CONT:OWN?"), "1;SELF");
        self
    }

    pub fn say(&mut self, bytes: impl AsRef<[u8]>) {
        let mut message = bytes.as_ref().to_vec();
        message.push(b'\n');
        self.stream.write_all(&message).unwrap();
    }

    pub fn hear(&mut self) -> String {
        let mut reply = Vec::new();
        self.reader.read_until(b'\n', &mut reply).unwrap();
        assert_eq!(reply.pop(), Some(b'\n'), "it hung up");
        String::from_utf8_lossy(&reply).into_owned()
    }

    pub fn ask(&mut self, message: &str) -> String {
        self.say(message);
        self.hear()
    }

    /// As `ask`; none where the other end hangs up.
    pub fn try_ask(&mut self, message: &str) -> Option<String> {
        self.stream.write_all(format!("{message}\n").as_bytes()).ok()?;
        let mut reply = String::new();
        self.reader.read_line(&mut reply).ok()?;
        reply.strip_suffix('\n').map(str::to_string)
    }

    /// The entries of the error queue.
    pub fn errors(&mut self) -> Vec<String> {
        errors(|query| self.ask(query))
    }

    /// The head has no speed to hold and no armed laser.
    pub fn is_safe(&mut self) -> bool {
        self.ask("ROT:TARG?;:LAS:ARM?") == "9.91E+37;0"
    }

    /// How long it takes until it is safe.
    pub fn until_safe(&mut self) -> Duration {
        let from = Instant::now();
        while !self.is_safe() {
            assert!(from.elapsed() < PATIENCE, "it never became safe");
            std::thread::sleep(Duration::from_millis(2));
        }
        from.elapsed()
    }
}
