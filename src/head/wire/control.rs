//! The head behind a server, and which client controls it. Lives on the thread of the head. Uses links.

#![allow(clippy::disallowed_methods, reason = "a server owns a real clock")]

use crate::call::{Call, Reply};
use crate::safe::catch_panic;
use crate::wire::errors::WireError;
use crate::wire::inbox::{Inbox, StopCalls};
use crate::wire::watch::{ControlWatch, Stop};
use crate::{Calls, Description, Fault, Gauge, Head, Laser, Link, Rig, SafeState};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};
use thiserror::Error;

/// Who controls a head that several clients can reach, and that one of them has at a time, seen by one
/// client.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Control {
    /// That client.
    Own,
    /// Another one.
    Others,
    /// No client.
    None,
}

/// How long a head that was made safe is only looked at where that is asked for again.
const SAFE_AGAIN: Duration = Duration::from_millis(100);

/// Longest sleep in s of the head between two looks whether the client is still there.
const SLICE: f64 = 0.02;

/// Fewest characters of a secret.
const MIN_SECRET: usize = 8;

/// Most bytes of a secret.
const MAX_SECRET: usize = 200;

/// What is served, and how.
pub struct Served {
    /// The head with its gauge and faults.
    pub link: Box<dyn Link>,
    /// Time passes by itself, and not by what the head is asked for.
    pub real_time: bool,
    /// Seed of a simulated head.
    pub seed: Option<u64>,
    /// What clients must know; none where every client is admitted.
    pub secret: Option<Secret>,
    /// Clients at serial lines must know it as well.
    pub secret_at_lines: bool,
    /// How long the controlling client may stay silent before the head is made safe.
    pub limit: Duration,
    /// Set while what a client waits for is to be cut short; the head reads it.
    pub cut: Arc<AtomicBool>,
}

impl Served {
    /// A head that any client may control, with a dead-man limit of 3 s. `real_time`
    /// where time passes by itself, and not by what the head is asked for.
    pub fn new(head: Box<dyn Head>, gauge: Option<Box<dyn Gauge>>, real_time: bool) -> Served {
        let (limit, cut) = (Duration::from_secs(3), Arc::default());
        let link = Box::new(Rig::new(head, gauge));
        Served { link, real_time, seed: None, secret: None, secret_at_lines: true, limit, cut }
    }
}

/// What clients must know. Kept as a digest and never shown.
#[derive(Clone)]
pub struct Secret([u8; 32]);

impl Secret {
    /// Of a text of 8 characters to 200 bytes: at one guess a second, which a server lets through,
    /// eight random letters or digits outlast any head.
    pub fn new(secret: &str) -> Result<Secret, SecretError> {
        if secret.chars().count() < MIN_SECRET {
            return Err(SecretError::Short);
        }
        if secret.chars().any(char::is_control) || secret.len() > MAX_SECRET {
            return Err(SecretError::Long);
        }
        Ok(Secret::of(secret))
    }

    fn of(secret: &str) -> Secret {
        Secret(Sha256::digest(secret.as_bytes()).into())
    }

    /// Whether it is this, in a time that does not tell how much of it is.
    fn is(&self, other: &str) -> bool {
        let other = Secret::of(other);
        self.0.iter().zip(other.0).fold(0, |apart, (own, other)| apart | (own ^ other)) == 0
    }
}

/// Why a text is no secret. It is not shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum SecretError {
    /// It can be guessed.
    #[error(
        "a secret has at least {MIN_SECRET} characters, since a shorter one can be guessed over the \
         wire: take a long random one"
    )]
    Short,
    /// It cannot be sent.
    #[error("a secret has at most {MAX_SECRET} bytes and no control characters")]
    Long,
}

impl core::fmt::Debug for Secret {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("Secret")
    }
}

/// The head and which client controls it.
pub struct ControlledHead {
    pub(super) served: Served,
    description: Option<Rc<Description>>,
    watch: Arc<ControlWatch>,
    /// The state after a client made the head safe while another controlled it.
    intervened: Option<SafeState>,
    /// Clients that lost control through others, and why.
    revoked: Vec<(u64, WireError)>,
    /// The controlling client injected faults.
    injected: bool,
    /// When the head was made safe last, and whether it was to go on turning; none where it was asked to
    /// move since.
    safe: Option<(Instant, bool)>,
    /// Clients at lines, which cannot hang up.
    at_lines: BTreeSet<u64>,
    /// Where stops come in.
    inbox: Arc<Inbox>,
    /// Stops that were carried out, by the number of their message: the client, and what came of it.
    stopped: BTreeMap<u64, (u64, VecDeque<Result<Reply, Fault>>)>,
}

impl ControlledHead {
    /// Takes what is served.
    pub fn new(served: Served, watch: Arc<ControlWatch>) -> ControlledHead {
        ControlledHead {
            served,
            description: None,
            watch,
            intervened: None,
            revoked: Vec::new(),
            injected: false,
            safe: None,
            at_lines: BTreeSet::new(),
            inbox: Arc::default(),
            stopped: BTreeMap::new(),
        }
    }

    /// The same with stops that come in there.
    pub(super) fn stopped_by(self, inbox: Arc<Inbox>) -> ControlledHead {
        ControlledHead { inbox, ..self }
    }

    /// Carries out the stops that wait; what came of them is told in the turn of their clients.
    pub(super) fn carry_out_stops(&mut self) {
        for StopCalls { id, number, calls } in self.inbox.take_stops() {
            self.watch.stopping();
            let done = calls.iter().map(|call| self.call(id, call)).collect();
            self.stopped.insert(number, (id, done));
        }
    }

    /// What came of the next call of a message that was carried out already.
    pub(super) fn take_stopped(&mut self, number: u64) -> Option<Result<Reply, Fault>> {
        self.stopped.get_mut(&number)?.1.pop_front()
    }

    /// Nothing that a client said before has its turn any more.
    pub(super) fn forget_stops(&mut self, id: u64) {
        self.stopped.retain(|_, (by, _)| *by != id);
    }

    /// That message was told all.
    pub(super) fn told(&mut self, number: u64) {
        self.stopped.remove(&number);
    }

    /// A client that waits for what came of a stop.
    pub(super) fn waits_for_stop(&self) -> Option<u64> {
        self.stopped.values().next().map(|(id, _)| *id)
    }

    /// A client is at a serial line, which cannot hang up.
    pub fn is_at_line(&mut self, id: u64) {
        self.at_lines.insert(id);
    }

    /// A client left.
    pub fn left(&mut self, id: u64) {
        self.at_lines.remove(&id);
        self.forget_stops(id);
    }

    /// The head was made safe after a client said the message of that number, or by another one after the
    /// message of number `since`.
    pub fn is_stopped(&self, id: u64, number: u64, since: u64) -> bool {
        self.watch.is_stopped(Stop::Safe, id, number, since)
    }

    /// As that, or the laser was disarmed.
    pub fn is_disarmed(&self, id: u64, number: u64, since: u64) -> bool {
        self.watch.is_stopped(Stop::Dark, id, number, since)
    }

    /// What the head is, as it said first.
    pub fn description(&mut self) -> Result<Rc<Description>, Fault> {
        if let Some(known) = &self.description {
            return Ok(known.clone());
        }
        let described = Rc::new(catch_panic(|| self.served.link.describe())?);
        self.description = Some(described.clone());
        Ok(described)
    }

    /// Answer to `*IDN?`: four fields, without commas of their own.
    pub fn identity(&mut self) -> String {
        let plain = |text: &str| text.replace([',', ';'], " ");
        let (model, serial) = match self.description() {
            Ok(head) => (plain(&head.model), plain(&head.serial)),
            Err(_) => ("a head that does not answer".to_string(), "0".to_string()),
        };
        format!("spintrue,{model},{serial},{}", env!("CARGO_PKG_VERSION"))
    }

    /// Whether that is the secret; where there is none, any is.
    pub fn is_secret(&self, secret: &str) -> bool {
        self.served.secret.as_ref().is_none_or(|own| own.is(secret))
    }

    /// Who controls the head, seen by a client.
    pub fn control_of(&self, id: u64) -> Control {
        match self.watch.controller() {
            0 => Control::None,
            own if own == id => Control::Own,
            _ => Control::Others,
        }
    }

    /// Gives control to a client, unless another one has it. One at a line that lets the head rest and
    /// is silent beyond the limit may have been gone for hours, and gives way.
    pub fn take(&mut self, id: u64) -> Result<(), WireError> {
        let controller = self.watch.controller();
        let resting = !self.watch.is_moving() && self.watch.silence() > self.served.limit;
        if controller != id && resting && self.at_lines.contains(&controller) {
            let why = "control was lost: another client took it after a silence";
            self.revoke(WireError::new(-203, why));
        }
        match self.control_of(id) {
            Control::Others => {
                let why = "another client controls the head: wait until it says CONTrol:RELease";
                Err(WireError::new(-203, why))
            }
            Control::Own => Ok(()),
            Control::None => {
                self.watch.give(id);
                Ok(())
            }
        }
    }

    /// Makes the head safe where it was moved, and takes control from a client that has it.
    pub fn release(&mut self, id: u64, keep_spinning: bool) {
        if self.control_of(id) == Control::Own {
            self.watch.give(0);
            if self.watch.is_moving() {
                self.bring_down(keep_spinning);
            }
            self.clear_faults();
        }
    }

    /// Faults that one client injected do not strike the next.
    fn clear_faults(&mut self) {
        if core::mem::take(&mut self.injected) {
            // A head that is not simulated had none.
            let _ = self.served.link.clear_faults();
        }
    }

    /// Head time in s.
    pub fn time(&mut self) -> Result<f64, Fault> {
        catch_panic(|| Ok(self.served.link.now()))
    }

    /// Makes a call for a client.
    pub fn call(&mut self, id: u64, call: &Call) -> Result<Reply, Fault> {
        match call {
            Call::MakeSafe { keep_spinning } => {
                return Ok(Reply::Safe(self.make_safe_for(id, *keep_spinning)));
            }
            Call::Sleep { seconds } => return self.sleep(*seconds),
            _ => {}
        }
        if call.row().moves {
            self.watch.moves(true);
            self.safe = None;
        }
        self.injected |= matches!(call, Call::Inject { .. });
        catch_panic(|| self.served.link.call(call))
    }

    /// Makes the head safe for a client, and ends the control of another.
    fn make_safe_for(&mut self, id: u64, keep_spinning: bool) -> SafeState {
        let anothers = self.control_of(id) == Control::Others;
        if anothers {
            self.revoke(WireError::new(-221, "another client made the head safe"));
        }
        let state = self.seen_safe(keep_spinning);
        let state = state.unwrap_or_else(|| self.bring_down(keep_spinning));
        if anothers {
            self.intervened = Some(state.clone());
        }
        state
    }

    /// The state of a head that was made safe a moment ago and is so still: a flood of stops must not keep
    /// it from everything else.
    fn seen_safe(&mut self, keep_spinning: bool) -> Option<SafeState> {
        let (at, kept) = self.safe?;
        if at.elapsed() > SAFE_AGAIN || kept != keep_spinning {
            return None;
        }
        let status = catch_panic(|| self.served.link.status()).ok()?;
        let state = SafeState::seen(Some(&status), keep_spinning, Vec::new());
        (state.laser_off && state.parked).then_some(state)
    }

    /// Lets time pass, in slices where it is real.
    fn sleep(&mut self, seconds: f64) -> Result<Reply, Fault> {
        let mut left = seconds;
        while left > 0.0 {
            if self.watch.is_cut() {
                return Err(Fault::Refused("a stop cut it short".to_string()));
            }
            let slice = if self.served.real_time { left.min(SLICE) } else { left };
            catch_panic(|| self.served.link.sleep(slice))?;
            left -= slice;
        }
        Ok(Reply::Done)
    }

    fn bring_down(&mut self, keep_spinning: bool) -> SafeState {
        let made = catch_panic(|| self.served.link.make_safe(keep_spinning));
        let state = made.unwrap_or_else(|fault| SafeState::unknown(vec![fault.to_string()]));
        // A rotor that runs out, or is kept spinning without a controlling client, needs no watch; what
        // could not be made safe is tried again.
        let watched = keep_spinning && self.watch.controller() != 0;
        let good = state.laser_off && state.parked && state.troubles.is_empty();
        self.safe = good.then(|| (Instant::now(), keep_spinning));
        self.watch.moves(!state.laser_off || watched);
        state
    }

    /// Makes the head safe where it was moved since the last time.
    pub fn make_safe(&mut self) -> Option<SafeState> {
        self.watch.is_moving().then(|| self.bring_down(false))
    }

    /// Tries again to make a head safe that failed to be, once no client controls it.
    pub fn try_again(&mut self) -> Option<SafeState> {
        if self.watch.controller() == 0 { self.make_safe() } else { None }
    }

    /// Nothing moves and no light is possible, as the head says.
    pub fn is_still(&mut self) -> bool {
        let status = catch_panic(|| self.served.link.status());
        let still = status.is_ok_and(|s| s.at_rest && s.target.is_none() && s.laser == Laser::Off);
        if still {
            self.watch.moves(false);
        }
        still
    }

    /// Takes control from the client that has it, which is told why.
    pub fn revoke(&mut self, why: WireError) {
        let controller = self.watch.controller();
        if controller != 0 {
            self.revoked.push((controller, why));
            self.watch.give(0);
            self.clear_faults();
        }
    }

    /// The state after a client made the head safe while another controlled it, for the log.
    pub fn intervened(&mut self) -> Option<SafeState> {
        self.intervened.take()
    }

    /// Clients that are to be told that they lost control.
    pub fn revoked(&mut self) -> Vec<(u64, WireError)> {
        core::mem::take(&mut self.revoked)
    }

    /// Waits until the polygon rests, as long as the head says that it may take at most, and as
    /// long as `patient`.
    pub fn see_to_rest(&mut self, patient: impl Fn() -> bool) {
        let most = self.description().map_or(0.0, |head| head.coast_most);
        let mut waited = 0.0;
        while waited < most && patient() && !self.is_still() {
            if catch_panic(|| self.served.link.sleep(SLICE)).is_err() {
                return;
            }
            waited += SLICE;
        }
    }
}
