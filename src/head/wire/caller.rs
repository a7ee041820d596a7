//! The caller: makes the calls of a head at the other end of a wire. Uses the codec and the link.
//!
//! A call that failed because of the link is not made again unless that does no harm: whether it acted
//! is not known. The link is closed then, on which the server makes the head safe. A new link is made by
//! what looks, disarms or makes safe; all else waits until the head was made safe over it. A head
//! that another client controls, and that was never moved from here, is left to that one.

#![allow(clippy::disallowed_methods, reason = "this head owns a real clock")]

use crate::call::{Access, Call, FromReply, Reply};
use crate::link::{not_simulated, take_reply};
use crate::wire::codec::{MAX_SLEEP, Parameters};
use crate::wire::control::Control;
use crate::wire::errors::WireError;
use crate::wire::greeting::{Linked, MIN_REPLY, WireTarget, greet};
use crate::wire::limits::{carrying, in_all, link_most};
use crate::wire::link::LinkError;
use crate::wire::message::{Argument, reply_parts};
use crate::wire::mnemonic::is;
use crate::wire::outcome::{Failure, read_outcome};
use crate::wire::tree::{find_header, of_call, read_reply_for, write_call_for};
use crate::wire::words::{ANOTHERS, CONTROLLED, detail, left_to_another, lost_control};
use crate::{Description, Fault, Laser, SafeState, Status};
use std::cell::Cell;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread;
use std::time::{Duration, Instant};

/// Slice of a wait, between two looks at the stop flag.
const SLICE: Duration = Duration::from_millis(50);

/// How long a reply is still waited for after a request to stop: most are short, and spare the
/// link.
const MAX_STOPPING: Duration = Duration::from_millis(300);

/// Errors that are taken from the other end at most.
const MAX_ERRORS: usize = 40;

/// What a message does, by which a request to stop ends its wait or not.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    /// It only looks.
    Looks,
    /// It acts, and waits for no motion.
    Acts,
    /// It may wait for long; a request to stop from before ends that as well.
    Lasts,
    /// It makes safe: no request to stop ends the wait.
    Saves,
}

impl Kind {
    fn of(call: &Call) -> Kind {
        let row = call.row();
        match row.access {
            Access::Anyone => Kind::Saves,
            _ if row.waits => Kind::Lasts,
            Access::Observer => Kind::Looks,
            Access::Controller => Kind::Acts,
        }
    }
}

/// The other end, as all that is known here.
pub(crate) struct Wire {
    target: WireTarget,
    linked: Option<Linked>,
    /// The last link that was tried came about.
    answers: bool,
    /// No server listened there when it was tried.
    refused: bool,
    /// Control was had, as far as is known; otherwise nothing was moved from here.
    took: bool,
    /// This end wants the head safe even while another client controls it.
    insists: bool,
    /// A speed was asked for, and the polygon not brought down from here since.
    spinning: bool,
    /// Why the last link was lost; nothing moves before the head was made safe over a new one.
    lost: Option<String>,
    /// Why time could not pass or be read; the next call tells it.
    untold: Option<Fault>,
    description: Option<Description>,
    /// Speed asked for last.
    speed: Option<f64>,
    kept_spinning: bool,
    /// Head time in s at a moment here, where it passes by itself; goes on without a link.
    clock: Option<(Instant, f64)>,
    now: f64,
}

impl Wire {
    /// Makes no link yet.
    pub(crate) fn new(target: WireTarget) -> Wire {
        Wire {
            target,
            linked: None,
            answers: true,
            refused: false,
            took: false,
            insists: false,
            spinning: false,
            lost: None,
            untold: None,
            description: None,
            speed: None,
            kept_spinning: false,
            clock: None,
            now: 0.0,
        }
    }

    /// The link, which is made where there is none.
    pub(crate) fn linked(&mut self) -> Result<&mut Linked, Fault> {
        if self.linked.is_none() {
            let greeted = greet(&self.target, self.answers);
            self.answers = greeted.is_ok();
            self.refused = greeted.as_ref().err().is_some_and(|error| error.refused);
            let new = greeted.map_err(|error| Fault::Broken(error.why))?;
            self.clock = new.clock;
            self.linked = Some(new);
        }
        self.linked.as_mut().ok_or_else(|| Fault::Broken("there is no link".to_string()))
    }

    /// Makes a call.
    pub(crate) fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        match call {
            Call::Describe => self.described().map(|head| Reply::Description(Box::new(head))),
            Call::Sleep { seconds } => {
                self.sleep(*seconds);
                Ok(Reply::Done)
            }
            Call::Disarm => self.disarm().map(Reply::from),
            Call::MakeSafe { keep_spinning } => Ok(Reply::Safe(self.make_safe(*keep_spinning))),
            call if call.is_about_faults()
                && self.description.as_ref().is_some_and(|head| !head.simulated) =>
            {
                Err(not_simulated())
            }
            _ => self.ask(call),
        }
    }

    /// The same with its reply taken out.
    fn request<T: FromReply>(&mut self, call: &Call) -> Result<T, Fault> {
        take_reply(call.row(), self.ask(call)?)
    }

    /// Asks the other end.
    fn ask(&mut self, call: &Call) -> Result<Reply, Fault> {
        let untold = self.untold.take();
        let access = call.row().access;
        if let (Some(fault), Access::Observer | Access::Controller) = (untold, access) {
            return Err(fault);
        }
        let most = self.most(call);
        if access == Access::Controller {
            self.take()?;
        }
        let linked = self.linked()?;
        let older = linked.older;
        if older && *call == Call::StoredProof {
            return Ok(Reply::Proof(None));
        }
        let said = write_call_for(call, older)?;
        if matches!(call, Call::Arm { .. }) {
            linked.pulse.armed.store(true, Ordering::SeqCst);
        }
        let (values, failure) = self.exchange(&said, most, Kind::of(call))?;
        if let Some(failure) = failure {
            let controls = self.linked.as_ref().is_some_and(|linked| linked.controls);
            return Err(match failure {
                Failure::Wire(error) if error.code == -203 && controls => self.control_lost(),
                failure => refused(failure, &said),
            });
        }
        let gives = of_call(call, older).is_some_and(|(entry, _)| entry.is_query());
        let answered = match (values, gives) {
            (Some(values), true) => match read_reply_for(call, &values, older) {
                Err(why) if matches!(call, Call::Describe) => {
                    return Err(Fault::Broken(format!(
                        "the description of the head at {} cannot be used: {}; `spintrue docs heads` lists \
                         the keys",
                        self.target.place,
                        detail(&why)
                    )));
                }
                answer => answer.map_err(|error| detail(&error)),
            },
            (None, false) => Ok(Reply::Done),
            (_, gives) => {
                Err(if gives { "no answer" } else { "an answer to a command" }.to_string())
            }
        };
        match answered {
            Ok(Reply::Status(status)) if self.spinning && status.target.is_none() => {
                // A head that gave up by itself is controlled from here all the same.
                match self.owner() {
                    Some(Control::Others | Control::None) => Err(self.control_lost()),
                    _ => Ok(Reply::Status(status)),
                }
            }
            Ok(reply) => {
                self.learn(call, &reply);
                Ok(reply)
            }
            Err(why) => Err(self.lose(&format!("the reply makes no sense: {why}"), Kind::of(call))),
        }
    }

    /// Takes control, unless it is had already.
    pub(crate) fn take(&mut self) -> Result<(), Fault> {
        if let Some(why) = &self.lost {
            return Err(Fault::Refused(format!(
                "the link was lost before ({why}): nothing moves until the head was made safe"
            )));
        }
        if self.linked()?.controls {
            return Ok(());
        }
        let taken = self.exchange(b"CONT:TAKE", MIN_REPLY, Kind::Acts);
        // Where the answer was lost, it is not known.
        self.took |= !matches!(&taken, Ok((_, Some(_))));
        if let (_, Some(failure)) = taken? {
            return Err(match failure {
                Failure::Wire(error) if error.code == -203 => {
                    Fault::Refused(CONTROLLED.to_string())
                }
                failure => refused(failure, b"CONT:TAKE"),
            });
        }
        self.linked()?.controls = true;
        Ok(())
    }

    /// Gives control back, on which the server makes the head safe.
    pub(crate) fn give(&mut self) -> Result<(), Fault> {
        if !self.linked()?.controls {
            return Ok(());
        }
        let most = self.most(&Call::MakeSafe { keep_spinning: false });
        if let (_, Some(failure)) = self.exchange(b"CONT:REL", most, Kind::Saves)? {
            return Err(refused(failure, b"CONT:REL"));
        }
        let linked = self.linked()?;
        linked.pulse.armed.store(false, Ordering::SeqCst);
        (linked.controls, self.took, self.spinning, self.kept_spinning) =
            (false, false, false, false);
        Ok(())
    }

    /// Who controls the head; a fault where it was controlled from here and is not any more.
    pub(crate) fn controller(&mut self) -> Result<Control, Fault> {
        let had = self.linked()?.controls;
        let most = self.most(&Call::Status);
        let (values, _) = self.exchange(b"CONT:OWN?", most, Kind::Looks)?;
        match owner(values) {
            Some(Control::Others | Control::None) if had => Err(self.control_lost()),
            Some(control) => Ok(control),
            None => Err(mixed()),
        }
    }

    /// From here on what makes safe acts on a head that another client controls, or not.
    pub(crate) fn insist(&mut self, on: bool) {
        self.insists = on;
    }

    /// Who controls the head; none where that cannot be learnt.
    pub(crate) fn owner(&mut self) -> Option<Control> {
        // What another client waits for comes first.
        let most = self.most(&Call::MakeSafe { keep_spinning: false });
        let (values, _) = self.exchange(b"CONT:OWN?", most, Kind::Saves).ok()?;
        owner(values)
    }

    /// Nothing was moved from here, and another client controls the head: it is left to that one.
    fn is_anothers(&mut self) -> bool {
        !self.took && !self.insists && self.owner() == Some(Control::Others)
    }

    /// Control was had and is not any more; the errors at the other end tell why.
    fn control_lost(&mut self) -> Fault {
        // The server made the head safe, or another client did.
        (self.spinning, self.took) = (false, false);
        if let Some(linked) = &mut self.linked {
            linked.controls = false;
        }
        let mut errors = Vec::new();
        while errors.len() < MAX_ERRORS {
            // Taking them changes nothing of what came of the call before, which is told again.
            let told = self.exchange(b"SYST:ERR?", MIN_REPLY, Kind::Looks);
            match told.ok().and_then(|(values, _)| values).as_deref() {
                Some([Argument::Number { value, .. }, Argument::Text(words)]) if *value != 0.0 => {
                    errors.push(WireError::new(*value as i16, words.as_str()));
                }
                _ => break,
            }
        }
        lost_control(&errors)
    }

    /// Sends a message and asks for its outcome: its values, if it has any, and its failure. A request to
    /// stop ends the wait, except for what makes safe.
    fn exchange(
        &mut self,
        message: &[u8],
        most: f64,
        kind: Kind,
    ) -> Result<(Option<Vec<Argument>>, Option<Failure>), Fault> {
        let (cut, stop) = (Arc::clone(&self.target.cut), Arc::clone(&self.target.stop));
        let stoppable = match kind {
            Kind::Looks | Kind::Acts => !stop.load(Ordering::SeqCst),
            Kind::Lasts => true,
            Kind::Saves => false,
        };
        let stopped: Cell<Option<Instant>> = Cell::new(None);
        let over = || {
            if stoppable && stopped.get().is_none() && stop.load(Ordering::SeqCst) {
                stopped.set(Some(Instant::now()));
            }
            let late = stopped.get().is_some_and(|since| since.elapsed() >= MAX_STOPPING);
            late || cut.load(Ordering::SeqCst)
        };
        let linked = self.linked()?;
        let mut whole = message.to_vec();
        whole.extend_from_slice(b";:FAUL?");
        linked.pulse.busy.store(true, Ordering::SeqCst);
        let reply = linked.link.ask(&whole, Duration::from_secs_f64(most), &over);
        linked.pulse.busy.store(false, Ordering::SeqCst);
        let parted = reply.and_then(|reply| {
            let nonsense = |why: &str| LinkError(format!("the reply makes no sense: {why}"));
            let mut parts = reply_parts(&reply).map_err(|why| nonsense(&why.to_string()))?;
            let outcome = parts.pop().ok_or_else(|| nonsense("it is empty"))?;
            let failure = read_outcome(&outcome).map_err(|error| nonsense(&detail(&error)))?;
            let values = parts.pop();
            if parts.is_empty() { Ok((values, failure)) } else { Err(nonsense("too many answers")) }
        });
        parted.map_err(|why| self.lose(&why.to_string(), kind))
    }

    /// The link is of no use any more.
    fn lose(&mut self, why: &str, kind: Kind) -> Fault {
        self.linked = None;
        self.lost = Some(why.to_string());
        let open = match kind {
            Kind::Looks => "",
            _ => "what was asked may have been done or not, and ",
        };
        Fault::Broken(format!(
            "{} does not answer as it should: {why}; {open}the link was given up, on which a server \
             that still runs makes the head safe",
            self.target.place
        ))
    }

    /// Longest time in s that a call may take.
    fn most(&self, call: &Call) -> f64 {
        in_all(call, self.description.as_ref(), self.is_virtual(), self.speed, &self.target.place)
    }

    /// Keeps in mind what a call means for those that follow.
    fn learn(&mut self, call: &Call, reply: &Reply) {
        let Some(linked) = &self.linked else { return };
        let armed = &linked.pulse.armed;
        match (call, reply) {
            (Call::Describe, Reply::Description(head)) => {
                self.description = Some((**head).clone());
            }
            (Call::Spin { speed }, _) => (self.speed, self.spinning) = (Some(*speed), true),
            (Call::Halt { .. }, _) => self.spinning = false,
            (Call::Disarm, _) => armed.store(false, Ordering::SeqCst),
            (Call::MakeSafe { .. }, Reply::Safe(state)) => {
                armed.store(!state.laser_off, Ordering::SeqCst);
                self.kept_spinning = state.kept_spinning;
                self.spinning &= state.kept_spinning;
                self.lost = None;
            }
            _ => {}
        }
    }

    /// The same once more over a new link, for calls that do no harm when they are made twice.
    fn ask_again(&mut self, call: &Call) -> Result<Reply, Fault> {
        match self.ask(call) {
            Err(Fault::Broken(_)) if self.linked.is_none() && call.row().repeatable => {
                self.ask(call)
            }
            other => other,
        }
    }

    /// What the head is; the wire adds to its times.
    fn described(&mut self) -> Result<Description, Fault> {
        let mut head = self.request::<Box<Description>>(&Call::Describe)?;
        let place = &self.target.place;
        let (carrying, link) = (carrying(place, &Call::Status), link_most(place));
        if self.linked.as_ref().is_some_and(|linked| !linked.is_virtual) {
            // The wire adds to what its head promises.
            let times = &mut head.times;
            if times.station_most > 0.0 {
                times.station_most += MIN_REPLY + carrying;
            }
            times.reply_most += MIN_REPLY + carrying;
            times.silence_most = times.silence_most.max(MIN_REPLY) + times.reply_most + link;
            times.gauge_silence_most += times.silence_most;
        }
        Ok(*head)
    }

    /// The head's time passes by what it is asked for only.
    pub(crate) fn is_virtual(&self) -> bool {
        self.linked.as_ref().is_some_and(|linked| linked.is_virtual)
    }

    /// Head time; from the clock here where it passes by itself.
    pub(crate) fn time(&mut self) -> f64 {
        let known = match (self.clock, &self.linked) {
            (Some((at, time)), _) => Some(time + at.elapsed().as_secs_f64()),
            (None, None) => None,
            (None, Some(_)) => {
                let asked = self.ask_time();
                asked.map_err(|fault| self.untold = Some(fault)).ok()
            }
        };
        self.now = known.map_or(self.now, |time| self.now.max(time));
        self.now
    }

    /// Asks the other end for the head time.
    fn ask_time(&mut self) -> Result<f64, Fault> {
        if let Some(fault) = self.untold.take() {
            return Err(fault);
        }
        let message = b"CLOC:TIME?";
        let most = self.most(&Call::Status);
        let (values, failure) = self.exchange(message, most, Kind::Looks)?;
        if let Some(failure) = failure {
            return Err(refused(failure, message));
        }
        let time = Parameters::of_reply(&values.unwrap_or_default()).take();
        time.map_err(|why| {
            let why = format!("the reply makes no sense: {}", detail(&why));
            self.lose(&why, Kind::Looks)
        })
    }

    /// Lets time pass.
    fn sleep(&mut self, seconds: f64) {
        // Time does not go back.
        let seconds = if seconds > 0.0 { seconds.min(MAX_SLEEP) } else { 0.0 };
        if self.clock.is_none() {
            if self.linked.is_some() && !self.is_anothers() {
                self.untold = self.ask(&Call::Sleep { seconds }).err();
            }
            return;
        }
        let busy = |is: bool| {
            if let Some(linked) = &self.linked {
                linked.pulse.busy.store(is, Ordering::SeqCst);
            }
        };
        busy(true);
        let end = Instant::now() + Duration::from_secs_f64(seconds);
        while !self.target.stop.load(Ordering::SeqCst) {
            let left = end.saturating_duration_since(Instant::now());
            if left.is_zero() {
                break;
            }
            thread::sleep(left.min(SLICE));
        }
        busy(false);
    }

    /// Disarms, but for a laser that is another client's.
    fn disarm(&mut self) -> Result<(), Fault> {
        if self.is_anothers() {
            // Its laser, if it is on, is not ours.
            return match self.request::<Status>(&Call::Status)?.laser {
                Laser::Off => Ok(()),
                Laser::Armed => Err(Fault::Refused(ANOTHERS.to_string())),
            };
        }
        self.ask_again(&Call::Disarm).map(drop)
    }

    /// Makes the head safe, but for one that is another client's.
    fn make_safe(&mut self, keep_spinning: bool) -> SafeState {
        let before = self.lost.clone();
        if self.is_anothers() {
            self.untold = None;
            return left_to_another(&self.request(&Call::Status));
        }
        match self.ask_again(&Call::MakeSafe { keep_spinning }) {
            Ok(Reply::Safe(mut state)) => {
                let words =
                    |why| format!("the link was lost on the way ({why}); a new one was made");
                state.troubles.splice(0..0, before.map(words));
                state
            }
            other => {
                let why = other.err().unwrap_or_else(mixed);
                let server = if self.refused {
                    "no server answers there, so that only a watchdog or an interlock of its own can \
                     have stopped it: look at the head itself"
                } else {
                    "its server makes it safe when it hears nothing; that was not seen, so look at the \
                     head itself"
                };
                SafeState::unknown(vec![
                    format!("the head could not be told to make itself safe: {why}"),
                    server.to_string(),
                ])
            }
        }
    }
}

impl Drop for Wire {
    fn drop(&mut self) {
        if self.kept_spinning {
            // Otherwise hanging up brings the polygon down.
            let _ = self.exchange(b"CONT:REL KEEP", MIN_REPLY, Kind::Saves);
        }
    }
}

/// Who controls the head, as its server says it.
fn owner(values: Option<Vec<Argument>>) -> Option<Control> {
    match values?.as_slice() {
        [Argument::Word(word)] if is("SELF", word) => Some(Control::Own),
        [Argument::Word(word)] if is("OTHer", word) => Some(Control::Others),
        [Argument::Word(word)] if is("NONE", word) => Some(Control::None),
        _ => None,
    }
}

/// The fault that a failure at the other end of a message is.
fn refused(failure: Failure, message: &[u8]) -> Fault {
    match failure {
        Failure::Head(fault) => fault,
        Failure::Wire(error) if error.code == -113 => {
            let header = message.split(|byte| *byte == b' ').next().unwrap_or_default();
            let header = String::from_utf8_lossy(header);
            let parts: Vec<&str> = header.trim_end_matches('?').split(':').collect();
            let meaning =
                find_header(&parts, header.ends_with('?')).map_or("", |entry| entry.summary);
            let meaning = meaning.split([';', ':']).next().unwrap_or_default();
            Fault::Refused(format!(
                "the server of the head does not know how to do this: {meaning}"
            ))
        }
        Failure::Wire(error) => {
            Fault::Broken(format!("the server of the head says: {}", detail(&error)))
        }
    }
}

/// The answer is to something else.
fn mixed() -> Fault {
    Fault::Broken("the head answered something else than it was asked".to_string())
}
