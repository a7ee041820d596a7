//! Cables between serial lines, which pseudo-terminals stand for: what goes in at one end comes out
//! at the other, until the cable is cut or pulled out.

use crate::wire::bench::{PATIENCE, Server};
use serialport::{SerialPort, TTYPort};
use std::io::{Read, Write};
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

/// Two lines with a cable between them.
pub struct Cable {
    /// The line of the server, by a name that stays when its device is another one.
    pub socket: PathBuf,
    /// What a client writes.
    pub address: String,
    cut: Arc<AtomicBool>,
    pulled: Arc<AtomicBool>,
    carriers: Vec<JoinHandle<()>>,
}

static NUMBER: AtomicU32 = AtomicU32::new(0);

fn named() -> PathBuf {
    let number = NUMBER.fetch_add(1, Ordering::SeqCst);
    std::env::temp_dir().join(format!("spintrue-line-{}-{number}", std::process::id()))
}

/// The inside of a new line, whose device has that name from now on.
pub fn line(name: &Path) -> TTYPort {
    let (mut inside, end) = TTYPort::pair().unwrap();
    let _ = std::fs::remove_file(name);
    symlink(end.name().unwrap(), name).unwrap();
    inside.set_timeout(Duration::from_millis(20)).unwrap();
    inside
}

/// Writes what the other end takes when it takes it.
fn carried(to: &mut TTYPort, mut bytes: &[u8], cut: &AtomicBool, pulled: &AtomicBool) {
    while !bytes.is_empty() && !cut.load(Ordering::SeqCst) && !pulled.load(Ordering::SeqCst) {
        match to.write(bytes) {
            Ok(count) => bytes = &bytes[count..],
            Err(error) if error.kind() == std::io::ErrorKind::TimedOut => {}
            // The other end is not open.
            Err(_) => return,
        }
    }
}

impl Cable {
    pub fn new() -> Cable {
        Cable::to(named())
    }

    /// A new cable to the same place.
    pub fn to(socket: PathBuf) -> Cable {
        let (near, client) = (line(&socket), named());
        let far = line(&client);
        let (cut, pulled) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
        let carry = |from: &TTYPort, to: &TTYPort| {
            let (mut from, mut to) =
                (from.try_clone_native().unwrap(), to.try_clone_native().unwrap());
            let (cut, pulled) = (Arc::clone(&cut), Arc::clone(&pulled));
            thread::spawn(move || {
                let mut chunk = [0; 4096];
                while !pulled.load(Ordering::SeqCst) {
                    match from.read(&mut chunk) {
                        Ok(count) if !cut.load(Ordering::SeqCst) => {
                            carried(&mut to, &chunk[..count], &cut, &pulled);
                        }
                        Ok(_) => {}
                        // Nothing came, or the other end is not open.
                        Err(_) => thread::sleep(Duration::from_millis(1)),
                    }
                }
            })
        };
        let carriers = vec![carry(&near, &far), carry(&far, &near)];
        let address = format!("serial://{}?baud=921600", client.display());
        Cable { socket, address, cut, pulled, carriers }
    }

    /// A server on the line, with a socket beside for observers.
    pub fn server(&self, options: &[&str]) -> Server {
        let listen = format!("serial://{}?baud=921600", self.socket.display());
        Server::with(&[&["--listen", &listen], options].concat())
    }

    /// From now on nothing comes through.
    pub fn cut(&self) {
        self.cut.store(true, Ordering::SeqCst);
    }

    /// What comes through again, or for the first time.
    pub fn mend(&self) {
        self.cut.store(false, Ordering::SeqCst);
    }

    /// Both lines are gone.
    pub fn pull(&mut self) {
        self.pulled.store(true, Ordering::SeqCst);
        for carrier in self.carriers.drain(..) {
            carrier.join().unwrap();
        }
    }
}

impl Drop for Cable {
    fn drop(&mut self) {
        self.pull();
        let _ = std::fs::remove_file(&self.socket);
        let client = self.address.trim_start_matches("serial://").split('?').next().unwrap();
        let _ = std::fs::remove_file(client);
    }
}

/// A client that holds the other end of a server's line in its hand.
pub struct Hand {
    pub port: TTYPort,
    name: PathBuf,
    behind: Vec<u8>,
}

impl Hand {
    /// With a server on the line.
    pub fn new(options: &[&str]) -> (Hand, Server) {
        let name = named();
        let port = line(&name);
        let listen = format!("serial://{}", name.display());
        let server = Server::with(&[&["--listen", &listen], options].concat());
        (Hand { port, name, behind: Vec::new() }, server)
    }

    pub fn say(&mut self, bytes: impl AsRef<[u8]>) {
        let mut message = bytes.as_ref().to_vec();
        message.push(b'\n');
        let never = AtomicBool::new(false);
        carried(&mut self.port, &message, &never, &never);
    }

    pub fn hear(&mut self) -> String {
        let from = Instant::now();
        loop {
            if let Some(end) = self.behind.iter().position(|byte| *byte == b'\n') {
                let line: Vec<u8> = self.behind.drain(..=end).collect();
                return String::from_utf8_lossy(&line[..end]).into_owned();
            }
            assert!(from.elapsed() < PATIENCE, "no reply came");
            let mut chunk = [0; 4096];
            if let Ok(count) = self.port.read(&mut chunk) {
                self.behind.extend_from_slice(&chunk[..count]);
            }
        }
    }

    pub fn ask(&mut self, message: &str) -> String {
        self.say(message);
        self.hear()
    }

    /// The entries of the error queue.
    pub fn errors(&mut self) -> Vec<String> {
        crate::line::errors(|query| self.ask(query))
    }
}

impl Drop for Hand {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.name);
    }
}
