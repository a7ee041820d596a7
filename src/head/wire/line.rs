//! Serial lines: how one is opened, at either end, and written to without ever waiting for its
//! driver. Uses what is read from.

use crate::wire::incoming::Incoming;
use std::fmt;
use std::io::{self, Write};
#[cfg(feature = "serial")]
use std::time::Duration;

/// Bits per second where nothing else is said.
pub const DEFAULT_BAUD: u32 = 115_200;

/// Longest wait of one read or write, so that the caller can react in between.
#[cfg(feature = "serial")]
const LOOK: Duration = Duration::from_millis(50);

/// A serial line: 8 data bits, no parity, 1 stop bit, no handshake.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SerialLine {
    /// Such as `/dev/ttyUSB0`.
    pub device: String,
    /// Bits per second.
    pub baud: u32,
}

impl fmt::Display for SerialLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.device)
    }
}

/// What is read from a line, and what is written to it.
pub(crate) type Ends = (Box<dyn Incoming + Send>, Box<dyn Write + Send>);

impl SerialLine {
    /// Opens it for this process alone.
    #[cfg(feature = "serial")]
    pub fn open(&self) -> io::Result<Ends> {
        let port = serialport::new(&self.device, self.baud).timeout(LOOK).open()?;
        let writer = Bytewise(port.try_clone()?);
        Ok((Box::new(port), Box::new(writer)))
    }

    /// Fails: built without the feature `serial`.
    #[cfg(not(feature = "serial"))]
    pub fn open(&self) -> io::Result<Ends> {
        let why = "this program was built without the feature `serial`";
        Err(io::Error::new(io::ErrorKind::Unsupported, why))
    }

    /// Time in s that bytes take, of ten bits each.
    pub fn carries(&self, bytes: f64) -> f64 {
        10.0 * bytes / f64::from(self.baud)
    }
}

/// The serial lines of this machine: each device with what it says it is, which may be nothing.
#[cfg(feature = "serial")]
pub fn serial_lines() -> Vec<(String, String)> {
    let described = |port: serialport::SerialPortInfo| {
        let about = match port.port_type {
            serialport::SerialPortType::UsbPort(usb) => {
                let words = [usb.manufacturer, usb.product, usb.serial_number];
                words.into_iter().flatten().collect::<Vec<_>>().join(", ")
            }
            _ => String::new(),
        };
        (port.port_name, about)
    };
    // What cannot be listed is not there.
    serialport::available_ports().unwrap_or_default().into_iter().map(described).collect()
}

/// Writes one byte at a time: a driver that is ready takes one byte at once, but may block a longer
/// write until the other end reads.
#[cfg(feature = "serial")]
struct Bytewise(Box<dyn serialport::SerialPort>);

#[cfg(feature = "serial")]
impl Write for Bytewise {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match bytes.get(..1) {
            Some(byte) => self.0.write(byte),
            None => Ok(0),
        }
    }

    /// Nothing is kept back, and waiting until all has gone out could take for ever.
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
