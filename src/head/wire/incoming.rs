//! What a reader reads from: bytes as they come, and whether some wait already. Uses nothing.

#![allow(
    clippy::disallowed_types,
    clippy::disallowed_methods,
    reason = "the wire is made of sockets"
)]

use std::io::{ErrorKind, Read};
use std::net::TcpStream;

/// Bytes of a client.
pub trait Incoming: Read {
    /// No byte waits to be read. Does not wait itself; false where that cannot be told.
    fn is_drained(&mut self) -> bool;
}

impl Incoming for TcpStream {
    fn is_drained(&mut self) -> bool {
        // A write to the socket meanwhile only has its wait cut short.
        if self.set_nonblocking(true).is_err() {
            return false;
        }
        let waiting = self.peek(&mut [0]);
        self.set_nonblocking(false).is_ok()
            && waiting.is_err_and(|error| error.kind() == ErrorKind::WouldBlock)
    }
}

#[cfg(feature = "serial")]
impl Incoming for Box<dyn serialport::SerialPort> {
    fn is_drained(&mut self) -> bool {
        self.bytes_to_read().is_ok_and(|count| count == 0)
    }
}
