//! Reads the messages of one client at a socket or a serial line. Uses the framer, the watch,
//! the turns and the inbox.

#![allow(clippy::disallowed_methods, reason = "the wire is made of sockets")]

use crate::call::Call;
use crate::system::is_pause;
use crate::wire::authentication::{Origin, SecretTurns};
use crate::wire::errors::WireError;
use crate::wire::frame::{BLOCK_LOOKING, Frame, Framer, MAX_BLOCK, MAX_LINE};
use crate::wire::inbox::{Event, Inbox, Message, Put, StopCalls};
use crate::wire::incoming::Incoming;
use crate::wire::message::message_units;
use crate::wire::mnemonic::is;
use crate::wire::protocol::{Introduction, is_blank};
use crate::wire::sender::ReplySender;
use crate::wire::stops::stop_calls;
use crate::wire::watch::{ControlWatch, Stop};
use std::io::ErrorKind;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Pause after which a begun block is given up.
pub(crate) const PAUSE: Duration = Duration::from_secs(2);

/// Silence after which a client that does not control the head is disconnected.
const MAX_OBSERVER_SILENCE: Duration = Duration::from_secs(600);

/// Bytes read at once.
const CHUNK: usize = 64 * 1024;

/// A client as all threads know it.
#[derive(Clone)]
pub(crate) struct Connection {
    /// Its number; 0 is none.
    pub id: u64,
    /// Where it comes from.
    pub origin: Origin,
    /// It hung up, or was disconnected.
    pub gone: Arc<AtomicBool>,
    /// It gave the secret, or there is none.
    pub admitted: Arc<AtomicBool>,
    /// When it was heard last.
    heard: Arc<Mutex<Instant>>,
}

impl Connection {
    /// A client that just came.
    pub(crate) fn new(id: u64, origin: Origin) -> Connection {
        let (gone, admitted) = (Arc::default(), Arc::default());
        Connection { id, origin, gone, admitted, heard: Arc::new(Mutex::new(Instant::now())) }
    }

    /// When it was heard last.
    pub(crate) fn heard(&self) -> Instant {
        *self.heard.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What all readers share.
#[derive(Clone)]
pub(crate) struct Shared {
    /// Who controls the head.
    pub watch: Arc<ControlWatch>,
    /// To the thread of the head.
    pub inbox: Arc<Inbox>,
    /// Turns of clients that give a secret.
    pub turns: Arc<SecretTurns>,
    /// Clients at sockets that spoke another protocol.
    pub foreign: Arc<AtomicU64>,
}

/// Reads what one client says.
pub(crate) struct Reader {
    /// Which client.
    pub client: Connection,
    /// What it says.
    pub stream: Box<dyn Incoming + Send>,
    /// What all readers share.
    pub shared: Shared,
}

impl Reader {
    /// Until it left; says why.
    pub(crate) fn run(mut self, sender: ReplySender) -> String {
        let why = self.read(sender);
        self.client.gone.store(true, Ordering::SeqCst);
        self.shared.watch.left(self.client.id);
        // Not received where the server ends.
        self.put(Event::Disconnected(self.client.id));
        why
    }

    fn read(&mut self, sender: ReplySender) -> String {
        let id = self.client.id;
        // No browser reaches a serial line.
        let mut introduction = (!sender.is_line()).then(Introduction::default);
        let is_line = sender.is_line();
        let mut arriving = Some(sender);
        if is_line && !self.arrives(&mut arriving) {
            return "the server ends".to_string();
        }
        let watch = Arc::clone(&self.shared.watch);
        let mut framer = Framer::new(MAX_LINE);
        let mut chunk = vec![0; CHUNK];
        let mut frames = Vec::new();
        let mut last = Instant::now();
        // Bytes may have come while others were worked on: until there are none, they are as old as the
        // first of them, and a stop of another client counts as later.
        let (mut behind, mut since) = (false, 0);
        loop {
            // What it still sends is left unread, on which the system resets the connection.
            if self.client.gone.load(Ordering::SeqCst) {
                return "it was disconnected".to_string();
            }
            behind = behind && !self.stream.is_drained();
            match self.stream.read(&mut chunk) {
                Ok(0) => return "it ended".to_string(),
                Ok(count) => {
                    last = Instant::now();
                    let bytes = chunk.get(..count).unwrap_or_default();
                    let most = if watch.controller() == id { MAX_BLOCK } else { BLOCK_LOOKING };
                    let in_block = framer.in_block();
                    framer.feed(bytes, most, &mut frames);
                    let burst = frames.len() > 1 || count == CHUNK;
                    if !behind {
                        since = since.max(watch.last_number(burst));
                    }
                    behind |= burst;
                    if let Some(introduction) = &mut introduction {
                        if let Err(why) = introduction.check(bytes, &frames) {
                            return self.turn_away(arriving, &why);
                        }
                        if introduction.done && !self.arrives(&mut arriving) {
                            return "the server ends".to_string();
                        }
                    }
                    // Noise of a cut line does not count as activity, and neither does half a message.
                    let whole = frames.iter().any(|frame| !is_line || is_message(frame));
                    if whole || in_block || framer.in_block() {
                        self.heard(last);
                    }
                }
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) if is_pause(&error) => {
                    // A socket waits for as long by itself.
                    if !is_line || last.elapsed() >= PAUSE {
                        framer.pause(&mut frames);
                    }
                    if last.elapsed() > MAX_OBSERVER_SILENCE && watch.controller() != id {
                        if !is_line {
                            return "it was silent".to_string();
                        }
                        last = Instant::now();
                        self.put(Event::NewUser(id));
                    }
                }
                Err(error) => return error.to_string(),
            }
            if watch.is_ending() {
                return "the server ends".to_string();
            }
            for frame in frames.drain(..).filter(|frame| !is_blank(frame)) {
                if !self.hand_over(frame, since) {
                    return "the server ends".to_string();
                }
            }
        }
    }

    /// Tells the thread of the head of a client, once; false where that is gone.
    fn arrives(&self, arriving: &mut Option<ReplySender>) -> bool {
        let came = arriving.take().map(|sender| Event::Connected(self.client.clone(), sender));
        came.is_none_or(|came| self.shared.inbox.put_first(came))
    }

    /// Hangs up on a client that speaks another protocol. One that never spoke this one is told so.
    fn turn_away(&self, arriving: Option<ReplySender>, why: &WireError) -> String {
        if let Some(mut sender) = arriving {
            // It may have hung up by itself.
            let _ = sender.send(format!("{why}\n").into_bytes());
            sender.hang_up();
        }
        let count = self.shared.foreign.fetch_add(1, Ordering::SeqCst) + 1;
        // A page may try thousands of times.
        if count.is_power_of_two() {
            let Origin::Address(address) = self.client.origin else { return String::new() };
            let told = format!(
                "hung up on a client at {address} that speaks another protocol, as a web page in a \
                 browser does ({count} so far)"
            );
            self.shared.inbox.put_first(Event::Log(told));
        }
        "it speaks another protocol".to_string()
    }

    /// Puts what has its turn behind the messages of this client.
    fn put(&self, event: Event) {
        self.shared.inbox.put(self.client.id, event, None);
    }

    /// It was heard at that time, or later.
    fn heard(&self, at: Instant) {
        *self.client.heard.lock().unwrap_or_else(PoisonError::into_inner) = at;
        self.shared.watch.heard(self.client.id, at);
    }

    /// Hands a message over to the thread of the head, which came after that of number `since`; false where
    /// nothing is heard any more.
    fn hand_over(&self, frame: Frame, since: u64) -> bool {
        let Shared { watch, inbox, .. } = &self.shared;
        let (id, number) = (self.client.id, watch.numbered());
        let calls = stop_calls(&frame);
        if !calls.is_empty() {
            let safe = calls.iter().any(|call| matches!(call, Call::MakeSafe { .. }));
            watch.stop(if safe { Stop::Safe } else { Stop::Dark }, number, id);
            inbox.put_stop(StopCalls { id, number, calls });
        }
        let stranger = !self.client.admitted.load(Ordering::SeqCst);
        let due = (stranger && says_secret(&frame))
            .then(|| Instant::now() + self.shared.turns.turn(self.client.origin));
        match inbox.put(id, Event::Message(id, Message { frame, number, since }), due) {
            Put::Done => true,
            Put::TooMuch => {
                watch.cut_short();
                true
            }
            Put::Closed => false,
        }
    }
}

/// It can be read as a message.
fn is_message(frame: &Frame) -> bool {
    frame.as_ref().is_ok_and(|message| message_units(message).is_ok())
}

/// It tells a secret, right or wrong.
fn says_secret(frame: &Frame) -> bool {
    let last = |header: &str| header.rsplit(':').next().is_some_and(|word| is("SECRet", word));
    let units = frame.as_ref().ok().and_then(|message| message_units(message).ok());
    units.is_some_and(|units| units.iter().any(|unit| last(&unit.header)))
}
