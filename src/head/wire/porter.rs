//! Who admits clients at sockets and serial lines, watches over silence, and hears of the end. Uses
//! the readers.
//!
//! Where all places are taken, those who have said nothing yet, or not the secret where one is asked
//! for, make room, from where most of them come first, so that nobody is kept out by strangers.

#![allow(
    clippy::disallowed_types,
    clippy::disallowed_methods,
    reason = "the wire is made of sockets"
)]

use crate::head::wire::errors::WireError;
use crate::head::wire::gate::Origin;
use crate::head::wire::line::{Ends, Line};
use crate::head::wire::peer::{Outbox, Peer, Socket, TAKE_SOME};
use crate::head::wire::reader::{Event, Guest, Hall, PAUSE, Reader};
use std::io::Write;
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

/// Clients at sockets at a time.
pub const CLIENTS_MOST: usize = 8;

/// Between two looks for new clients, silence and a request to end.
const LOOK: Duration = Duration::from_millis(5);

/// Between two attempts to open a line that went away.
const AGAIN: Duration = Duration::from_secs(1);

/// Where clients come in.
pub enum Door {
    /// Any number of them, at a socket.
    Socket(TcpListener),
    /// One, at a serial line.
    Line(Line, Ends),
}

impl Door {
    /// Opens a door at an address; port 0 takes a free one.
    pub fn socket(address: SocketAddr) -> std::io::Result<Door> {
        TcpListener::bind(address).map(Door::Socket)
    }

    /// Opens a serial line.
    pub fn line(line: Line) -> std::io::Result<Door> {
        let ends = line.open()?;
        Ok(Door::Line(line, ends))
    }

    /// Its address, as a client writes it.
    pub fn at(&self) -> std::io::Result<String> {
        Ok(match self {
            Door::Socket(listener) => format!("tcp://{}", listener.local_addr()?),
            Door::Line(line, _) => format!("serial://{}?baud={}", line.device, line.baud),
        })
    }
}

/// A client at a socket, with what hangs up on it and who reads there.
struct Inside {
    client: Guest,
    socket: TcpStream,
    reader: JoinHandle<()>,
}

/// Admits clients.
pub struct Porter {
    sockets: Vec<TcpListener>,
    lines: Vec<JoinHandle<()>>,
    inside: Vec<Inside>,
    /// Readers of clients that were sent away and that are not at their end yet.
    leaving: Vec<JoinHandle<()>>,
    hall: Hall,
    end: Arc<AtomicBool>,
    /// The client that came last.
    last: Arc<AtomicU64>,
}

impl Porter {
    /// Opens all doors. `end` is set when nobody is to come any more.
    pub fn new(doors: Vec<Door>, hall: Hall, end: Arc<AtomicBool>) -> std::io::Result<Porter> {
        let last = Arc::new(AtomicU64::new(0));
        let (mut sockets, mut lines) = (Vec::new(), Vec::new());
        for door in doors {
            match door {
                Door::Socket(listener) => {
                    listener.set_nonblocking(true)?;
                    sockets.push(listener);
                }
                Door::Line(line, ends) => {
                    let origin = Origin::Line(lines.len());
                    let (hall, last) = (hall.clone(), Arc::clone(&last));
                    let attend = move || attend(&line, ends, origin, &hall, &last);
                    lines.push(thread::Builder::new().name(origin_name(origin)).spawn(attend)?);
                }
            }
        }
        Ok(Porter { sockets, lines, inside: Vec::new(), leaving: Vec::new(), hall, end, last })
    }

    /// Until the end.
    pub fn run(mut self) {
        while !self.end.load(Ordering::SeqCst) {
            self.inside.retain(|inside| !inside.reader.is_finished());
            self.leaving.retain(|reader| !reader.is_finished());
            let mut came = Vec::new();
            for listener in &self.sockets {
                let accepted = (0..CLIENTS_MOST).map_while(|_| listener.accept().ok());
                came.extend(accepted);
            }
            for (stream, from) in came {
                // Whoever cannot be admitted is gone already.
                let _ = self.admit(stream, Origin::of(from.ip()));
            }
            self.hall.watch.look();
            thread::sleep(LOOK);
        }
        self.hall.watch.end();
        drop(self.hall);
        let readers = self.inside.into_iter().map(|inside| inside.reader);
        for reader in readers.chain(self.leaving).chain(self.lines) {
            // A reader that broke has told its client nothing more, and that is all.
            let _ = reader.join();
        }
    }

    /// A client came: gives it a reader, or tells it that there are too many.
    fn admit(&mut self, stream: TcpStream, origin: Origin) -> std::io::Result<()> {
        // Some systems hand the listener's mode on.
        stream.set_nonblocking(false)?;
        stream.set_nodelay(true)?;
        stream.set_write_timeout(Some(TAKE_SOME))?;
        stream.set_read_timeout(Some(PAUSE))?;
        if self.inside.len() >= CLIENTS_MOST && !self.makes_room() {
            let why = WireError::new(-310, format!("{CLIENTS_MOST} clients are here already"));
            return (&stream).write_all(format!("{why}\n").as_bytes());
        }
        let client = guest(&self.last, origin);
        let (writer, socket) = (stream.try_clone()?, stream.try_clone()?);
        let reader =
            Reader { client: client.clone(), stream: Box::new(stream), hall: self.hall.clone() };
        let name = format!("client {}", client.id);
        let reader = thread::Builder::new().name(name).spawn(move || {
            // It hung up, and that is all.
            let _ = reader.run(Peer::Socket(Socket::new(writer)));
        })?;
        self.inside.push(Inside { client, socket, reader });
        Ok(())
    }

    /// Sends a stranger away; false where there is none.
    fn makes_room(&mut self) -> bool {
        self.inside.retain(|inside| !inside.reader.is_finished());
        if self.inside.len() < CLIENTS_MOST {
            return true;
        }
        // While the head is busy they may not come to their end.
        if self.leaving.len() >= CLIENTS_MOST {
            return false;
        }
        let strange = |inside: &&Inside| !inside.client.admitted.load(Ordering::SeqCst);
        let strangers = || self.inside.iter().filter(strange);
        let from = |origin| strangers().filter(|other| other.client.origin == origin).count();
        // The first of those is the one that came first.
        let chosen = strangers().rev().max_by_key(|stranger| from(stranger.client.origin));
        let Some(id) = chosen.map(|chosen| chosen.client.id) else { return false };
        let Some(at) = self.inside.iter().position(|inside| inside.client.id == id) else {
            return false;
        };
        let chosen = self.inside.remove(at);
        chosen.client.gone.store(true, Ordering::SeqCst);
        // It may have hung up by itself.
        let _ = chosen.socket.shutdown(Shutdown::Both);
        self.leaving.push(chosen.reader);
        true
    }
}

fn origin_name(origin: Origin) -> String {
    format!("{origin:?}").to_lowercase()
}

/// The next client.
fn guest(last: &AtomicU64, origin: Origin) -> Guest {
    Guest::new(last.fetch_add(1, Ordering::SeqCst) + 1, origin)
}

/// Listens at a serial line, and opens it again where it went away, until the end.
fn attend(line: &Line, ends: Ends, origin: Origin, hall: &Hall, last: &AtomicU64) {
    let mut ends = Some(ends);
    while !hall.watch.is_ending() {
        let Some((stream, mut writer)) = ends.take() else {
            pause(hall);
            ends = line.open().ok();
            if ends.is_some() {
                let _ = hall.events.send(Event::Told(format!("{line} is back")));
            }
            continue;
        };
        let (outbox, carrier) = Outbox::new();
        let reader = Reader { client: guest(last, origin), stream, hall: hall.clone() };
        let over = AtomicBool::new(false);
        let why = thread::scope(|scope| {
            scope.spawn(|| carrier.run(&mut *writer, &over));
            let why = reader.run(Peer::Line(outbox));
            over.store(true, Ordering::SeqCst);
            why
        });
        if !hall.watch.is_ending() {
            let told = format!("{line} went away ({why}); it is tried again every second");
            let _ = hall.events.send(Event::Told(told));
        }
    }
}

/// As long as it takes until a line is tried again, or until the end.
fn pause(hall: &Hall) {
    let until = Instant::now() + AGAIN;
    while Instant::now() < until && !hall.watch.is_ending() {
        thread::sleep(LOOK);
    }
}
