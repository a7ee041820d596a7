//! What waits for the thread of the head: stops before everything else, then the messages of the clients
//! in turn. Readers never wait here, so that they hear a stop, or a client that hangs up, behind
//! anything that was said before it. Uses the frames.

#![allow(clippy::disallowed_methods, reason = "messages wait on the clock of the wall")]

use crate::call::Call;
use crate::wire::frame::{Frame, MAX_BLOCK, MAX_LINE};
use crate::wire::reader::Connection;
use crate::wire::sender::ReplySender;
use std::collections::{BTreeMap, VecDeque};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

/// Bytes of messages of one client that may wait, besides pages of the client in control.
const MAX_WAITING: usize = 1024 * 1024;

/// Bytes of pages that may wait: one of the largest image.
const MAX_PAGES: usize = MAX_BLOCK + MAX_LINE + OVERHEAD;

/// Bytes that each message counts for besides its own.
const OVERHEAD: usize = 64;

/// Lines of the log that may wait.
const MAX_LOG: usize = 64;

/// How long the thread of the head stays awake after a message: a client that asks again at once is
/// spared the time in which a thread wakes up.
const ATTENTIVE: Duration = Duration::from_micros(200);

/// What the thread of the head is told.
pub(crate) enum Event {
    /// A client connected.
    Connected(Connection, ReplySender),
    /// It sent a message.
    Message(u64, Message),
    /// More of its messages would wait than may.
    TooMuch(u64),
    /// It was silent for so long that the next message counts as another user's.
    NewUser(u64),
    /// It disconnected.
    Disconnected(u64),
    /// A line for the log.
    Log(String),
}

/// The calls by which a client stops the head.
pub(crate) struct StopCalls {
    /// The client.
    pub id: u64,
    /// The number of its message.
    pub number: u64,
    /// What it asks for.
    pub calls: Vec<Call>,
}

/// What came of a message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Put {
    /// It waits.
    Done,
    /// Nothing of that client waits any more.
    TooMuch,
    /// Nothing is heard any more.
    Closed,
}

/// A message with its place among those of all clients.
pub(crate) struct Message {
    /// Its bytes, or why there are none.
    pub frame: Frame,
    /// Later ones have higher numbers.
    pub number: u64,
    /// The number of the last one when it may have been sent.
    pub since: u64,
}

/// An event that waits for its turn.
struct Waiting {
    event: Event,
    bytes: usize,
    /// Not before: guesses at the secret take turns.
    due: Option<Instant>,
}

#[derive(Default)]
struct Client {
    waiting: VecDeque<Waiting>,
    /// Bytes of its pages, and of all else.
    pages: usize,
    others: usize,
}

#[derive(Default)]
struct State {
    stops: Vec<StopCalls>,
    first: VecDeque<Event>,
    clients: BTreeMap<u64, Client>,
    /// Whose turn it was last.
    last: u64,
    closed: bool,
}

/// Where readers put what they hear.
#[derive(Default)]
pub(crate) struct Inbox {
    state: Mutex<State>,
    came: Condvar,
    /// Events that wait, to be read without the lock.
    count: AtomicUsize,
}

impl Inbox {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn notify(&self, count: usize) {
        self.count.store(count, Ordering::SeqCst);
        self.came.notify_one();
    }

    /// Puts what goes before all messages; false where nothing is heard any more.
    pub(crate) fn put_first(&self, event: Event) -> bool {
        let mut state = self.state();
        let is_left_out = matches!(event, Event::Log(_)) && state.first.len() >= MAX_LOG;
        if !state.closed && !is_left_out {
            state.first.push_back(event);
            self.notify(state.waiting());
        }
        !state.closed
    }

    /// Puts a stop, whose message follows in its turn. One that waits already stands for the same of that
    /// client, which is carried out again in its turn.
    pub(crate) fn put_stop(&self, stop: StopCalls) {
        let mut state = self.state();
        let waits = |other: &StopCalls| other.id == stop.id && other.calls == stop.calls;
        if !state.closed && !state.stops.iter().any(waits) {
            state.stops.push(stop);
            self.notify(state.waiting());
        }
    }

    /// Takes out the stops that wait.
    pub(crate) fn take_stops(&self) -> Vec<StopCalls> {
        if self.count.load(Ordering::SeqCst) == 0 {
            return Vec::new();
        }
        let mut state = self.state();
        let stops = std::mem::take(&mut state.stops);
        self.count.store(state.waiting(), Ordering::SeqCst);
        stops
    }

    /// Puts what waits for the turn of a client, `due` at once or later. Where more would wait than may,
    /// all that waits is thrown away and [`Event::TooMuch`] takes its place.
    pub(crate) fn put(&self, id: u64, event: Event, due: Option<Instant>) -> Put {
        let mut state = self.state();
        if state.closed {
            return Put::Closed;
        }
        let own = if let Event::Message(_, message) = &event { message.len() } else { 0 };
        let bytes = OVERHEAD + own;
        let most = if is_page(bytes) { MAX_PAGES } else { MAX_WAITING };
        let client = state.clients.entry(id).or_default();
        let all = client.bytes(bytes);
        let fits = *all + bytes <= most;
        if fits {
            *all += bytes;
            client.waiting.push_back(Waiting { event, bytes, due });
        } else {
            state.clients.remove(&id);
            state.first.push_back(Event::TooMuch(id));
        }
        self.notify(state.waiting());
        if fits { Put::Done } else { Put::TooMuch }
    }

    /// The next event: what goes first, then what waits of client `preferred`, then the clients in turn.
    /// Comes back without one where a stop waits, and after `patience`. `attentive` where the next one is
    /// expected at once.
    pub(crate) fn next(
        &self,
        preferred: Option<u64>,
        attentive: bool,
        patience: Duration,
    ) -> Option<Event> {
        let from = Instant::now();
        while attentive && self.count.load(Ordering::SeqCst) == 0 && from.elapsed() < ATTENTIVE {
            thread::yield_now();
        }
        let mut state = self.state();
        loop {
            if !state.stops.is_empty() {
                return None;
            }
            if let Some(event) = state.take(preferred) {
                self.count.store(state.waiting(), Ordering::SeqCst);
                return Some(event);
            }
            let left = patience.checked_sub(from.elapsed())?;
            let woken = self.came.wait_timeout(state, left);
            state = woken.unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    /// From here on nothing is heard.
    pub(crate) fn close(&self) {
        *self.state() = State { closed: true, ..State::default() };
    }
}

/// Only the client in control can send a message of that size.
fn is_page(bytes: usize) -> bool {
    bytes > MAX_LINE + OVERHEAD
}

impl Client {
    /// The count to which a message of that size belongs.
    fn bytes(&mut self, bytes: usize) -> &mut usize {
        if is_page(bytes) { &mut self.pages } else { &mut self.others }
    }
}

impl Message {
    fn len(&self) -> usize {
        self.frame.as_ref().map_or(0, Vec::len)
    }
}

impl State {
    fn waiting(&self) -> usize {
        self.stops.len()
            + self.first.len()
            + self.clients.values().map(|client| client.waiting.len()).sum::<usize>()
    }

    fn take(&mut self, preferred: Option<u64>) -> Option<Event> {
        if let Some(event) = self.first.pop_front() {
            return Some(event);
        }
        let behind = self.clients.range(self.last + 1..).map(|(id, _)| *id);
        let turns = behind.chain(self.clients.range(..=self.last).map(|(id, _)| *id));
        // One that stops the head again and again leaves others a turn in between.
        let preferred = preferred.filter(|id| *id != self.last);
        let turns: Vec<u64> = preferred.into_iter().chain(turns).collect();
        for id in turns {
            let Some(client) = self.clients.get_mut(&id) else { continue };
            let is_due = |next: &Waiting| next.due.is_none_or(|due| due <= Instant::now());
            let Some(next) = client.waiting.pop_front_if(|next| is_due(next)) else { continue };
            *client.bytes(next.bytes) -= next.bytes;
            if client.waiting.is_empty() {
                self.clients.remove(&id);
            }
            self.last = id;
            return Some(next.event);
        }
        None
    }
}
