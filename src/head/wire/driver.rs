//! The driver: a head and its gauge at the other end of a wire. Uses the codec and the link.
//!
//! A call that came to nothing because of the link is never made again: whether it acted is not
//! known. The link is closed then, on which the server makes the head safe. A new link is made by
//! what looks, disarms or makes safe; all else waits until the head was made safe over it.

#![allow(clippy::disallowed_methods, reason = "this head owns a real clock")]

use crate::head::wire::codec::{Answer, Order, answer, message};
use crate::head::wire::greeting::{Linked, REPLY_LEAST, Target, greet};
use crate::head::wire::link::Place;
use crate::head::wire::message::Argument;
use crate::head::wire::outcome::{Failure, read};
use crate::head::wire::reply::answers;
use crate::head::{
    Description, Exposed, ExposedPage, Fault, Gauge, Halt, Head, LineOrder, PageOrder, Provoker,
    Reading, SafeState, Status, Trim, Turn,
};
use std::cell::{Cell, RefCell};
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread;
use std::time::{Duration, Instant};

/// Longest wait for an answer of a head whose time passes by calls only: it computes as long as it
/// takes.
const VIRTUAL_MOST: f64 = 60.0;

/// Time in s that a new link takes at most, to a socket and over a serial line.
const LINK_MOST: f64 = 4.0;
const LINE_MOST: f64 = 8.0;

/// Slice of a wait, between two looks at the stop flag.
const SLICE: Duration = Duration::from_millis(20);

/// How long a reply is still waited for once somebody asked to stop: most are short, and spare the
/// link.
const STOPPING_MOST: Duration = Duration::from_millis(300);

/// Longest sleep of one call, in s.
const SLEEP_MOST: f64 = 1e6;

struct Wire {
    target: Target,
    linked: Option<Linked>,
    /// The last link that was tried came about.
    answers: bool,
    /// Why the last link was lost; nothing moves before the head was made safe over a new one.
    lost: Option<String>,
    /// What befell a call that gives no result; the next one tells it.
    untold: Option<Fault>,
    description: Option<Description>,
    /// Speed asked for last.
    speed: Option<f64>,
    kept_spinning: bool,
    /// Head time in s at a moment here, where it passes by itself; goes on without a link.
    clock: Option<(Instant, f64)>,
    now: f64,
}

/// What there is behind a server.
pub struct Opened {
    /// The head.
    pub head: WireHead,
    /// Its gauge.
    pub gauge: WireGauge,
    /// Who makes a simulated one fail on purpose.
    pub provoker: Option<WireProvoker>,
    /// The seed of a simulated one.
    pub seed: Option<u64>,
}

/// Opens the head and its gauge behind a server.
pub fn open(target: Target) -> Result<Opened, Fault> {
    let mut wire = Wire {
        target,
        linked: None,
        answers: true,
        lost: None,
        untold: None,
        description: None,
        speed: None,
        kept_spinning: false,
        clock: None,
        now: 0.0,
    };
    let seed = wire.linked()?.seed;
    let is_simulated = match wire.call(&Order::Describe)? {
        Answer::Description(described) => described.simulated,
        _ => return Err(mixed()),
    };
    let wire = Rc::new(RefCell::new(wire));
    let provoker = is_simulated.then(|| WireProvoker(Rc::clone(&wire)));
    Ok(Opened { head: WireHead(Rc::clone(&wire)), gauge: WireGauge(wire), provoker, seed })
}

impl Wire {
    /// The link, which is made where there is none.
    fn linked(&mut self) -> Result<&mut Linked, Fault> {
        if self.linked.is_none() {
            let greeted = greet(&self.target, self.answers);
            self.answers = greeted.is_ok();
            let new = greeted.map_err(Fault::Broken)?;
            self.clock = new.clock();
            self.linked = Some(new);
        }
        self.linked.as_mut().ok_or_else(|| Fault::Broken("there is no link".to_string()))
    }

    /// Makes a call.
    fn call(&mut self, order: &Order) -> Result<Answer, Fault> {
        let moves = !matches!(
            order,
            Order::Describe
                | Order::Status
                | Order::Trims
                | Order::Now
                | Order::Disarm
                | Order::Safe(_)
                | Order::Strikes(_)
        );
        let untold = self.untold.take();
        if let (Some(fault), false) = (untold, matches!(order, Order::Disarm | Order::Safe(_))) {
            return Err(fault);
        }
        if let (true, Some(why)) = (moves, &self.lost) {
            return Err(Fault::Broken(format!(
                "the link was lost before ({why}): nothing moves until the head was made safe"
            )));
        }
        let most = self.most(order);
        if moves && !self.linked()?.controls {
            let taken = self.exchange(b"CONT:TAKE", REPLY_LEAST, true)?;
            if let (_, Some(failure)) = taken {
                return Err(refused(failure));
            }
            self.linked()?.controls = true;
        }
        let linked = self.linked()?;
        if matches!(order, Order::Arm(_)) {
            linked.pulse.armed.store(true, Ordering::SeqCst);
        }
        let surely = matches!(order, Order::Disarm | Order::Safe(_));
        let (values, failure) = self.exchange(&message(order), most, !surely)?;
        if let Some(failure) = failure {
            if let (Failure::Wire(error), Some(linked)) = (&failure, &mut self.linked) {
                linked.controls &= error.code != -203;
            }
            return Err(refused(failure));
        }
        let answered = match (values, gives(order)) {
            (Some(values), true) => answer(order, &values).map_err(|error| error.to_string()),
            (None, false) => Ok(Answer::Done),
            (_, gives) => {
                Err(if gives { "no answer" } else { "an answer to a command" }.to_string())
            }
        };
        match answered {
            Ok(answer) => {
                self.learn(order, &answer);
                Ok(answer)
            }
            Err(why) => Err(self.lose(&format!("the reply makes no sense: {why}"))),
        }
    }

    /// Sends a message and asks what came of it: its values, if it has any, and its failure. Whoever
    /// asks to stop meanwhile ends the wait where it is `stoppable`.
    fn exchange(
        &mut self,
        message: &[u8],
        most: f64,
        stoppable: bool,
    ) -> Result<(Option<Vec<Argument>>, Option<Failure>), Fault> {
        let (cut, stop) = (Arc::clone(&self.target.cut), Arc::clone(&self.target.stop));
        let stoppable = stoppable && !stop.load(Ordering::SeqCst);
        let stopped: Cell<Option<Instant>> = Cell::new(None);
        let over = || {
            if stoppable && stopped.get().is_none() && stop.load(Ordering::SeqCst) {
                stopped.set(Some(Instant::now()));
            }
            let late = stopped.get().is_some_and(|since| since.elapsed() >= STOPPING_MOST);
            late || cut.load(Ordering::SeqCst)
        };
        let linked = self.linked()?;
        let mut whole = message.to_vec();
        whole.extend_from_slice(b";:FAUL?");
        linked.pulse.busy.store(true, Ordering::SeqCst);
        let reply = linked.link.ask(&whole, Duration::from_secs_f64(most), &over);
        linked.pulse.busy.store(false, Ordering::SeqCst);
        let parted = reply.and_then(|reply| {
            let mut parts =
                answers(&reply).map_err(|why| format!("the reply makes no sense: {why}"))?;
            let outcome = parts.pop().ok_or("the reply is empty")?;
            let failure =
                read(&outcome).map_err(|error| format!("the reply makes no sense: {error}"))?;
            let values = parts.pop();
            if parts.is_empty() { Ok((values, failure)) } else { Err("too many answers".into()) }
        });
        parted.map_err(|why| self.lose(&why))
    }

    /// The link is of no use any more.
    fn lose(&mut self, why: &str) -> Fault {
        self.linked = None;
        self.lost = Some(why.to_string());
        Fault::Broken(format!(
            "{} does not answer as it should: {why}; what was asked may have been done or not, and \
             the link was given up, on which its server makes the head safe",
            self.target.place
        ))
    }

    /// Longest time in s that a call may take.
    fn most(&self, order: &Order) -> f64 {
        let Some(head) = &self.description else {
            return REPLY_LEAST + self.link_most() + self.carrying(order);
        };
        if self.linked.as_ref().is_some_and(|linked| linked.is_virtual) {
            return VIRTUAL_MOST + self.carrying(order);
        }
        let speed = self.speed.unwrap_or(head.speed_least).max(head.speed_least);
        let own = match order {
            Order::Turns(count) => head.turns_most(f64::from(*count), speed),
            Order::Expose(_) => head.times.arming_most + head.expose_most(speed),
            Order::Page(page) => {
                let lines = page.image.height();
                // As many bytes as a page has take their time as well.
                let sending = f64::from(lines) * f64::from(page.image.width()) / 8.0 / 1e6;
                head.times.arming_most + head.page_most(f64::from(lines), speed) + sending
            }
            Order::Measure => head.times.reading_most + head.times.gauge_silence_most,
            Order::Safe(_) => head.galvanometer_settling + head.times.silence_most * 4.0,
            _ => head.times.reply_most,
        };
        own + head.times.silence_most.max(REPLY_LEAST) + self.carrying(order)
    }

    /// Longest time in s until a new link stands.
    fn link_most(&self) -> f64 {
        match &self.target.place {
            Place::Socket(_) => LINK_MOST,
            Place::Serial(_) => LINE_MOST,
        }
    }

    /// Longest time in s in which a serial line carries the longest reply to a call.
    fn carrying(&self, order: &Order) -> f64 {
        let Place::Serial(line) = &self.target.place else { return 0.0 };
        let bytes = match order {
            Order::Describe => 16e3,
            Order::Turns(count) => 40.0 * f64::from(*count) + 1e3,
            _ => 4e3,
        };
        line.carries(bytes)
    }

    /// Keeps in mind what a call means for those that follow.
    fn learn(&mut self, order: &Order, answer: &Answer) {
        let Some(linked) = &self.linked else { return };
        let armed = &linked.pulse.armed;
        match (order, answer) {
            (Order::Describe, Answer::Description(head)) => {
                self.description = Some((**head).clone());
            }
            (Order::Spin(speed), _) => self.speed = Some(*speed),
            (Order::Disarm, _) => armed.store(false, Ordering::SeqCst),
            (Order::Safe(_), Answer::Safe(state)) => {
                armed.store(!state.laser_off, Ordering::SeqCst);
                self.kept_spinning = state.kept_spinning;
                self.lost = None;
            }
            _ => {}
        }
    }

    /// The same once more over a new link, for calls that do no harm when they are made twice.
    fn call_surely(&mut self, order: &Order) -> Result<Answer, Fault> {
        match self.call(order) {
            Err(Fault::Broken(_)) if self.linked.is_none() => self.call(order),
            other => other,
        }
    }

    fn described(&mut self) -> Result<Description, Fault> {
        let answered = self.call(&Order::Describe)?;
        let Answer::Description(mut head) = answered else { return Err(mixed()) };
        let (carrying, link) = (self.carrying(&Order::Status), self.link_most());
        if self.linked.as_ref().is_some_and(|linked| !linked.is_virtual) {
            // The wire adds to what its head promises.
            let times = &mut head.times;
            if times.station_most > 0.0 {
                times.station_most += REPLY_LEAST + carrying;
            }
            times.reply_most += REPLY_LEAST + carrying;
            times.silence_most = times.silence_most.max(REPLY_LEAST) + times.reply_most + link;
            times.gauge_silence_most += times.silence_most;
        }
        Ok(*head)
    }

    /// Head time; from the clock here where it passes by itself.
    fn time(&mut self) -> f64 {
        let known = match (self.clock, &self.linked) {
            (Some((at, time)), _) => Some(time + at.elapsed().as_secs_f64()),
            (None, None) => None,
            (None, Some(_)) => match self.call(&Order::Now) {
                Ok(Answer::Time(time)) => Some(time),
                other => {
                    self.untold = other.err();
                    None
                }
            },
        };
        self.now = known.map_or(self.now, |time| self.now.max(time));
        self.now
    }

    fn sleep(&mut self, seconds: f64) {
        // What is no time to come is none.
        let seconds = if seconds > 0.0 { seconds.min(SLEEP_MOST) } else { 0.0 };
        if self.clock.is_none() {
            if self.linked.is_some() {
                self.untold = self.call(&Order::Sleep(seconds)).err();
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

    fn make_safe(&mut self, keep_spinning: bool) -> SafeState {
        let before = self.lost.clone();
        match self.call_surely(&Order::Safe(keep_spinning)) {
            Ok(Answer::Safe(mut state)) => {
                let words =
                    |why| format!("the link was lost on the way ({why}); a new one was made");
                state.troubles.splice(0..0, before.map(words));
                state
            }
            other => {
                let why = other.err().unwrap_or_else(mixed);
                SafeState {
                    laser_off: false,
                    parked: false,
                    speed: f64::NAN,
                    at_rest: false,
                    kept_spinning: false,
                    troubles: vec![
                        format!("the head could not be told to make itself safe: {why}"),
                        "its server makes it safe when it hears nothing; nobody has seen that, so \
                         look at the head itself"
                            .to_string(),
                    ],
                }
            }
        }
    }
}

impl Drop for Wire {
    fn drop(&mut self) {
        if self.kept_spinning {
            // Otherwise hanging up brings the polygon down.
            let _ = self.exchange(b"CONT:REL KEEP", REPLY_LEAST, false);
        }
    }
}

/// The reply to a call has values.
fn gives(order: &Order) -> bool {
    !matches!(
        order,
        Order::Spin(_)
            | Order::Halt(_)
            | Order::Steer(_)
            | Order::LoadTrims(_)
            | Order::StoreTrims
            | Order::Arm(_)
            | Order::Disarm
            | Order::Switch(..)
            | Order::SetChannel(..)
            | Order::Sleep(_)
            | Order::Provoke(..)
            | Order::Mend
    )
}

/// The fault that a failure at the other end is.
fn refused(failure: Failure) -> Fault {
    match failure {
        Failure::Head(fault) => fault,
        Failure::Wire(error) if error.code == -113 => Fault::Refused(format!(
            "the server of the head is older and does not know this: {}; bring it up to date",
            error.detail
        )),
        Failure::Wire(error) => {
            Fault::Broken(format!("the server of the head says: {}", error.detail))
        }
    }
}

fn mixed() -> Fault {
    Fault::Broken("the head answered something else than it was asked".to_string())
}

/// The head at the other end.
pub struct WireHead(Rc<RefCell<Wire>>);

impl WireHead {
    fn done(&mut self, order: &Order) -> Result<(), Fault> {
        self.0.borrow_mut().call(order).map(|_| ())
    }
}

impl WireHead {
    /// The head's time passes by what it is asked for only.
    pub fn is_virtual(&self) -> bool {
        self.0.borrow().linked.as_ref().is_some_and(|linked| linked.is_virtual)
    }
}

impl Head for WireHead {
    fn describe(&mut self) -> Result<Description, Fault> {
        self.0.borrow_mut().described()
    }

    fn status(&mut self) -> Result<Status, Fault> {
        match self.0.borrow_mut().call(&Order::Status)? {
            Answer::Status(status) => Ok(*status),
            _ => Err(mixed()),
        }
    }

    fn spin(&mut self, speed: f64) -> Result<(), Fault> {
        self.done(&Order::Spin(speed))
    }

    fn halt(&mut self, how: Halt) -> Result<(), Fault> {
        self.done(&Order::Halt(how))
    }

    fn steer(&mut self, angle: Option<f64>) -> Result<(), Fault> {
        self.done(&Order::Steer(angle))
    }

    fn turns(&mut self, count: u32) -> Result<Vec<Turn>, Fault> {
        match self.0.borrow_mut().call(&Order::Turns(count))? {
            Answer::Turns(turns) => Ok(turns),
            _ => Err(mixed()),
        }
    }

    fn trims(&mut self) -> Result<Vec<Trim>, Fault> {
        match self.0.borrow_mut().call(&Order::Trims)? {
            Answer::Trims(trims) => Ok(trims),
            _ => Err(mixed()),
        }
    }

    fn load_trims(&mut self, trims: &[Trim]) -> Result<(), Fault> {
        self.done(&Order::LoadTrims(trims.to_vec()))
    }

    fn store_trims(&mut self) -> Result<(), Fault> {
        self.done(&Order::StoreTrims)
    }

    fn arm(&mut self, power: f64) -> Result<(), Fault> {
        self.done(&Order::Arm(power))
    }

    fn disarm(&mut self) -> Result<(), Fault> {
        self.0.borrow_mut().call_surely(&Order::Disarm).map(|_| ())
    }

    fn expose(&mut self, line: &LineOrder) -> Result<Exposed, Fault> {
        match self.0.borrow_mut().call(&Order::Expose(line.clone()))? {
            Answer::Exposed(exposed) => Ok(exposed),
            _ => Err(mixed()),
        }
    }

    fn expose_page(&mut self, page: &PageOrder) -> Result<ExposedPage, Fault> {
        match self.0.borrow_mut().call(&Order::Page(page.clone()))? {
            Answer::Page(page) => Ok(page),
            _ => Err(mixed()),
        }
    }

    fn signal(&mut self, name: &str) -> Result<bool, Fault> {
        match self.0.borrow_mut().call(&Order::Signal(name.to_string()))? {
            Answer::Flag(on) => Ok(on),
            _ => Err(mixed()),
        }
    }

    fn switch(&mut self, name: &str, on: bool) -> Result<(), Fault> {
        self.done(&Order::Switch(name.to_string(), on))
    }

    fn channel(&mut self, name: &str) -> Result<f64, Fault> {
        match self.0.borrow_mut().call(&Order::Channel(name.to_string()))? {
            Answer::Value(value) => Ok(value),
            _ => Err(mixed()),
        }
    }

    fn set_channel(&mut self, name: &str, value: f64) -> Result<(), Fault> {
        self.done(&Order::SetChannel(name.to_string(), value))
    }

    fn now(&mut self) -> f64 {
        self.0.borrow_mut().time()
    }

    fn sleep(&mut self, seconds: f64) {
        self.0.borrow_mut().sleep(seconds);
    }

    fn make_safe(&mut self, keep_spinning: bool) -> SafeState {
        self.0.borrow_mut().make_safe(keep_spinning)
    }
}

/// The gauge at the other end.
pub struct WireGauge(Rc<RefCell<Wire>>);

impl Gauge for WireGauge {
    fn measure(&mut self) -> Result<Reading, Fault> {
        match self.0.borrow_mut().call(&Order::Measure)? {
            Answer::Reading(reading) => Ok(reading),
            _ => Err(mixed()),
        }
    }
}

/// Makes the simulated head at the other end fail.
pub struct WireProvoker(Rc<RefCell<Wire>>);

impl Provoker for WireProvoker {
    fn refused(&self, fault: &str) -> Option<String> {
        match self.0.borrow_mut().call(&Order::Strikes(fault.to_string())) {
            Ok(Answer::Strikes(refused)) => refused,
            other => Some(other.err().unwrap_or_else(mixed).to_string()),
        }
    }

    fn provoke(&mut self, fault: &str, after: f64) -> Result<(), String> {
        let order = Order::Provoke(fault.to_string(), after);
        match self.0.borrow_mut().call(&order) {
            Ok(_) => Ok(()),
            Err(Fault::Refused(why)) => Err(why),
            Err(fault) => Err(fault.to_string()),
        }
    }

    fn mend(&mut self) {
        let mut wire = self.0.borrow_mut();
        wire.untold = wire.call(&Order::Mend).err();
    }
}
