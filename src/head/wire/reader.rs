//! Who reads what one client says, be it at a socket or at a serial line. Uses the framer, the watch
//! and the gate.

#![allow(clippy::disallowed_methods, reason = "the wire is made of sockets")]

use crate::head::wire::frame::{BLOCK_LOOKING, BLOCK_MOST, Frame, Framer, LINE_MOST};
use crate::head::wire::gate::{Gate, Origin};
use crate::head::wire::message::units;
use crate::head::wire::peer::Peer;
use crate::head::wire::tree::is;
use crate::head::wire::watch::Watch;
use std::io::{ErrorKind, Read};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::SyncSender;
use std::thread;
use std::time::{Duration, Instant};

/// Pause after which a begun block is given up.
pub const PAUSE: Duration = Duration::from_secs(2);

/// Silence after which a client that does not control the head is sent away.
const LOOKING_MOST: Duration = Duration::from_secs(600);

/// Between two looks of whoever waits for its turn to say a secret.
const LOOK: Duration = Duration::from_millis(20);

/// What a read gives in less was there already.
const AT_ONCE: Duration = Duration::from_millis(1);

/// Bytes read at once.
const CHUNK: usize = 64 * 1024;

/// What the thread of the head hears of.
pub enum Event {
    /// A client.
    Came(Guest, Peer),
    /// What it said, and when that came at the earliest.
    Said(u64, Frame, Instant),
    /// It is silent for so long that whoever speaks next is taken for somebody else.
    Fresh(u64),
    /// It left.
    Left(u64),
    /// People should know of this.
    Told(String),
}

/// A client as all threads know it.
#[derive(Clone)]
pub struct Guest {
    /// Its number; 0 is none.
    pub id: u64,
    /// Where it comes from.
    pub origin: Origin,
    /// It hung up, or was sent away.
    pub gone: Arc<AtomicBool>,
    /// It said the secret, or there is none.
    pub admitted: Arc<AtomicBool>,
}

/// What all readers share.
#[derive(Clone)]
pub struct Hall {
    /// Who controls the head.
    pub watch: Arc<Watch>,
    /// To the thread of the head.
    pub events: SyncSender<Event>,
    /// For whoever says a secret.
    pub gate: Arc<Gate>,
}

/// Reads what one client says.
pub struct Reader {
    /// Which client.
    pub client: Guest,
    /// What it says.
    pub stream: Box<dyn Read + Send>,
    /// What all readers share.
    pub hall: Hall,
}

impl Reader {
    /// Until it left; says why.
    pub fn run(mut self, peer: Peer) -> String {
        let came = Event::Came(self.client.clone(), peer);
        if self.hall.events.send(came).is_err() {
            return "the server ends".to_string();
        }
        let why = self.read();
        self.client.gone.store(true, Ordering::SeqCst);
        self.hall.watch.left(self.client.id);
        // Nobody hears it where the server ends.
        let _ = self.hall.events.send(Event::Left(self.client.id));
        why
    }

    fn read(&mut self) -> String {
        let id = self.client.id;
        let is_line = matches!(self.client.origin, Origin::Line(_));
        let watch = Arc::clone(&self.hall.watch);
        let mut framer = Framer::new(LINE_MOST);
        let mut chunk = vec![0; CHUNK];
        let mut frames = Vec::new();
        let mut last = Instant::now();
        // Nothing that is still unread came before.
        let mut since = last;
        let mut came = last;
        loop {
            let asked = Instant::now();
            match self.stream.read(&mut chunk) {
                Ok(0) => return "it ended".to_string(),
                Ok(count) => {
                    last = Instant::now();
                    // What waited while the head was busy is as old as it can be.
                    came = if last - asked > AT_ONCE { last } else { since };
                    let most = if watch.controller() == id { BLOCK_MOST } else { BLOCK_LOOKING };
                    framer.feed(chunk.get(..count).unwrap_or_default(), most, &mut frames);
                    // The noise of a cut line is nobody.
                    if !is_line || framer.in_block() || frames.iter().any(is_somebody) {
                        watch.heard(id, came);
                    }
                    if count < chunk.len() || frames.is_empty() {
                        since = last;
                    }
                }
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error)
                    if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) =>
                {
                    // A socket waits for as long by itself.
                    if !is_line || last.elapsed() >= PAUSE {
                        framer.pause(&mut frames);
                    }
                    if last.elapsed() > LOOKING_MOST && watch.controller() != id {
                        if !is_line {
                            return "it was silent".to_string();
                        }
                        last = Instant::now();
                        let _ = self.hall.events.send(Event::Fresh(id));
                    }
                }
                Err(error) => return error.to_string(),
            }
            if watch.is_ending() {
                return "the server ends".to_string();
            }
            for frame in frames.drain(..) {
                if is_blank(&frame) {
                    continue;
                }
                let over = !self.has_turn(&frame)
                    || self.hall.events.send(Event::Said(id, frame, came)).is_err();
                if over {
                    return "it was sent away".to_string();
                }
            }
        }
    }

    /// Waits for the turn of whoever says a secret; false where it is to go meanwhile.
    fn has_turn(&self, frame: &Frame) -> bool {
        if self.client.admitted.load(Ordering::SeqCst) || !says_secret(frame) {
            return true;
        }
        let until = Instant::now() + self.hall.gate.turn(self.client.origin);
        loop {
            if self.client.gone.load(Ordering::SeqCst) || self.hall.watch.is_ending() {
                return false;
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return true;
            }
            thread::sleep(left.min(LOOK));
        }
    }
}

/// A blank line says only that somebody is there.
fn is_blank(frame: &Frame) -> bool {
    frame.as_ref().is_ok_and(|message| message.iter().all(|byte| *byte <= b' '))
}

/// It reads like what somebody says.
fn is_somebody(frame: &Frame) -> bool {
    frame.as_ref().is_ok_and(|message| units(message).is_ok())
}

/// It tells a secret, right or wrong.
fn says_secret(frame: &Frame) -> bool {
    let last = |header: &str| header.rsplit(':').next().is_some_and(|word| is("SECRet", word));
    let units = frame.as_ref().ok().and_then(|message| units(message).ok());
    units.is_some_and(|units| units.iter().any(|unit| last(&unit.header)))
}

#[cfg(test)]
mod tests {
    use super::{Event, Guest, Hall, Reader};
    use crate::head::wire::gate::Origin;
    use crate::head::wire::peer::{Outbox, Peer};
    use crate::head::wire::watch::Watch;
    use std::io::Read;
    use std::sync::Arc;
    use std::sync::mpsc::sync_channel;
    use std::thread;
    use std::time::Duration;

    /// What came long ago, in pieces.
    struct Pieces(Vec<&'static [u8]>);

    impl Read for Pieces {
        fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
            let Some(piece) = self.0.pop() else { return Ok(0) };
            into[..piece.len()].copy_from_slice(piece);
            Ok(piece.len())
        }
    }

    /// Bytes that waited while the head was busy prove no more than that somebody was there.
    #[test]
    fn what_waits_unread_is_no_younger_for_it() {
        let (events, heard) = sync_channel(0);
        let watch = Arc::new(Watch::new(Duration::from_secs(60), Arc::default()));
        watch.give(1);
        let client = Guest {
            id: 1,
            origin: Origin::of("10.0.0.7".parse().unwrap()),
            gone: Arc::default(),
            admitted: Arc::default(),
        };
        let hall = Hall { watch: Arc::clone(&watch), events, gate: Arc::default() };
        let reader = Reader { client, stream: Box::new(Pieces(vec![b"B\n", b"A\n"])), hall };
        let reading = thread::spawn(move || reader.run(Peer::Line(Outbox::new().0)));
        assert!(matches!(heard.recv(), Ok(Event::Came(..))));
        let busy = Duration::from_millis(200);
        thread::sleep(busy);
        for wanted in [b"A", b"B"] {
            let Ok(Event::Said(1, Ok(said), _)) = heard.recv() else { panic!() };
            assert_eq!(said, wanted);
        }
        assert!(watch.silence() >= busy, "{:?}", watch.silence());
        assert!(matches!(heard.recv(), Ok(Event::Left(1))));
        reading.join().unwrap();
    }
}
