//! Accepts clients at sockets and serial lines, and watches over silence until the server ends. Uses the
//! readers.
//!
//! When all places are taken, clients that are not admitted yet make room, those of the busiest origin
//! first, so that strangers keep no admitted client out.

#![allow(
    clippy::disallowed_types,
    clippy::disallowed_methods,
    reason = "the wire is made of sockets"
)]

use crate::wire::authentication::Origin;
use crate::wire::errors::WireError;
use crate::wire::inbox::Event;
use crate::wire::line::{Ends, SerialLine};
use crate::wire::reader::{Connection, PAUSE, Reader, Shared};
use crate::wire::sender::{Outbox, ReplySender, Socket, TAKE_SOME};
use std::io::Write;
use std::iter;
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

/// Clients at sockets at a time.
pub(crate) const MAX_CLIENTS: usize = 8;

/// Between two looks for new clients, silence and a request to end.
const LOOK: Duration = Duration::from_millis(5);

/// Looks at which a client waits for others to leave before it is told that there are too many.
const MAX_WAITS: usize = 40;

/// Between two attempts to open a line that went away.
const AGAIN: Duration = Duration::from_secs(1);

/// Where clients connect.
pub enum Listener {
    /// Any number of them, at a socket.
    Socket(TcpListener),
    /// One, at a serial line.
    Line(SerialLine, Ends),
}

impl Listener {
    /// Listens at an address; port 0 takes a free one.
    pub fn socket(address: SocketAddr) -> std::io::Result<Listener> {
        TcpListener::bind(address).map(Listener::Socket)
    }

    /// Opens a serial line.
    pub fn line(line: SerialLine) -> std::io::Result<Listener> {
        let ends = line.open()?;
        Ok(Listener::Line(line, ends))
    }

    /// The port of a socket.
    pub(crate) fn port(&self) -> Option<std::io::Result<u16>> {
        let Listener::Socket(listener) = self else { return None };
        Some(listener.local_addr().map(|address| address.port()))
    }

    /// Its address, as a client writes it.
    pub fn at(&self) -> std::io::Result<String> {
        Ok(match self {
            Listener::Socket(listener) => format!("tcp://{}", listener.local_addr()?),
            Listener::Line(line, _) => format!("serial://{}?baud={}", line.device, line.baud),
        })
    }
}

/// A client at a socket, with what hangs up on it and who reads there.
struct Client {
    client: Connection,
    socket: TcpStream,
    reader: JoinHandle<()>,
}

/// Accepts clients.
pub(crate) struct Acceptor {
    sockets: Vec<TcpListener>,
    lines: Vec<JoinHandle<()>>,
    client: Vec<Client>,
    /// Readers of disconnected clients that have not ended yet.
    leaving: Vec<JoinHandle<()>>,
    shared: Shared,
    end: Arc<AtomicBool>,
    /// The number of the last client.
    last: Arc<AtomicU64>,
}

impl Acceptor {
    /// Starts all listeners. `end` is set when no client is to be accepted any more.
    pub(crate) fn new(
        listeners: Vec<Listener>,
        shared: Shared,
        end: Arc<AtomicBool>,
    ) -> std::io::Result<Acceptor> {
        let last = Arc::new(AtomicU64::new(0));
        let (mut sockets, mut lines) = (Vec::new(), Vec::new());
        for listener in listeners {
            match listener {
                Listener::Socket(listener) => {
                    listener.set_nonblocking(true)?;
                    sockets.push(listener);
                }
                Listener::Line(line, ends) => {
                    let origin = Origin::Line(lines.len());
                    let (shared, last) = (shared.clone(), Arc::clone(&last));
                    let attend = move || attend(&line, ends, origin, &shared, &last);
                    lines.push(thread::Builder::new().name(origin_name(origin)).spawn(attend)?);
                }
            }
        }
        Ok(Acceptor { sockets, lines, client: Vec::new(), leaving: Vec::new(), shared, end, last })
    }

    /// Until the end.
    pub(crate) fn run(mut self) {
        let mut waits = 0;
        while !self.end.load(Ordering::SeqCst) {
            self.client.retain(|client| !client.reader.is_finished());
            self.leaving.retain(|reader| !reader.is_finished());
            // No more than can take the places of clients that leave; the others wait at the socket.
            let mut places = MAX_CLIENTS.saturating_sub(self.leaving.len());
            waits = if places == 0 { waits + 1 } else { 0 };
            if waits > MAX_WAITS {
                places = MAX_CLIENTS;
            }
            let accept = || self.sockets.iter().find_map(|socket| socket.accept().ok());
            let came = iter::from_fn(accept).take(places).collect::<Vec<_>>();
            for (stream, from) in came {
                // A client that cannot be accepted is gone already.
                let _ = self.admit(stream, Origin::of(from.ip()));
            }
            self.shared.watch.look();
            thread::sleep(LOOK);
        }
        self.shared.watch.end();
        drop(self.shared);
        let readers = self.client.into_iter().map(|client| client.reader);
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
        if self.client.len() >= MAX_CLIENTS && !self.makes_room() {
            let why = WireError::new(-310, format!("{MAX_CLIENTS} clients are here already"));
            return (&stream).write_all(format!("{why}\n").as_bytes());
        }
        let client = connection(&self.last, origin);
        let (writer, socket) = (stream.try_clone()?, stream.try_clone()?);
        let reader = Reader {
            client: client.clone(),
            stream: Box::new(stream),
            shared: self.shared.clone(),
        };
        let name = format!("client {}", client.id);
        let reader = thread::Builder::new().name(name).spawn(move || {
            // It hung up, and that is all.
            let _ = reader.run(ReplySender::Socket(Socket::new(writer)));
        })?;
        self.client.push(Client { client, socket, reader });
        Ok(())
    }

    /// Disconnects a client that is not admitted; false where there is none.
    fn makes_room(&mut self) -> bool {
        self.client.retain(|client| !client.reader.is_finished());
        if self.client.len() < MAX_CLIENTS {
            return true;
        }
        // While the head is busy they may not come to their end.
        if self.leaving.len() >= MAX_CLIENTS {
            return false;
        }
        let is_strange = |client: &Client| !client.client.admitted.load(Ordering::SeqCst);
        let strangers = || self.client.iter().enumerate().filter(|(_, client)| is_strange(client));
        let from = |origin| strangers().filter(|(_, other)| other.client.origin == origin).count();
        // The first of those is the one that came first.
        let chosen = strangers().rev().max_by_key(|(_, client)| from(client.client.origin));
        let Some((at, _)) = chosen else { return false };
        let chosen = self.client.remove(at);
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
fn connection(last: &AtomicU64, origin: Origin) -> Connection {
    Connection::new(last.fetch_add(1, Ordering::SeqCst) + 1, origin)
}

/// Listens at a serial line, and opens it again where it went away, until the end.
fn attend(line: &SerialLine, ends: Ends, origin: Origin, shared: &Shared, last: &AtomicU64) {
    let mut ends = Some(ends);
    while !shared.watch.is_ending() {
        let Some((stream, mut writer)) = ends.take() else {
            pause(shared);
            ends = line.open().ok();
            if ends.is_some() {
                shared.inbox.put_first(Event::Log(format!("{line} is back")));
            }
            continue;
        };
        let (outbox, line_writer) = Outbox::new();
        let reader = Reader { client: connection(last, origin), stream, shared: shared.clone() };
        let over = AtomicBool::new(false);
        let why = thread::scope(|scope| {
            scope.spawn(|| line_writer.run(&mut *writer, &over));
            let why = reader.run(ReplySender::Line(outbox));
            over.store(true, Ordering::SeqCst);
            why
        });
        if !shared.watch.is_ending() {
            let told = format!("{line} went away ({why}); it is tried again every second");
            shared.inbox.put_first(Event::Log(told));
        }
    }
}

/// As long as it takes until a line is tried again, or until the end.
fn pause(shared: &Shared) {
    let until = Instant::now() + AGAIN;
    while Instant::now() < until && !shared.watch.is_ending() {
        thread::sleep(LOOK);
    }
}
