//! The server: one thread that owns the head, one that accepts clients and watches over silence, and
//! one that reads for each client. Here is the first. Uses the sessions, the controlled and the acceptor.
//!
//! All input is bounded: clients, bytes of a message, messages that wait, bytes that a client
//! leaves unread. A client that does not keep to it loses its connection, never the head.

#![allow(clippy::disallowed_methods, reason = "the wire is made of sockets")]

use crate::SafeState;
use crate::safe::catch_panic;
use crate::wire::acceptor::{Acceptor, Listener};
use crate::wire::authentication::SecretTurns;
use crate::wire::control::{Control, ControlledHead, Served};
use crate::wire::errors::WireError;
use crate::wire::inbox::{Event, Inbox, Message};
use crate::wire::reader::{Connection, Shared};
use crate::wire::sender::{ReplySender, Sent};
use crate::wire::session::WireSession;
use crate::wire::watch::ControlWatch;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

/// Between two looks of the thread of the head where nothing is asked.
const IDLE: Duration = Duration::from_millis(20);

/// Between two attempts to send what clients did not take at once, each of which may be a short wait.
const MORE: Duration = Duration::from_millis(50);

/// Between two attempts to make a head safe that failed to be.
const AGAIN: Duration = Duration::from_secs(1);

/// A client as the thread of the head knows it.
struct Client {
    session: WireSession,
    connection: Connection,
    sender: ReplySender,
}

impl Client {
    /// As if another user came to the line.
    fn begin_anew(&mut self) {
        self.session.begin_anew();
        self.connection.admitted.store(self.session.admitted, Ordering::SeqCst);
    }
}

/// What the thread of the head works with.
struct Server<'a> {
    controlled: ControlledHead,
    watch: Arc<ControlWatch>,
    inbox: Arc<Inbox>,
    turns: Arc<SecretTurns>,
    clients: BTreeMap<u64, Client>,
    /// No secret is asked for: at sockets, and at serial lines.
    open: (bool, bool),
    log: &'a mut dyn FnMut(&str),
}

/// Serves until `end` is set, then makes the head safe and sees it to rest, until `end_now`. Tells
/// `log` what people should know of.
pub fn serve_listeners(
    served: Served,
    listeners: Vec<Listener>,
    end: &Arc<AtomicBool>,
    end_now: &AtomicBool,
    log: &mut dyn FnMut(&str),
) -> std::io::Result<()> {
    let watch = Arc::new(ControlWatch::new(served.limit, Arc::clone(&served.cut)));
    let open = served.secret.is_none();
    let open = (open, open || !served.secret_at_lines);
    let inbox: Arc<Inbox> = Arc::default();
    let turns = Arc::new(SecretTurns::default());
    let foreign = Arc::default();
    let shared = Shared {
        watch: Arc::clone(&watch),
        inbox: Arc::clone(&inbox),
        turns: Arc::clone(&turns),
        foreign,
    };
    let acceptor = Acceptor::new(listeners, shared, Arc::clone(end))?;
    let acceptor =
        thread::Builder::new().name("acceptor".to_string()).spawn(move || acceptor.run())?;
    let controlled = ControlledHead::new(served, Arc::clone(&watch)).stopped_by(Arc::clone(&inbox));
    let clients = BTreeMap::new();
    let mut server = Server { controlled, watch, inbox, turns, clients, open, log };
    server.hear();
    // No client may hold the head up any longer, and messages of readers are dropped.
    server.inbox.close();
    for client in server.clients.values() {
        client.sender.hang_up();
    }
    server.clients.clear();
    server.watch.settle();
    if let Some(state) = server.controlled.make_safe() {
        (server.log)(&told("the server ends", &state));
        server.controlled.see_to_rest(|| !end_now.load(Ordering::SeqCst));
    }
    // The acceptor joins its readers.
    if acceptor.join().is_err() {
        (server.log)("internal error: a thread of the server broke");
    }
    Ok(())
}

impl Server<'_> {
    /// Until the server is to end.
    fn hear(&mut self) {
        let (mut attentive, mut tried, mut sent) = (false, Instant::now(), Instant::now());
        loop {
            // A client that stopped the head waits for its reply.
            let stopping = self.controlled.waits_for_stop();
            self.controlled.carry_out_stops();
            let event = self.inbox.next(stopping, attentive, IDLE);
            attentive = matches!(event, Some(Event::Message(..)));
            self.look();
            if let Some(event) = event {
                self.event(event);
            }
            if sent.elapsed() > MORE {
                self.send_more();
                sent = Instant::now();
            }
            if tried.elapsed() > AGAIN {
                tried = Instant::now();
                if let Some(state) = self.controlled.try_again().filter(|state| state.laser_off) {
                    (self.log)(&told("tried again", &state));
                }
            }
            if let Some(state) = self.controlled.intervened() {
                (self.log)(&told("a client ended the control of another", &state));
            }
            for (id, why) in self.controlled.revoked() {
                if let Some(client) = self.clients.get_mut(&id) {
                    client.session.tell(why);
                }
            }
            self.look();
            if self.watch.is_ending() {
                return;
            }
        }
    }

    fn event(&mut self, event: Event) {
        match event {
            Event::Connected(connection, sender) => {
                let (at_sockets, at_lines) = self.open;
                let open = if sender.is_line() { at_lines } else { at_sockets };
                let session = WireSession::new(connection.id, open);
                connection.admitted.store(open, Ordering::SeqCst);
                if sender.is_line() {
                    self.controlled.is_at_line(connection.id);
                }
                self.clients.insert(connection.id, Client { session, connection, sender });
            }
            Event::Message(id, message) => {
                let controlled = self.watch.controller() == id;
                if !self.said(id, message) {
                    self.dismiss(id);
                } else if let Some(client) = self.clients.get(&id).filter(|_| !controlled) {
                    // Where it took control: what waited for the head is as old as it is.
                    self.watch.heard_at(id, client.connection.heard());
                }
            }
            Event::TooMuch(id) => {
                self.watch.stopping();
                self.controlled.forget_stops(id);
                let why = WireError::new(-363, "more messages wait for the head than may");
                if let Some(client) = self.clients.get_mut(&id) {
                    (self.log)(&format!("sent a client away: {why}"));
                    if !client.sender.is_line() {
                        // It may have hung up by itself.
                        let _ = client.sender.send(format!("{why}\n").into_bytes());
                    }
                }
                self.dismiss(id);
            }
            Event::NewUser(id) => self.begin_anew(id),
            Event::Disconnected(id) => self.leave(id),
            Event::Log(what) => (self.log)(&what),
        }
    }

    /// The client in control may have hung up, or been silent for too long.
    fn look(&mut self) {
        if !self.watch.was_lost() {
            return;
        }
        let id = self.watch.controller();
        let client = self.clients.get_mut(&id);
        let hung_up =
            client.as_ref().is_none_or(|client| client.connection.gone.load(Ordering::SeqCst));
        if !hung_up && self.controlled.is_still() {
            self.watch.again();
            return;
        }
        let why = if hung_up {
            "the client in control hung up".to_string()
        } else {
            let limit = self.controlled.served.limit.as_secs_f64();
            format!("the client in control was silent for {limit} s")
        };
        // The next message at a line may be another user's, who finds this and nothing older.
        if let Some(client) = client.filter(|client| client.sender.is_line()) {
            client.begin_anew();
        }
        if let Some(state) = self.controlled.make_safe() {
            (self.log)(&told(&why, &state));
        }
        let why = format!("control was lost and the head made safe: {why}");
        self.controlled.revoke(WireError::new(-203, why));
    }

    /// A client goes; the head is made safe where it had control.
    fn leave(&mut self, id: u64) {
        if let Some(client) = self.clients.remove(&id) {
            // Its reader ends, whatever still comes.
            client.connection.gone.store(true, Ordering::SeqCst);
            client.sender.hang_up();
        }
        self.ends_control(id, "the client in control hung up");
        self.controlled.left(id);
    }

    fn ends_control(&mut self, id: u64, why: &str) {
        if self.controlled.control_of(id) == Control::Own {
            if let Some(state) = self.controlled.make_safe() {
                (self.log)(&told(why, &state));
            }
            self.controlled.release(id, false);
        }
    }

    /// Disconnects a client; one at a line cannot be, and begins anew.
    fn dismiss(&mut self, id: u64) {
        if self.clients.get(&id).is_some_and(|client| client.sender.is_line()) {
            self.begin_anew(id);
        } else {
            self.leave(id);
        }
    }

    /// As if another user came to the line.
    fn begin_anew(&mut self, id: u64) {
        self.ends_control(id, "the client in control was sent away");
        if let Some(client) = self.clients.get_mut(&id) {
            client.session.tries = 0;
            client.begin_anew();
        }
    }

    /// Sends what clients did not take at once.
    fn send_more(&mut self) {
        let sent = self.clients.iter_mut().map(|(id, client)| (*id, client.sender.send_more()));
        let gone: Vec<u64> =
            sent.filter(|(_, sent)| *sent == Sent::Never).map(|(id, _)| id).collect();
        for id in gone {
            self.dismiss(id);
        }
    }

    /// Carries a message out and sends the reply; false where the client is to go.
    fn said(&mut self, id: u64, message: Message) -> bool {
        let Some(client) = self.clients.get_mut(&id) else {
            self.controlled.told(message.number);
            return true;
        };
        let (session, connection) = (&mut client.session, &client.connection);
        (session.number, session.since) = (message.number, message.since);
        session.barred = if connection.gone.load(Ordering::SeqCst) {
            Some("this client hung up")
        } else if self.watch.controller() != id && self.watch.is_over(connection.heard().elapsed())
        {
            Some("the client was silent for too long since it said this: say it again")
        } else {
            None
        };
        let wrong = session.tries;
        let controlled = &mut self.controlled;
        let reply = catch_panic(|| Ok(session.hear(message.frame, controlled)));
        let reply = reply.unwrap_or_else(|fault| {
            session.tell(WireError::new(-310, fault.to_string()));
            None
        });
        let was = connection.admitted.swap(session.admitted, Ordering::SeqCst);
        if session.tries > wrong {
            self.turns.known(connection.origin, false);
        } else if !was && session.admitted {
            self.turns.known(connection.origin, true);
        }
        if session.is_unwelcome() {
            return false;
        }
        let Some(mut reply) = reply else { return true };
        reply.push(b'\n');
        match client.sender.send(reply) {
            Sent::Yes => true,
            Sent::Never => false,
            Sent::TooMuch => {
                let why = "too many replies wait for this line, so that one was thrown away";
                client.session.tell(WireError::new(-430, why));
                true
            }
        }
    }
}

/// A line for the log on a head that was made safe.
fn told(why: &str, state: &SafeState) -> String {
    let laser = if state.laser_off { "laser off" } else { "THE LASER MAY BE ON" };
    let mirror = if state.parked { "mirror parked" } else { "mirror NOT PARKED" };
    let polygon = if state.at_rest { "polygon at rest" } else { "polygon on its way down" };
    let troubles: String = state.troubles.iter().map(|trouble| format!("; {trouble}")).collect();
    format!("{why}: made safe: {laser}, {mirror}, {polygon}{troubles}")
}
