//! A link to a server: messages out, whole replies in, both within time limits; and a word now and
//! then from a thread of its own, so that the server knows that somebody is there. Uses the framer.

#![allow(
    clippy::disallowed_types,
    clippy::disallowed_methods,
    reason = "the wire is made of sockets"
)]

use crate::head::wire::frame::{Frame, Framer};
use std::io::{ErrorKind, Read, Write};
use std::net::{Shutdown, TcpStream, ToSocketAddrs};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{self, Thread};
use std::time::{Duration, Instant};

/// Longest wait for a connection, for each address of a host.
const CONNECT_MOST: Duration = Duration::from_secs(2);

/// Longest wait until the other end takes some bytes.
const WRITE_MOST: Duration = Duration::from_secs(2);

/// Between two looks at the clock and at whether to go on, while a reply is waited for.
const LOOK: Duration = Duration::from_millis(50);

/// Bytes that a reply may have, in its blocks and outside.
const REPLY_MOST: usize = 16 * 1024 * 1024;

/// When the server may be told that somebody is there.
#[derive(Debug, Default)]
pub struct Pulse {
    /// A call is under way, or somebody waits on purpose.
    pub busy: AtomicBool,
    /// The laser is armed: then only calls count, so that a program that hangs loses control.
    pub armed: AtomicBool,
    over: AtomicBool,
}

/// A link that stands.
pub struct Link {
    reader: TcpStream,
    writer: Arc<Mutex<TcpStream>>,
    framer: Framer,
    pulse: Arc<Pulse>,
    beat: Option<Thread>,
}

impl Link {
    /// Connects; says why it cannot.
    pub fn open(place: &str, pulse: Arc<Pulse>) -> Result<Link, String> {
        let why = |error: &dyn std::fmt::Display| format!("cannot connect to {place}: {error}");
        let found = place.to_socket_addrs().map_err(|error| why(&error))?;
        let mut last = why(&"the name has no address");
        for address in found.take(4) {
            match TcpStream::connect_timeout(&address, CONNECT_MOST) {
                Ok(stream) => return Link::over(stream, pulse).map_err(|error| why(&error)),
                Err(error) => last = why(&error),
            }
        }
        Err(last)
    }

    fn over(stream: TcpStream, pulse: Arc<Pulse>) -> std::io::Result<Link> {
        stream.set_nodelay(true)?;
        stream.set_read_timeout(Some(LOOK))?;
        stream.set_write_timeout(Some(WRITE_MOST))?;
        let writer = Arc::new(Mutex::new(stream.try_clone()?));
        let framer = Framer::new(REPLY_MOST);
        Ok(Link { reader: stream, writer, framer, pulse, beat: None })
    }

    /// From here on says every `every` that somebody is there.
    pub fn keep_alive(&mut self, every: Duration) -> std::io::Result<()> {
        let (pulse, writer) = (Arc::clone(&self.pulse), Arc::clone(&self.writer));
        let beating = thread::Builder::new().name("keep-alive".to_string()).spawn(move || {
            while !pulse.over.load(Ordering::SeqCst) {
                thread::park_timeout(every);
                let armed = pulse.armed.load(Ordering::SeqCst);
                let over = pulse.over.load(Ordering::SeqCst);
                if !over && (!armed || pulse.busy.load(Ordering::SeqCst)) {
                    let mut writer = writer.lock().unwrap_or_else(PoisonError::into_inner);
                    // A link that broke is found out by the next call.
                    let _ = writer.write_all(b"\n");
                }
            }
        })?;
        self.beat = Some(beating.thread().clone());
        Ok(())
    }

    /// Sends a message without its newline and gives the reply without its own; or says why there
    /// is none, after which the link is of no use. Looks at `cut` whether to go on waiting.
    pub fn ask(
        &mut self,
        message: &[u8],
        most: Duration,
        cut: &AtomicBool,
    ) -> Result<Vec<u8>, String> {
        let deadline = Instant::now() + most;
        let mut whole = message.to_vec();
        whole.push(b'\n');
        {
            let mut writer = self.writer.lock().unwrap_or_else(PoisonError::into_inner);
            writer.write_all(&whole).map_err(|error| format!("the link broke: {error}"))?;
        }
        let mut frames: Vec<Frame> = Vec::new();
        let mut chunk = [0; 8192];
        let mut some = 0;
        loop {
            match self.reader.read(&mut chunk) {
                Ok(0) => {
                    let where_ = if some > 0 { " inside its reply" } else { "" };
                    return Err(format!("the other end hung up{where_}"));
                }
                Ok(count) => {
                    some += count;
                    let bytes = chunk.get(..count).unwrap_or_default();
                    self.framer.feed(bytes, REPLY_MOST, &mut frames);
                }
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error)
                    if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {}
                Err(error) => return Err(format!("the link broke: {error}")),
            }
            let mut come = frames.drain(..);
            match (come.next(), come.next()) {
                (None, _) => {}
                (Some(Ok(reply)), None) => return Ok(reply),
                (Some(Err(error)), _) => return Err(format!("the reply makes no sense: {error}")),
                (Some(Ok(_)), Some(_)) => {
                    return Err("more came back than was asked for".to_string());
                }
            }
            drop(come);
            if Instant::now() >= deadline {
                let part = if some > 0 { "the reply did not end" } else { "no reply came" };
                return Err(format!("{part} within {} s", most.as_secs_f64()));
            }
            if cut.load(Ordering::SeqCst) {
                return Err("it was cut short".to_string());
            }
        }
    }
}

impl Drop for Link {
    fn drop(&mut self) {
        self.pulse.over.store(true, Ordering::SeqCst);
        if let Some(beat) = &self.beat {
            beat.unpark();
        }
        // The other end may have hung up before.
        let _ = self.reader.shutdown(Shutdown::Both);
    }
}
