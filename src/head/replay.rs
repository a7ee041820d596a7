//! A head, its gauge and its provoker that give again what a recording holds, call by call. Uses the
//! head trait and recordings.
//!
//! Each call must be the recorded one, bit for bit. From the first that is not, nothing is known:
//! every call fails and says where that was, except that disarming, which needs no head here, is
//! taken, and that time goes on with sleep. Making safe then claims nothing. Making safe where the
//! recording ends is no departure, for whoever stops early must do that.

use crate::head::record::{Call, ImageDigest, Reply};
use crate::head::trace::{Entry, TraceError};
use crate::head::{
    Description, Exposed, ExposedPage, Fault, Gauge, Halt, Head, LineOrder, PageOrder, Provoker,
    Reading, SafeState, Status, Trim, Turn, words,
};
use std::cell::RefCell;
use std::fmt;
use std::rc::Rc;

/// Where a replay left its recording.
#[derive(Clone, Debug, PartialEq)]
pub struct Departure {
    /// The call, counted from 1.
    pub call: u64,
    /// Head time of the call before, in s.
    pub time: f64,
    /// What was recorded there, or that the recording ends or cannot be read.
    pub recorded: String,
    /// What was asked.
    pub asked: String,
}

impl fmt::Display for Departure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Departure { call, time, recorded, asked } = self;
        write!(
            f,
            "the replay leaves its recording at call {call}, after {time:.6} s: {recorded}; asked \
             was: {asked}"
        )
    }
}

/// How far a replay is, for whoever opened it.
#[derive(Clone)]
pub struct Course(Rc<RefCell<State>>);

impl Course {
    /// Where it left its recording, if it did.
    pub fn departure(&self) -> Option<Departure> {
        self.0.borrow().departure.clone()
    }

    /// While set, looks at status and clock are no part of the run: they find what was found last,
    /// and the recording does not go on.
    pub fn aside(&self, aside: bool) {
        self.0.borrow_mut().aside = aside;
    }

    /// So many listeners stand between the replay and whoever calls it; each looks at the clock
    /// once behind every call, which is not recorded.
    pub fn listened_by(&self, listeners: u64) {
        self.0.borrow_mut().listeners = listeners;
    }

    /// Calls that were as recorded.
    pub fn calls(&self) -> u64 {
        self.0.borrow().calls
    }
}

struct State {
    entries: Box<dyn Iterator<Item = Result<Entry, TraceError>>>,
    next: Option<Result<Entry, TraceError>>,
    /// Head time of the last entry, in s.
    time: f64,
    /// Looks at the clock since, that found the same.
    unchanged: u64,
    calls: u64,
    /// Listeners that look at the clock behind every call.
    listeners: u64,
    /// Their looks that are still to come.
    owed: u64,
    /// Looks are no part of the run.
    aside: bool,
    /// The last recorded status that was given.
    status: Option<Status>,
    departure: Option<Departure>,
}

impl State {
    fn advance(&mut self) {
        self.next = self.entries.next();
        self.unchanged = 0;
    }

    /// The next entry that is no look at the clock.
    fn due(&mut self) -> Option<Result<Entry, TraceError>> {
        while let Some(Ok(Entry::Now { time, .. })) = self.next {
            self.time = time;
            self.advance();
        }
        let due = self.next.take();
        self.advance();
        due
    }

    fn departs(&mut self, recorded: String, asked: String) -> Fault {
        let departure = Departure { call: self.calls + 1, time: self.time, recorded, asked };
        let departure = self.departure.get_or_insert(departure);
        Fault::Broken(departure.to_string())
    }

    /// The recorded reply to a call.
    fn answer(&mut self, asked: &Call) -> Result<Reply, Fault> {
        if let Some(departure) = &self.departure {
            // Said in full once; a way out asks many times.
            let why = format!("the replay left its recording at call {}", departure.call);
            return Err(Fault::Broken(why));
        }
        let due = self.due();
        let making_safe = matches!(asked, Call::Disarm | Call::MakeSafe { .. });
        if making_safe && matches!(due, None | Some(Ok(Entry::End { .. }))) {
            return Err(Fault::Broken(told(due)));
        }
        if let Some(Ok(Entry::Heard(heard))) = due {
            if same(&heard.call, asked) {
                self.calls += 1;
                self.time = heard.time;
                self.owed = self.listeners;
                return Ok(heard.reply);
            }
            let (recorded, asked) = words::apart(&heard.call, asked);
            return Err(self.departs(format!("recorded was: {recorded}"), asked));
        }
        Err(self.departs(told(due), words::call(asked)))
    }

    fn now(&mut self) -> f64 {
        if self.departure.is_some() || self.aside {
            return self.time;
        }
        if self.owed > 0 {
            self.owed -= 1;
            return self.time;
        }
        if let Some(Ok(Entry::Now { time, after })) = self.next {
            if self.unchanged >= after {
                self.time = time;
                self.advance();
                return self.time;
            }
            self.unchanged += 1;
        }
        self.time
    }

    /// A reply of another kind than its call has.
    fn odd(&mut self, call: &Call) -> Fault {
        self.calls = self.calls.saturating_sub(1);
        self.departs("the recorded reply is none to this call".to_string(), words::call(call))
    }
}

/// What stands in a recording where a call should.
fn told(due: Option<Result<Entry, TraceError>>) -> String {
    match due {
        None => "the recording ends there, cut off".to_string(),
        Some(Err(error)) => format!("the recording {error}"),
        Some(Ok(Entry::End { verdict, .. })) => {
            format!("the recording ends there, its run being {verdict}")
        }
        Some(Ok(Entry::Provoked { fault, .. })) => format!("recorded was: provoke {fault}"),
        Some(Ok(Entry::Mended)) => "recorded was: mend".to_string(),
        Some(Ok(Entry::Heard(heard))) => format!("recorded was: {}", words::call(&heard.call)),
        Some(Ok(Entry::Now { .. })) => "recorded was a look at the clock".to_string(),
    }
}

/// Whether two calls are the same, bit for bit.
fn same(one: &Call, other: &Call) -> bool {
    // Equal doubles may differ in a sign of zero, which their shortest texts tell apart.
    one == other
        && matches!(
            (serde_json::to_string(one), serde_json::to_string(other)),
            (Ok(a), Ok(b)) if a == b
        )
}

/// What plays a recording.
pub struct Replayed {
    /// The head.
    pub head: ReplayHead,
    /// The gauge, which a recording without one refuses as well.
    pub gauge: ReplayGauge,
    /// What stands for the simulated head's provoker.
    pub provoker: ReplayProvoker,
    /// How far it is.
    pub course: Course,
}

/// Plays what stands behind the header of a recording.
pub fn replay(
    entries: impl Iterator<Item = Result<Entry, TraceError>> + 'static,
    started: f64,
) -> Replayed {
    let mut entries = entries;
    let next = entries.next();
    let entries = Box::new(entries);
    let state = State {
        entries,
        next,
        time: started,
        unchanged: 0,
        calls: 0,
        listeners: 0,
        owed: 0,
        aside: false,
        status: None,
        departure: None,
    };
    let state = Rc::new(RefCell::new(state));
    Replayed {
        head: ReplayHead(Rc::clone(&state)),
        gauge: ReplayGauge(Rc::clone(&state)),
        provoker: ReplayProvoker(Rc::clone(&state)),
        course: Course(state),
    }
}

/// The head of a recording.
pub struct ReplayHead(Rc<RefCell<State>>);

/// The recorded reply, or the fault that it is.
fn asked<T>(
    state: &Rc<RefCell<State>>,
    call: &Call,
    read: impl FnOnce(Reply) -> Option<T>,
) -> Result<T, Fault> {
    let mut state = state.borrow_mut();
    match state.answer(call)? {
        Reply::Fault(fault) => Err(fault),
        reply => read(reply).ok_or_else(|| state.odd(call)),
    }
}

fn done(reply: Reply) -> Option<()> {
    matches!(reply, Reply::Done).then_some(())
}

/// A reader of one kind of reply.
macro_rules! reply {
    ($kind:ident) => {
        |reply| match reply {
            Reply::$kind(value) => Some(value),
            _ => None,
        }
    };
}

impl Head for ReplayHead {
    fn describe(&mut self) -> Result<Description, Fault> {
        asked(&self.0, &Call::Describe, reply!(Description)).map(|boxed| *boxed)
    }

    fn status(&mut self) -> Result<Status, Fault> {
        if self.0.borrow().aside {
            let none = || Fault::Refused("nothing is recorded of that yet".to_string());
            return self.0.borrow().status.clone().ok_or_else(none);
        }
        let status = asked(&self.0, &Call::Status, reply!(Status)).map(|boxed| *boxed)?;
        self.0.borrow_mut().status = Some(status.clone());
        Ok(status)
    }

    fn spin(&mut self, speed: f64) -> Result<(), Fault> {
        asked(&self.0, &Call::Spin { speed }, done)
    }

    fn halt(&mut self, how: Halt) -> Result<(), Fault> {
        asked(&self.0, &Call::Halt { how }, done)
    }

    fn steer(&mut self, angle: Option<f64>) -> Result<(), Fault> {
        asked(&self.0, &Call::Steer { angle }, done)
    }

    fn turns(&mut self, count: u32) -> Result<Vec<Turn>, Fault> {
        asked(&self.0, &Call::Turns { count }, reply!(Turns))
    }

    fn trims(&mut self) -> Result<Vec<Trim>, Fault> {
        asked(&self.0, &Call::Trims, reply!(Trims))
    }

    fn load_trims(&mut self, trims: &[Trim]) -> Result<(), Fault> {
        asked(&self.0, &Call::LoadTrims { trims: trims.to_vec() }, done)
    }

    fn store_trims(&mut self) -> Result<(), Fault> {
        asked(&self.0, &Call::StoreTrims, done)
    }

    fn arm(&mut self, power: f64) -> Result<(), Fault> {
        asked(&self.0, &Call::Arm { power }, done)
    }

    fn disarm(&mut self) -> Result<(), Fault> {
        let answer = asked(&self.0, &Call::Disarm, done);
        let state = self.0.borrow();
        // No replay lets light out, so where nothing is recorded this one can be taken.
        if state.departure.is_some() || state.next.is_none() { Ok(()) } else { answer }
    }

    fn expose(&mut self, line: &LineOrder) -> Result<Exposed, Fault> {
        asked(&self.0, &Call::Expose { line: line.clone() }, reply!(Exposed))
    }

    fn expose_page(&mut self, page: &PageOrder) -> Result<ExposedPage, Fault> {
        let PageOrder { dot_period, delay, pitch, image } = page;
        let (dot_period, delay, pitch) = (*dot_period, *delay, *pitch);
        let image = ImageDigest::of(image);
        let call = Call::ExposePage { dot_period, delay, pitch, image };
        asked(&self.0, &call, reply!(ExposedPage))
    }

    fn signal(&mut self, name: &str) -> Result<bool, Fault> {
        asked(&self.0, &Call::Signal { signal: name.to_string() }, reply!(Flag))
    }

    fn switch(&mut self, name: &str, on: bool) -> Result<(), Fault> {
        asked(&self.0, &Call::Switch { signal: name.to_string(), on }, done)
    }

    fn channel(&mut self, name: &str) -> Result<f64, Fault> {
        asked(&self.0, &Call::Channel { channel: name.to_string() }, reply!(Value))
    }

    fn set_channel(&mut self, name: &str, value: f64) -> Result<(), Fault> {
        asked(&self.0, &Call::SetChannel { channel: name.to_string(), value }, done)
    }

    fn now(&mut self) -> f64 {
        self.0.borrow_mut().now()
    }

    fn sleep(&mut self, seconds: f64) {
        // Sleeping gives no result that could be a fault.
        let answer = asked(&self.0, &Call::Sleep { seconds }, done);
        if answer.is_err() {
            self.0.borrow_mut().time += seconds.max(0.0);
        }
    }

    fn make_safe(&mut self, keep_spinning: bool) -> SafeState {
        let call = Call::MakeSafe { keep_spinning };
        asked(&self.0, &call, reply!(Safe)).unwrap_or_else(|fault| SafeState::unknown(vec![
                fault.to_string(),
                "how the head was left is not known, for that is not recorded; nothing real moves in \
                 a replay"
                    .to_string(),
            ]))
    }
}

/// The gauge of a recording.
pub struct ReplayGauge(Rc<RefCell<State>>);

impl Gauge for ReplayGauge {
    fn measure(&mut self) -> Result<Reading, Fault> {
        asked(&self.0, &Call::Measure, reply!(Reading))
    }
}

/// The provoker of a recording: what it is asked for must have been recorded.
pub struct ReplayProvoker(Rc<RefCell<State>>);

impl Provoker for ReplayProvoker {
    fn refused(&self, _: &str) -> Option<String> {
        None
    }

    fn provoke(&mut self, fault: &str, after: f64) -> Result<(), String> {
        let mut state = self.0.borrow_mut();
        if let Some(departure) = &state.departure {
            return Err(departure.to_string());
        }
        let due = state.due();
        match &due {
            Some(Ok(Entry::Provoked { fault: recorded, after: at, refused }))
                if recorded == fault && at.to_bits() == after.to_bits() =>
            {
                refused.clone().map_or(Ok(()), Err)
            }
            _ => Err(state.departs(told(due), format!("provoke {fault}")).to_string()),
        }
    }

    fn mend(&mut self) {
        let mut state = self.0.borrow_mut();
        if state.departure.is_some() {
            return;
        }
        let due = state.due();
        if !matches!(due, Some(Ok(Entry::Mended))) {
            state.departs(told(due), "mend".to_string());
        }
    }
}
