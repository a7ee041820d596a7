//! Sends replies to a client without holding up the thread of the head. Uses the lines.

#![allow(
    clippy::disallowed_types,
    clippy::disallowed_methods,
    reason = "the wire is made of sockets"
)]

use crate::system::is_pause;
use std::io::{ErrorKind, Write};
use std::net::{Shutdown, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::{Duration, Instant};

/// Longest wait of the thread of the head until a socket takes some of a reply. What it does not take
/// at once goes out later: a client that reads nothing must not keep the head from being made safe.
pub(crate) const TAKE_SOME: Duration = Duration::from_millis(1);

/// Time in which a client at a socket must take its reply.
const TAKE_ALL: Duration = Duration::from_millis(500);

/// Bytes of replies that wait for a socket, but for a single one that is longer.
const MAX_PENDING: usize = 1024 * 1024;

/// Between two looks of a line_writer whether it is to go on.
const LOOK: Duration = Duration::from_millis(50);

/// Bytes of replies that wait for a serial line.
const MAX_WAITING: usize = 256 * 1024;

/// Whether a reply was sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Sent {
    /// It went out, or will.
    Yes,
    /// The client does not take it, and is to be disconnected.
    Never,
    /// It was thrown away: too much waits for the line already.
    TooMuch,
}

/// Sends replies to a client.
pub(crate) enum ReplySender {
    /// Its socket.
    Socket(Socket),
    /// Its serial line, which is slow: another thread writes to it.
    Line(Outbox),
}

impl ReplySender {
    /// It hangs up by itself only at a socket.
    pub(crate) fn is_line(&self) -> bool {
        matches!(self, ReplySender::Line(_))
    }

    /// Sends a reply.
    pub(crate) fn send(&mut self, reply: Vec<u8>) -> Sent {
        match self {
            ReplySender::Socket(socket) => socket.send(reply),
            ReplySender::Line(outbox) => outbox.put(reply),
        }
    }

    /// Sends more of what could not be sent at once.
    pub(crate) fn send_more(&mut self) -> Sent {
        match self {
            ReplySender::Socket(socket) if !socket.pending.is_empty() => socket.push(),
            _ => Sent::Yes,
        }
    }

    /// Hangs up, where that can be done.
    pub(crate) fn hang_up(&self) {
        if let ReplySender::Socket(socket) = self {
            // It may have hung up before.
            let _ = socket.stream.shutdown(Shutdown::Both);
        }
    }
}

/// A socket, and what it has not taken yet.
pub(crate) struct Socket {
    stream: TcpStream,
    pending: Vec<u8>,
    /// When it last took all.
    since: Instant,
}

impl Socket {
    /// Of a stream that waits for [`TAKE_SOME`] when it is written to.
    pub(crate) fn new(stream: TcpStream) -> Socket {
        Socket { stream, pending: Vec::new(), since: Instant::now() }
    }

    fn send(&mut self, reply: Vec<u8>) -> Sent {
        if self.pending.is_empty() {
            self.since = Instant::now();
            self.pending = reply;
            return self.push();
        }
        // Another try would be another wait.
        if self.pending.len() + reply.len() > MAX_PENDING {
            return Sent::Never;
        }
        self.pending.extend(reply);
        Sent::Yes
    }

    fn push(&mut self) -> Sent {
        let mut taken = 0;
        while let Some(rest) = self.pending.get(taken..).filter(|rest| !rest.is_empty()) {
            match self.stream.write(rest) {
                Ok(0) => return Sent::Never,
                Ok(count) => taken += count,
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) if is_pause(&error) => break,
                Err(_) => return Sent::Never,
            }
        }
        self.pending.drain(..taken);
        if self.pending.is_empty() || self.since.elapsed() < TAKE_ALL {
            Sent::Yes
        } else {
            Sent::Never
        }
    }
}

/// Replies that wait for a serial line.
pub(crate) struct Outbox {
    waiting: Arc<AtomicUsize>,
    replies: Sender<Vec<u8>>,
}

impl Outbox {
    /// An outbox and the line_writer that empties it.
    pub(crate) fn new() -> (Outbox, LineWriter) {
        let waiting = Arc::new(AtomicUsize::new(0));
        let (replies, take) = channel();
        (Outbox { waiting: Arc::clone(&waiting), replies }, LineWriter { waiting, take })
    }

    fn put(&self, reply: Vec<u8>) -> Sent {
        let waiting = self.waiting.load(Ordering::SeqCst);
        // One that is long by itself may go.
        if waiting > 0 && waiting + reply.len() > MAX_WAITING {
            return Sent::TooMuch;
        }
        self.waiting.fetch_add(reply.len(), Ordering::SeqCst);
        // Without a writer the line is gone, which its reader tells.
        let _ = self.replies.send(reply);
        Sent::Yes
    }
}

/// Carries what is in an outbox to a line.
pub(crate) struct LineWriter {
    waiting: Arc<AtomicUsize>,
    take: Receiver<Vec<u8>>,
}

impl LineWriter {
    /// Until the outbox is dropped, the line breaks, or `over`.
    pub(crate) fn run(self, writer: &mut dyn Write, over: &AtomicBool) {
        while !over.load(Ordering::SeqCst) {
            let reply = match self.take.recv_timeout(LOOK) {
                Ok(reply) => reply,
                Err(RecvTimeoutError::Timeout) => continue,
                Err(RecvTimeoutError::Disconnected) => return,
            };
            let mut bytes = reply.as_slice();
            while !bytes.is_empty() && !over.load(Ordering::SeqCst) {
                match writer.write(bytes) {
                    Ok(0) => return,
                    Ok(count) => bytes = bytes.get(count..).unwrap_or_default(),
                    Err(error) if error.kind() == ErrorKind::Interrupted || is_pause(&error) => {}
                    Err(_) => return,
                }
            }
            self.waiting.fetch_sub(reply.len(), Ordering::SeqCst);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{MAX_WAITING, Outbox, Sent};
    use std::sync::atomic::AtomicBool;

    #[test]
    fn what_waits_for_a_line_is_bounded() {
        let (outbox, line_writer) = Outbox::new();
        let reply = vec![b'x'; MAX_WAITING / 2];
        assert_eq!(outbox.put(reply.clone()), Sent::Yes);
        assert_eq!(outbox.put(reply.clone()), Sent::Yes);
        assert_eq!(outbox.put(vec![b'x']), Sent::TooMuch);
        drop(outbox);
        let mut all = Vec::new();
        line_writer.run(&mut all, &AtomicBool::new(false));
        assert_eq!(all.len(), MAX_WAITING);
    }
}
