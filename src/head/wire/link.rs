//! A link to a server: messages out, whole replies in, both within time limits; and a word now and
//! then from a thread of its own, so that the server knows that the client is there. Uses the framer.

#![allow(
    clippy::disallowed_types,
    clippy::disallowed_methods,
    reason = "the wire is made of sockets"
)]

use crate::system::{io_reason, is_pause};
use crate::wire::frame::{Frame, Framer};
use crate::wire::line::SerialLine;
use crate::wire::words::seconds;
use std::fmt;
use std::io::{self, ErrorKind, Read, Write};
use std::net::{Shutdown, TcpStream, ToSocketAddrs};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};
use thiserror::Error;

/// Longest wait for a connection, for each address of a host.
const MAX_CONNECT: Duration = Duration::from_secs(2);

/// Longest wait until the other end takes some bytes.
const MAX_WRITE: Duration = Duration::from_secs(2);

/// Longest time in which a serial line is emptied before it is used.
const SETTLING: Duration = Duration::from_millis(500);

/// Between two looks at the clock and at whether to go on, while a reply is waited for.
const LOOK: Duration = Duration::from_millis(50);

/// Ends a message that another program began: with a byte that stands in none, so that it does nothing.
const SPOILT: &[u8] = b"!\n";

/// Bytes that a reply may have, in its blocks and outside.
const MAX_REPLY: usize = 16 * 1024 * 1024;

/// When the heartbeat is sent to the server.
#[derive(Debug, Default)]
pub(crate) struct Pulse {
    /// A call is under way, or time is let pass on purpose.
    pub busy: AtomicBool,
    /// The laser is armed: then only calls count, so that a program that hangs loses control.
    pub armed: AtomicBool,
    over: AtomicBool,
}

/// Where a server is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum WirePlace {
    /// `HOST:PORT`.
    Socket(String),
    /// A serial line.
    Serial(SerialLine),
}

impl fmt::Display for WirePlace {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            WirePlace::Socket(place) => f.write_str(place),
            WirePlace::Serial(line) => line.fmt(f),
        }
    }
}

type Writer = Arc<Mutex<Box<dyn Write + Send>>>;

/// Why no reply came, after which the link is of no use.
#[derive(Debug, Error)]
#[error("{0}")]
pub(crate) struct LinkError(pub String);

impl From<io::Error> for LinkError {
    fn from(error: io::Error) -> LinkError {
        LinkError(format!("the link broke: {}", io_reason(&error)))
    }
}

/// Why there is no link.
#[derive(Debug, Error)]
#[error("{why}")]
pub(crate) struct Unlinked {
    /// In words.
    pub why: String,
    /// No server listens there, so that none notices the silence either.
    pub refused: bool,
}

impl From<String> for Unlinked {
    fn from(why: String) -> Unlinked {
        Unlinked { why, refused: false }
    }
}

/// A link that stands.
pub(crate) struct Link {
    reader: Box<dyn Read + Send>,
    writer: Writer,
    /// What hangs up; a serial line cannot.
    socket: Option<TcpStream>,
    framer: Framer,
    pulse: Arc<Pulse>,
    beat: Option<JoinHandle<()>>,
}

impl Link {
    /// Connects; says why it cannot.
    pub(crate) fn open(place: &WirePlace, pulse: Arc<Pulse>) -> Result<Link, Unlinked> {
        let why = |error: &io::Error| {
            Unlinked::from(format!("cannot connect to {place}: {}", io_reason(error)))
        };
        let address = match place {
            WirePlace::Socket(address) => address,
            WirePlace::Serial(line) => return serial(line, pulse).map_err(|error| why(&error)),
        };
        let found = address.to_socket_addrs().map_err(|error| why(&error))?;
        let mut last = why(&io::Error::other("the name has no address"));
        for address in found.take(4) {
            match TcpStream::connect_timeout(&address, MAX_CONNECT) {
                Ok(stream) => return Link::over(stream, pulse).map_err(|error| why(&error)),
                Err(error) => {
                    let refused = error.kind() == ErrorKind::ConnectionRefused;
                    last = Unlinked { refused, ..why(&error) };
                }
            }
        }
        Err(last)
    }

    fn over(stream: TcpStream, pulse: Arc<Pulse>) -> io::Result<Link> {
        stream.set_nodelay(true)?;
        stream.set_read_timeout(Some(LOOK))?;
        stream.set_write_timeout(Some(MAX_WRITE))?;
        let (reader, writer) = (Box::new(stream.try_clone()?), Box::new(stream.try_clone()?));
        Ok(Link::of(reader, writer, Some(stream), pulse))
    }

    fn of(
        reader: Box<dyn Read + Send>,
        writer: Box<dyn Write + Send>,
        socket: Option<TcpStream>,
        pulse: Arc<Pulse>,
    ) -> Link {
        let writer = Arc::new(Mutex::new(writer));
        Link { reader, writer, socket, framer: Framer::new(MAX_REPLY), pulse, beat: None }
    }

    /// From here on sends a heartbeat every `every`.
    pub(crate) fn keep_alive(&mut self, every: Duration) -> io::Result<()> {
        let (pulse, writer) = (Arc::clone(&self.pulse), Arc::clone(&self.writer));
        let beating = thread::Builder::new().name("keep-alive".to_string()).spawn(move || {
            while !pulse.over.load(Ordering::SeqCst) {
                thread::park_timeout(every);
                let armed = pulse.armed.load(Ordering::SeqCst);
                let over = pulse.over.load(Ordering::SeqCst);
                if !over && (!armed || pulse.busy.load(Ordering::SeqCst)) {
                    // A link that broke is found out by the next call.
                    let _ = sent(&writer, b"\n");
                }
            }
        })?;
        self.beat = Some(beating);
        Ok(())
    }

    /// Ends a message that another program began on a serial line, so that it does nothing, and throws
    /// away its reply and all before.
    pub(crate) fn anew(&mut self) -> io::Result<()> {
        sent(&self.writer, SPOILT)?;
        self.framer = Framer::new(MAX_REPLY);
        let mut junk = [0; 4096];
        let until = Instant::now() + SETTLING;
        while Instant::now() < until && self.reader.read(&mut junk).is_ok_and(|count| count > 0) {}
        Ok(())
    }

    /// Sends a message without its newline and gives the reply without its own; or says why there
    /// is none, after which the link is of no use. Does not go on waiting where it is `over`.
    pub(crate) fn ask(
        &mut self,
        message: &[u8],
        most: Duration,
        over: &dyn Fn() -> bool,
    ) -> Result<Vec<u8>, LinkError> {
        let mut whole = message.to_vec();
        whole.push(b'\n');
        sent(&self.writer, &whole)?;
        let deadline = Instant::now() + most;
        let mut frames: Vec<Frame> = Vec::new();
        let mut chunk = [0; 8192];
        let mut some = 0;
        loop {
            match self.reader.read(&mut chunk) {
                Ok(0) => {
                    let inside = if some > 0 { " inside its reply" } else { "" };
                    return Err(LinkError(format!("the other end hung up{inside}")));
                }
                Ok(count) => {
                    some += count;
                    let bytes = chunk.get(..count).unwrap_or_default();
                    self.framer.feed(bytes, MAX_REPLY, &mut frames);
                }
                Err(error) if error.kind() == ErrorKind::Interrupted || is_pause(&error) => {}
                Err(error) => return Err(error.into()),
            }
            let mut come = frames.drain(..);
            match (come.next(), come.next()) {
                (None, _) => {}
                (Some(Ok(reply)), None) => return Ok(reply),
                (Some(Err(error)), _) => {
                    return Err(LinkError(format!("the reply makes no sense: {error}")));
                }
                (Some(Ok(_)), Some(_)) => {
                    return Err(LinkError("more came back than was asked for".to_string()));
                }
            }
            drop(come);
            if Instant::now() >= deadline {
                let what = if some > 0 { "the reply did not end" } else { "no reply came" };
                return Err(LinkError(format!("{what} within {}", seconds(most.as_secs_f64()))));
            }
            if over() {
                return Err(LinkError("it was cut short".to_string()));
            }
        }
    }
}

impl Drop for Link {
    fn drop(&mut self) {
        self.pulse.over.store(true, Ordering::SeqCst);
        if let Some(beat) = self.beat.take() {
            beat.thread().unpark();
            // It holds a serial line, which is free for the next program only then.
            if self.socket.is_none() {
                let _ = beat.join();
            }
        }
        if let Some(socket) = &self.socket {
            // The other end may have hung up before.
            let _ = socket.shutdown(Shutdown::Both);
        }
    }
}

/// Opens a serial line, and forgets what stood in it.
fn serial(line: &SerialLine, pulse: Arc<Pulse>) -> io::Result<Link> {
    let (reader, writer) = line.open()?;
    let mut link = Link::of(reader, writer, None, pulse);
    link.anew()?;
    Ok(link)
}

/// Sends bytes as long as the other end takes some now and then.
fn sent(writer: &Writer, mut bytes: &[u8]) -> io::Result<()> {
    let mut writer = writer.lock().unwrap_or_else(PoisonError::into_inner);
    let mut last = Instant::now();
    while !bytes.is_empty() {
        match writer.write(bytes) {
            Ok(0) => return Err(ErrorKind::WriteZero.into()),
            Ok(count) => {
                bytes = bytes.get(count..).unwrap_or_default();
                last = Instant::now();
            }
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            // A serial line may take nothing for a while.
            Err(error) if is_pause(&error) && last.elapsed() < MAX_WRITE => {}
            Err(error) => return Err(error),
        }
    }
    Ok(())
}
