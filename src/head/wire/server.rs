//! The server: one thread that owns the head, one that admits clients and watches over silence, and
//! one that reads for each client. Uses the sessions and the floor.
//!
//! Whatever comes is bounded: clients, bytes of a message, messages that wait, bytes that a client
//! leaves unread. A client that does not keep to it loses its connection, never the head.

#![allow(
    clippy::disallowed_types,
    clippy::disallowed_methods,
    reason = "the wire is made of sockets"
)]

use crate::head::SafeState;
use crate::head::safe::unbroken;
use crate::head::wire::errors::WireError;
use crate::head::wire::floor::{Control, Floor, Served};
use crate::head::wire::frame::{BLOCK_LOOKING, BLOCK_MOST, Frame, Framer, LINE_MOST};
use crate::head::wire::session::Session;
use crate::head::wire::watch::Watch;
use std::collections::BTreeMap;
use std::io::{ErrorKind, Read, Write};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TryRecvError, sync_channel};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

/// Clients at a time.
pub const CLIENTS_MOST: usize = 8;

/// Messages that wait for the head.
const WAITING_MOST: usize = 64;

/// Between two looks for new clients, silence and a request to end.
const LOOK: Duration = Duration::from_millis(5);

/// Between two looks of the thread of the head where nothing is asked.
const IDLE: Duration = Duration::from_millis(20);

/// How long the thread of the head stays awake after a message: whoever asks again at once is spared
/// the time in which a thread wakes up.
const ATTENTIVE: Duration = Duration::from_micros(200);

/// Between two attempts to make a head safe that would not be.
const AGAIN: Duration = Duration::from_secs(1);

/// Pause after which a begun block is given up.
const PAUSE: Duration = Duration::from_secs(2);

/// Silence after which a client that does not control the head is sent away.
const LOOKING_MOST: Duration = Duration::from_secs(600);

/// Time in which a client must take some of its reply, and all of it.
const TAKE_SOME: Duration = Duration::from_millis(200);
const TAKE_ALL: Duration = Duration::from_millis(500);

/// Bytes read at once.
const CHUNK: usize = 64 * 1024;

/// Where clients come in.
#[derive(Debug)]
pub struct Door(TcpListener);

impl Door {
    /// Opens a door at an address; port 0 takes a free one.
    pub fn open(address: SocketAddr) -> std::io::Result<Door> {
        TcpListener::bind(address).map(Door)
    }

    /// Where it is.
    pub fn at(&self) -> std::io::Result<SocketAddr> {
        self.0.local_addr()
    }
}

/// What the thread of the head hears of.
enum Event {
    Came { id: u64, stream: TcpStream, gone: Arc<AtomicBool> },
    Said { id: u64, frame: Frame },
    Left { id: u64 },
}

/// A client as the thread of the head knows it.
struct Client {
    session: Session,
    stream: TcpStream,
    gone: Arc<AtomicBool>,
}

/// Serves until `end` is set, then makes the head safe and sees it to rest, until `end_now`. Tells
/// `log` what people should know of.
pub fn serve(
    served: Served,
    door: Door,
    end: &Arc<AtomicBool>,
    end_now: &AtomicBool,
    log: &mut dyn FnMut(&str),
) -> std::io::Result<()> {
    let listener = door.0;
    listener.set_nonblocking(true)?;
    let watch = Arc::new(Watch::new(served.limit, Arc::clone(&served.cut)));
    let open = served.secret.is_none();
    let (events, heard) = sync_channel(WAITING_MOST);
    let mut floor = Floor::new(served, Arc::clone(&watch));
    let porter = {
        let (watch, end) = (Arc::clone(&watch), Arc::clone(end));
        thread::Builder::new()
            .name("porter".to_string())
            .spawn(move || Porter { listener, watch, events, end, last: 0 }.run())?
    };
    let mut clients = BTreeMap::new();
    hear(&heard, &mut floor, &watch, &mut clients, open, log);
    // Nobody may hold the head up any longer, and what readers still say finds no ear.
    drop(heard);
    for client in clients.values() {
        // It may have hung up by itself.
        let _ = client.stream.shutdown(Shutdown::Both);
    }
    watch.settle();
    if let Some(state) = floor.make_safe() {
        log(&told("the server ends", &state));
        floor.see_to_rest(|| !end_now.load(Ordering::SeqCst));
    }
    // The porter joins its readers.
    if porter.join().is_err() {
        log("internal error: a thread of the server broke");
    }
    Ok(())
}

/// Until the porter is gone, which is when the server is to end.
fn hear(
    heard: &Receiver<Event>,
    floor: &mut Floor,
    watch: &Watch,
    clients: &mut BTreeMap<u64, Client>,
    open: bool,
    log: &mut dyn FnMut(&str),
) {
    let (mut attentive, mut tried) = (false, Instant::now());
    loop {
        let event = match next(heard, attentive) {
            Ok(event) => Some(event),
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => return,
        };
        attentive = matches!(event, Some(Event::Said { .. }));
        if watch.was_lost() {
            lost(floor, watch, clients, log);
        }
        match event {
            Some(Event::Came { id, stream, gone }) => {
                clients.insert(id, Client { session: Session::new(id, open), stream, gone });
            }
            Some(Event::Said { id, frame }) => {
                let keep = clients.get_mut(&id).is_none_or(|client| said(client, frame, floor));
                if !keep {
                    leave(id, clients, floor, log);
                }
            }
            Some(Event::Left { id }) => leave(id, clients, floor, log),
            None => {}
        }
        if tried.elapsed() > AGAIN {
            tried = Instant::now();
            if let Some(state) = floor.try_again().filter(|state| state.laser_off) {
                log(&told("tried again", &state));
            }
        }
        for (id, why) in floor.revoked() {
            if let Some(client) = clients.get_mut(&id) {
                client.session.tell(why);
            }
        }
        if watch.was_lost() {
            lost(floor, watch, clients, log);
        }
        if watch.is_ending() {
            return;
        }
    }
}

/// The next event; comes back without one now and then.
fn next(heard: &Receiver<Event>, attentive: bool) -> Result<Event, RecvTimeoutError> {
    let from = Instant::now();
    while attentive && from.elapsed() < ATTENTIVE {
        match heard.try_recv() {
            Ok(event) => return Ok(event),
            Err(TryRecvError::Empty) => thread::yield_now(),
            Err(TryRecvError::Disconnected) => return Err(RecvTimeoutError::Disconnected),
        }
    }
    heard.recv_timeout(IDLE)
}

/// The client in control hung up, or was silent for too long.
fn lost(
    floor: &mut Floor,
    watch: &Watch,
    clients: &mut BTreeMap<u64, Client>,
    log: &mut dyn FnMut(&str),
) {
    let id = watch.controller();
    let client = clients.get_mut(&id);
    let hung_up = client.as_ref().is_none_or(|client| client.gone.load(Ordering::SeqCst));
    if !hung_up && floor.is_still() {
        watch.again();
        return;
    }
    let why = if hung_up {
        "the client in control hung up".to_string()
    } else {
        format!("the client in control was silent for {} s", floor.limit().as_secs_f64())
    };
    if let Some(state) = floor.make_safe() {
        log(&told(&why, &state));
    }
    floor.revoke(WireError::new(-203, format!("control was lost and the head made safe: {why}")));
}

/// What people are told of a head that was made safe.
fn told(why: &str, state: &SafeState) -> String {
    let laser = if state.laser_off { "laser off" } else { "THE LASER MAY BE ON" };
    let mirror = if state.parked { "mirror parked" } else { "mirror NOT PARKED" };
    let polygon = if state.at_rest { "polygon at rest" } else { "polygon on its way down" };
    let troubles: String = state.troubles.iter().map(|trouble| format!("; {trouble}")).collect();
    format!("{why}: made safe: {laser}, {mirror}, {polygon}{troubles}")
}

/// A client goes; the head is made safe where it had control.
fn leave(
    id: u64,
    clients: &mut BTreeMap<u64, Client>,
    floor: &mut Floor,
    log: &mut dyn FnMut(&str),
) {
    if let Some(client) = clients.remove(&id) {
        let _ = client.stream.shutdown(Shutdown::Both);
    }
    if floor.control_of(id) == Control::Own {
        if let Some(state) = floor.make_safe() {
            log(&told("the client in control hung up", &state));
        }
        floor.release(id, false);
    }
}

/// Carries a message out and sends the reply; false where the client is to go.
fn said(client: &mut Client, frame: Frame, floor: &mut Floor) -> bool {
    client.session.gone = client.gone.load(Ordering::SeqCst);
    let session = &mut client.session;
    let reply = unbroken(|| Ok(session.hear(frame, floor)));
    let reply = reply.unwrap_or_else(|fault| {
        session.tell(WireError::new(-310, fault.to_string()));
        None
    });
    if client.session.is_unwelcome() {
        return false;
    }
    match reply {
        Some(mut reply) => {
            reply.push(b'\n');
            sent(&client.stream, &reply)
        }
        None => true,
    }
}

/// Sends a reply; false where the client does not take it in time.
fn sent(mut stream: &TcpStream, mut bytes: &[u8]) -> bool {
    let started = Instant::now();
    while !bytes.is_empty() {
        match stream.write(bytes) {
            Ok(0) => return false,
            Ok(count) => bytes = bytes.get(count..).unwrap_or_default(),
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(_) => return false,
        }
        if !bytes.is_empty() && started.elapsed() > TAKE_ALL {
            return false;
        }
    }
    true
}

/// Admits clients, watches over silence, and hears of the end.
struct Porter {
    listener: TcpListener,
    watch: Arc<Watch>,
    events: SyncSender<Event>,
    end: Arc<AtomicBool>,
    /// The client that came last.
    last: u64,
}

impl Porter {
    fn run(mut self) {
        let inside = Arc::new(AtomicUsize::new(0));
        let mut readers: Vec<JoinHandle<()>> = Vec::new();
        while !self.end.load(Ordering::SeqCst) {
            for _ in 0..CLIENTS_MOST {
                match self.listener.accept() {
                    Ok((stream, _)) => readers.extend(self.admit(stream, &inside)),
                    Err(_) => break,
                }
            }
            self.watch.look();
            readers.retain(|reader| !reader.is_finished());
            thread::sleep(LOOK);
        }
        self.watch.end();
        drop(self.events);
        for reader in readers {
            // A reader that broke has told its client nothing more, and that is all.
            let _ = reader.join();
        }
    }

    /// A client came: gives it a reader, or tells it that there are too many.
    fn admit(&mut self, stream: TcpStream, inside: &Arc<AtomicUsize>) -> Option<JoinHandle<()>> {
        // Some systems hand the listener's mode on.
        stream.set_nonblocking(false).ok()?;
        stream.set_nodelay(true).ok()?;
        stream.set_write_timeout(Some(TAKE_SOME)).ok()?;
        stream.set_read_timeout(Some(PAUSE)).ok()?;
        if inside.load(Ordering::SeqCst) >= CLIENTS_MOST {
            let why = WireError::new(-310, format!("{CLIENTS_MOST} clients are here already"));
            sent(&stream, format!("{why}\n").as_bytes());
            return None;
        }
        let writer = stream.try_clone().ok()?;
        self.last += 1;
        let (id, gone) = (self.last, Arc::new(AtomicBool::new(false)));
        let came = Event::Came { id, stream: writer, gone: Arc::clone(&gone) };
        inside.fetch_add(1, Ordering::SeqCst);
        let reader = Reader {
            id,
            stream,
            gone,
            watch: Arc::clone(&self.watch),
            events: self.events.clone(),
            inside: Arc::clone(inside),
        };
        let spawned = thread::Builder::new().name(format!("client {id}")).spawn(move || {
            reader.run(came);
        });
        match spawned {
            Ok(handle) => Some(handle),
            Err(_) => {
                inside.fetch_sub(1, Ordering::SeqCst);
                None
            }
        }
    }
}

/// Reads what one client says.
struct Reader {
    id: u64,
    stream: TcpStream,
    gone: Arc<AtomicBool>,
    watch: Arc<Watch>,
    events: SyncSender<Event>,
    inside: Arc<AtomicUsize>,
}

impl Reader {
    fn run(mut self, came: Event) {
        if self.events.send(came).is_ok() {
            self.read();
            self.gone.store(true, Ordering::SeqCst);
            self.watch.left(self.id);
            // Nobody hears it where the server ends.
            let _ = self.events.send(Event::Left { id: self.id });
        }
        self.inside.fetch_sub(1, Ordering::SeqCst);
    }

    fn read(&mut self) {
        let mut framer = Framer::new(LINE_MOST);
        let mut chunk = vec![0; CHUNK];
        let mut frames = Vec::new();
        let mut last = Instant::now();
        loop {
            match self.stream.read(&mut chunk) {
                Ok(0) => return,
                Ok(count) => {
                    last = Instant::now();
                    self.watch.heard(self.id);
                    let controls = self.watch.controller() == self.id;
                    let most = if controls { BLOCK_MOST } else { BLOCK_LOOKING };
                    framer.feed(chunk.get(..count).unwrap_or_default(), most, &mut frames);
                }
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error)
                    if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) =>
                {
                    framer.pause(&mut frames);
                    if last.elapsed() > LOOKING_MOST && self.watch.controller() != self.id {
                        return;
                    }
                }
                Err(_) => return,
            }
            for frame in frames.drain(..) {
                // A blank line says only that somebody is there.
                let blank = frame.as_ref().is_ok_and(|m| m.iter().all(|byte| *byte <= b' '));
                if !blank && self.events.send(Event::Said { id: self.id, frame }).is_err() {
                    return;
                }
            }
        }
    }
}
