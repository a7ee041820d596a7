//! A link to a device: one request out, one reply in, all of it within a time limit. Uses requests.
//!
//! A link that broke is made anew by the next call. What was read is asked for again where the link
//! broke on the way; what was written is not, since the device may have acted already.

#![allow(
    clippy::disallowed_types,
    clippy::disallowed_methods,
    reason = "a device is reached by a socket, within a time on the wall"
)]

use crate::modbus::place::Place;
use crate::modbus::reply::{HEADER, LinkError, Operation, Request};
use std::io::{self, ErrorKind, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::{Duration, Instant};

/// Where a device is, and the link to it while there is one.
pub(super) struct Link {
    address: SocketAddr,
    unit: u8,
    silence: Duration,
    stream: Option<TcpStream>,
    /// Number of the last transaction.
    number: u16,
}

impl Link {
    /// Connects with the first call.
    pub(super) fn new(address: SocketAddr, unit: u8, silence: Duration) -> Link {
        Link { address, unit, silence, stream: None, number: 0 }
    }

    /// Asks, and gives the words that came back; gives up after the time limit.
    pub(super) fn ask(
        &mut self,
        place: &Place,
        operation: Operation<'_>,
    ) -> Result<Vec<u16>, LinkError> {
        let until = Instant::now() + self.silence;
        let had_link = self.stream.is_some();
        match self.once(place, operation, until) {
            // The device closed a link that had been idle, or was started anew.
            Err(LinkError::Broke(_)) if operation.is_read() => self.once(place, operation, until),
            Err(LinkError::Unsent(_)) if had_link => self.once(place, operation, until),
            other => other,
        }
    }

    fn once(
        &mut self,
        place: &Place,
        operation: Operation<'_>,
        until: Instant,
    ) -> Result<Vec<u16>, LinkError> {
        // Put back only where the exchange ended as it should: a late reply is dropped.
        let mut stream = match self.stream.take().filter(is_idle) {
            Some(stream) => stream,
            None => self.connected(until)?,
        };
        self.number = self.number.wrapping_add(1);
        let request = Request::new(self.unit, self.number, place, operation);
        self.send(&mut stream, &request.frame, until)?;
        let mut header = [0; HEADER];
        self.fill(&mut stream, &mut header, until, 0)?;
        let rest = request.rest(&header)?;
        let mut reply = header.to_vec();
        reply.resize(HEADER + rest, 0);
        self.fill(&mut stream, reply.get_mut(HEADER..).unwrap_or_default(), until, HEADER)?;
        let answer = request.read(&reply);
        if matches!(answer, Ok(_) | Err(LinkError::Exception(_))) {
            self.stream = Some(stream);
        }
        answer
    }

    fn connected(&self, until: Instant) -> Result<TcpStream, LinkError> {
        let seconds = self.silence.as_secs_f64();
        let late = || format!("it does not take a connection within {seconds} s");
        let Some(left) = left(until) else { return Err(LinkError::Unsent(late())) };
        let connected = TcpStream::connect_timeout(&self.address, left);
        let set = connected.and_then(|stream| stream.set_nodelay(true).map(|()| stream));
        set.map_err(|error| {
            LinkError::Unsent(match error.kind() {
                ErrorKind::ConnectionRefused => {
                    "it refuses the connection: nothing listens there".to_string()
                }
                ErrorKind::TimedOut | ErrorKind::WouldBlock => late(),
                _ => format!("it cannot be connected to: {error}"),
            })
        })
    }

    fn send(&self, stream: &mut TcpStream, frame: &[u8], until: Instant) -> Result<(), LinkError> {
        let mut sent = 0;
        while let Some(part) = frame.get(sent..).filter(|part| !part.is_empty()) {
            let Some(left) = left(until) else { break };
            match stream.set_write_timeout(Some(left)).and_then(|()| stream.write(part)) {
                Ok(0) => break,
                Ok(count) => sent += count,
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) if is_late(&error) => break,
                Err(error) => return Err(broke(sent, format!("the link broke: {error}"))),
            }
        }
        if sent == frame.len() && sent > 0 {
            return Ok(());
        }
        Err(broke(sent, format!("it takes nothing for {} s", self.silence.as_secs_f64())))
    }

    /// Reads a reply of this length, of which `before` has arrived already.
    fn fill(
        &self,
        stream: &mut TcpStream,
        into: &mut [u8],
        until: Instant,
        before: usize,
    ) -> Result<(), LinkError> {
        let mut some = 0;
        while let Some(part) = into.get_mut(some..).filter(|part| !part.is_empty()) {
            let come = match left(until) {
                Some(left) => stream.set_read_timeout(Some(left)).and_then(|()| stream.read(part)),
                None => Err(ErrorKind::TimedOut.into()),
            };
            let inside = if before + some > 0 { " inside its reply" } else { "" };
            match come {
                Ok(0) => return Err(LinkError::Broke(format!("it hung up{inside}"))),
                Ok(count) => some += count,
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) if is_late(&error) => {
                    let seconds = self.silence.as_secs_f64();
                    let what =
                        if before + some > 0 { "its reply did not end" } else { "no reply came" };
                    return Err(LinkError::Unanswered(format!("{what} within {seconds} s")));
                }
                Err(error) => {
                    return Err(LinkError::Broke(format!("the link broke{inside}: {error}")));
                }
            }
        }
        Ok(())
    }
}

/// A part of a request is nothing that a device acts on; but a whole one may have gone.
fn broke(sent: usize, why: String) -> LinkError {
    if sent == 0 { LinkError::Unsent(why) } else { LinkError::Broke(why) }
}

fn is_late(error: &io::Error) -> bool {
    matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut)
}

/// What is left until then; none where that is over.
fn left(until: Instant) -> Option<Duration> {
    Some(until.saturating_duration_since(Instant::now())).filter(|left| !left.is_zero())
}

/// The link stands, and no unexpected byte waits in it.
fn is_idle(stream: &TcpStream) -> bool {
    let waits = stream.set_nonblocking(true).and_then(|()| stream.peek(&mut [0]));
    let quiet = matches!(waits, Err(error) if error.kind() == ErrorKind::WouldBlock);
    quiet && stream.set_nonblocking(false).is_ok()
}
