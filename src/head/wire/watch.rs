//! Which client controls the head and when it was last heard, shared by the threads of a server; and
//! the rule when it has been silent for too long. Uses nothing.

#![allow(clippy::disallowed_methods, reason = "silence is measured on the clock of the wall")]

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// What is done early, so that the head is safe when the limit is over: a fifth of it, at most this.
const MAX_EARLY: Duration = Duration::from_millis(500);

/// Shared by the threads of a server.
#[derive(Debug)]
pub struct ControlWatch {
    started: Instant,
    limit: Duration,
    /// The client in control; 0 is none.
    controller: AtomicU64,
    /// When it was last heard, in us since the start.
    heard: AtomicU64,
    /// The head was moved or armed and not made safe since.
    moving: AtomicBool,
    /// Its time is over, or it hung up.
    lost: AtomicBool,
    /// What the head does is to be cut short.
    cut: Arc<AtomicBool>,
    /// The server is to end.
    ending: AtomicBool,
    /// The number of the last message.
    messages: AtomicU64,
    /// Messages that stopped the head.
    stops: Mutex<Stops>,
}

/// The last messages that stopped the head: number and client, the last of each client.
#[derive(Debug, Default)]
struct Stops {
    /// That disarmed or made safe.
    dark: Vec<(u64, u64)>,
    /// That made safe.
    safe: Vec<(u64, u64)>,
    /// The number of the last one, and when it came.
    last: Option<(u64, Instant)>,
}

/// In which a reader wakes up, on a busy machine.
const WAKING: Duration = Duration::from_millis(20);

/// Clients whose last stop is kept in mind; an older one was followed by so many others.
const MAX_STOPPERS: usize = 16;

/// How a client stops the head.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stop {
    /// The laser is disarmed.
    Dark,
    /// All is made safe.
    Safe,
}

impl ControlWatch {
    /// A watch without a controlling client. `cut` is set while what the head does is to be cut short.
    pub fn new(limit: Duration, cut: Arc<AtomicBool>) -> ControlWatch {
        ControlWatch {
            started: Instant::now(),
            limit,
            controller: AtomicU64::new(0),
            heard: AtomicU64::new(0),
            moving: AtomicBool::new(false),
            lost: AtomicBool::new(false),
            cut,
            ending: AtomicBool::new(false),
            messages: AtomicU64::new(0),
            stops: Mutex::default(),
        }
    }

    fn now(&self) -> u64 {
        self.since_start(Instant::now())
    }

    /// The client in control; 0 is none.
    pub fn controller(&self) -> u64 {
        self.controller.load(Ordering::SeqCst)
    }

    /// Gives control to a client, or to none by 0.
    pub fn give(&self, id: u64) {
        self.lost.store(false, Ordering::SeqCst);
        self.heard.store(self.now(), Ordering::SeqCst);
        self.controller.store(id, Ordering::SeqCst);
        // The loss of the one before may have been seen twice.
        self.stopping();
    }

    /// How long the client in control has been silent.
    pub fn silence(&self) -> Duration {
        let heard = self.heard.load(Ordering::SeqCst);
        Duration::from_micros(self.now().saturating_sub(heard))
    }

    /// A client was heard at that time, or later.
    pub fn heard(&self, id: u64, at: Instant) {
        if self.controller() == id {
            self.heard.fetch_max(self.since_start(at), Ordering::SeqCst);
        }
    }

    /// A client was heard last at that time, whatever was known before.
    pub fn heard_at(&self, id: u64, at: Instant) {
        if self.controller() == id {
            self.heard.store(self.since_start(at), Ordering::SeqCst);
        }
    }

    fn since_start(&self, at: Instant) -> u64 {
        let since = at.saturating_duration_since(self.started);
        u64::try_from(since.as_micros()).unwrap_or(u64::MAX)
    }

    /// A client hung up.
    pub fn left(&self, id: u64) {
        if self.controller() == id {
            self.lost.store(true, Ordering::SeqCst);
            self.cut.store(true, Ordering::SeqCst);
        }
    }

    /// The head was moved, or made safe.
    pub fn moves(&self, moving: bool) {
        self.moving.store(moving, Ordering::SeqCst);
    }

    /// The head was moved or armed and not made safe since.
    pub fn is_moving(&self) -> bool {
        self.moving.load(Ordering::SeqCst)
    }

    /// Whether a silence is so long that the head must be made safe.
    pub fn is_over(&self, silence: Duration) -> bool {
        silence >= self.limit - (self.limit / 5).min(MAX_EARLY)
    }

    /// Reads the clock: a client that moved the head and is silent loses control.
    pub fn look(&self) {
        if self.is_over(self.silence()) && self.controller() != 0 && self.is_moving() {
            self.lost.store(true, Ordering::SeqCst);
            self.cut.store(true, Ordering::SeqCst);
        }
    }

    /// What the head does is to be cut short.
    pub fn is_cut(&self) -> bool {
        self.cut.load(Ordering::SeqCst)
    }

    /// The server is to end; what the head does is cut short.
    pub fn end(&self) {
        self.ending.store(true, Ordering::SeqCst);
        self.cut.store(true, Ordering::SeqCst);
    }

    /// The server is to end.
    pub fn is_ending(&self) -> bool {
        self.ending.load(Ordering::SeqCst)
    }

    /// The number of a message that came just now.
    pub fn numbered(&self) -> u64 {
        self.messages.fetch_add(1, Ordering::SeqCst) + 1
    }

    /// The number of the last message when bytes were sent that are read now. A `burst` was sent before a
    /// stop that came while its reader was on the way to it.
    pub fn last_number(&self, burst: bool) -> u64 {
        let last = self.messages.load(Ordering::SeqCst);
        let stops = self.stops.lock().unwrap_or_else(PoisonError::into_inner);
        match stops.last {
            Some((number, at)) if burst && at.elapsed() < WAKING => number - 1,
            _ => last,
        }
    }

    /// A message of that number stops the head: what the head does is cut short.
    pub fn stop(&self, how: Stop, number: u64, id: u64) {
        let mut stops = self.stops.lock().unwrap_or_else(PoisonError::into_inner);
        let Stops { dark, safe, last } = &mut *stops;
        *last = Some((number, Instant::now()));
        for list in [Some(dark), Some(safe).filter(|_| how == Stop::Safe)].into_iter().flatten() {
            list.retain(|(_, by)| *by != id);
            list.push((number, id));
            if list.len() > MAX_STOPPERS {
                list.remove(0);
            }
        }
        drop(stops);
        self.cut_short();
    }

    /// The head was stopped at least so by a client itself behind its message of that number, or by another
    /// one behind the message of number `since`.
    pub fn is_stopped(&self, how: Stop, id: u64, number: u64, since: u64) -> bool {
        let stops = self.stops.lock().unwrap_or_else(PoisonError::into_inner);
        let list = if how == Stop::Safe { &stops.safe } else { &stops.dark };
        list.iter().any(|(at, by)| *at > if *by == id { number } else { since })
    }

    /// What the head does is cut short.
    pub fn cut_short(&self) {
        self.cut.store(true, Ordering::SeqCst);
    }

    /// What was cut short has ended; what stops the head is not.
    pub fn stopping(&self) {
        if !self.is_ending() {
            self.cut.store(false, Ordering::SeqCst);
        }
    }

    /// From here on nothing is cut short any more.
    pub fn settle(&self) {
        self.cut.store(false, Ordering::SeqCst);
    }

    /// Whether the client in control was lost since this was asked; what follows is not cut short.
    pub fn was_lost(&self) -> bool {
        let lost = self.lost.swap(false, Ordering::SeqCst);
        if lost {
            self.cut.store(false, Ordering::SeqCst);
        }
        lost
    }

    /// It was heard within the limit after all, or nothing moved.
    pub fn again(&self) {
        self.heard.store(self.now(), Ordering::SeqCst);
    }
}

#[cfg(test)]
mod tests {
    use super::ControlWatch;
    use std::sync::Arc;
    use std::time::{Duration, Instant};

    #[test]
    fn only_a_silent_client_that_moved_the_head_is_lost() {
        let cut = Arc::default();
        let watch = ControlWatch::new(Duration::from_millis(50), Arc::clone(&cut));
        let silence = || std::thread::sleep(Duration::from_millis(60));
        watch.moves(true);
        silence();
        watch.look();
        assert!(!watch.was_lost(), "no client is in control");
        watch.give(7);
        watch.look();
        assert!(!watch.was_lost(), "it was heard");
        watch.moves(false);
        silence();
        watch.look();
        assert!(!watch.was_lost(), "nothing moves");
        watch.moves(true);
        watch.heard(8, Instant::now());
        watch.look();
        assert!(watch.is_cut() && watch.was_lost(), "another client counts for nothing");
        assert!(!watch.is_cut());
        // The loss is seen once more before it is acted on.
        watch.look();
        watch.give(8);
        assert!(!watch.is_cut() && !watch.was_lost(), "what the next client asks is cut short");
    }
}
