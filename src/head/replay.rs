//! A link that gives again what a recording holds, call by call. Uses recordings.
//!
//! Each call must be the recorded one, bit for bit. From the first that is not, nothing is known:
//! every call fails and says where that was, except that disarming, which needs no head here, is
//! taken, and that time goes on with sleep. Making safe then claims nothing. Making safe where the
//! recording ends is no departure, since every run that stops early must do that.

use crate::call::{Call, Reply};
use crate::trace::{TraceEntry, TraceError, TraceReader};
use crate::{Fault, Link, SafeState, Status, link, words};
use std::cell::RefCell;
use std::io::Read;
use std::rc::Rc;

/// How far a replay is.
#[derive(Clone)]
pub struct Course(Rc<RefCell<State>>);

impl Course {
    /// Where it left its recording, if it did.
    pub fn departure(&self) -> Option<String> {
        self.0.borrow().departure.as_ref().map(|(_, words)| words.clone())
    }

    /// While set, looks at status and clock are no part of the run: they find what was found last,
    /// and the recording does not go on.
    pub fn aside(&self, aside: bool) {
        self.0.borrow_mut().aside = aside;
    }

    /// How many recorders stand above the replay. Each reads the clock once behind every call, which
    /// is not recorded.
    pub fn listened_by(&self, listeners: u64) {
        self.0.borrow_mut().listeners = listeners;
    }

    /// Calls that were as recorded.
    pub fn calls(&self) -> u64 {
        self.0.borrow().calls
    }
}

struct State {
    entries: Box<dyn Iterator<Item = Result<TraceEntry, TraceError>>>,
    next: Option<Result<TraceEntry, TraceError>>,
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
    /// The call that left the recording, counted from 1, and how it did.
    departure: Option<(u64, String)>,
}

impl State {
    fn advance(&mut self) {
        self.next = self.entries.next();
        self.unchanged = 0;
    }

    /// Passes by looks at the clock.
    fn pass_clock(&mut self) {
        while let Some(Ok(TraceEntry::Now { time, .. })) = self.next {
            self.time = time;
            self.advance();
        }
    }

    /// The next entry that is no look at the clock.
    fn due(&mut self) -> Option<Result<TraceEntry, TraceError>> {
        self.pass_clock();
        let due = self.next.take();
        self.advance();
        due
    }

    /// Versions before 3 did not read trims before lines. A look at the clock is passed by.
    fn are_trims_next(&mut self) -> bool {
        self.pass_clock();
        matches!(&self.next, Some(Ok(TraceEntry::Heard(heard))) if heard.call == Call::Trims)
    }

    /// Older versions recorded no measurement where there was no gauge.
    fn is_measured_next(&self) -> bool {
        matches!(&self.next, Some(Ok(TraceEntry::Heard(heard))) if heard.call == Call::Measure)
    }

    fn departs(&mut self, recorded: String, asked: String) -> Fault {
        let (call, time) = (self.calls + 1, self.time);
        let words = format!(
            "the replay leaves its recording at call {call}, after {time:.6} s: {recorded}; asked \
             was: {asked}"
        );
        let (_, words) = self.departure.get_or_insert((call, words));
        Fault::Broken(words.clone())
    }

    /// The recorded reply to a call.
    fn answer(&mut self, asked: &Call) -> Result<Reply, Fault> {
        if let Some((call, _)) = &self.departure {
            // Said in full once; a way out asks many times.
            let why = format!("the replay left its recording at call {call}");
            return Err(Fault::Broken(why));
        }
        let due = self.due();
        let making_safe = matches!(asked, Call::Disarm | Call::MakeSafe { .. });
        if making_safe && matches!(due, None | Some(Ok(TraceEntry::End { .. }))) {
            return Err(Fault::Broken(told(due)));
        }
        if let Some(Ok(TraceEntry::Heard(heard))) = due {
            if same(&heard.call, asked) {
                self.calls += 1;
                self.time = heard.time;
                self.owed = self.listeners;
                return heard.reply.into_result();
            }
            let (recorded, asked) = words::apart(&heard.call, asked);
            return Err(self.departs(format!("recorded was: {recorded}"), asked));
        }
        Err(self.departs(told(due), words::call_words(asked)))
    }

    fn now(&mut self) -> f64 {
        if self.departure.is_some() || self.aside {
            return self.time;
        }
        if self.owed > 0 {
            self.owed -= 1;
            return self.time;
        }
        if let Some(Ok(TraceEntry::Now { time, after })) = self.next {
            if self.unchanged >= after {
                self.time = time;
                self.advance();
                return self.time;
            }
            self.unchanged += 1;
        }
        self.time
    }

    /// The result of injecting a fault or clearing all, which must have been recorded.
    fn faults(&mut self, asked: &Call) -> Result<Reply, Fault> {
        if let Call::CheckCanInject { .. } = asked {
            return Ok(Reply::Refusal(None));
        }
        let due = match &self.departure {
            Some(_) => None,
            None => self.due(),
        };
        match (&due, asked) {
            (Some(Ok(TraceEntry::Mended)), Call::ClearFaults) => Ok(Reply::Done),
            (
                Some(Ok(TraceEntry::Provoked { fault: recorded, after: at, refused })),
                Call::Inject { fault, after },
            ) if recorded == fault && at.to_bits() == after.to_bits() => {
                refused.clone().map_or(Ok(Reply::Done), |why| Err(Fault::Refused(why)))
            }
            _ => {
                let why = self.departs(told(due), words::call_words(asked));
                match asked {
                    // The next call of the head fails.
                    Call::ClearFaults => Ok(Reply::Done),
                    _ => Err(Fault::Refused(why.to_string())),
                }
            }
        }
    }
}

/// What stands in a recording where a call should.
fn told(due: Option<Result<TraceEntry, TraceError>>) -> String {
    match due {
        None => "the recording ends there, cut off".to_string(),
        Some(Err(error)) => format!("the recording {error}"),
        Some(Ok(TraceEntry::End { verdict, .. })) => {
            format!("the recording ends there, its run being {verdict}")
        }
        Some(Ok(TraceEntry::Provoked { fault, .. })) => format!("recorded was: provoke {fault}"),
        Some(Ok(TraceEntry::Mended)) => "recorded was: mend".to_string(),
        Some(Ok(TraceEntry::Heard(heard))) => {
            format!("recorded was: {}", words::call_words(&heard.call))
        }
        Some(Ok(TraceEntry::Now { .. })) => "recorded was a look at the clock".to_string(),
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

/// Plays the entries of a recording.
pub struct Replay {
    state: Rc<RefCell<State>>,
    /// There was a gauge.
    gauge: bool,
    /// The head was simulated.
    simulated: bool,
    /// Of the recording.
    version: u32,
}

impl Replay {
    /// Plays what stands behind the header of a recording.
    pub fn new(mut entries: TraceReader<impl Read + 'static>) -> Replay {
        let header = entries.header();
        let (gauge, simulated, version) = (header.gauge, header.head.simulated, header.version);
        let next = entries.next();
        let state = State {
            entries: Box::new(entries),
            next,
            time: 0.0,
            unchanged: 0,
            calls: 0,
            listeners: 0,
            owed: 0,
            aside: false,
            status: None,
            departure: None,
        };
        let state = Rc::new(RefCell::new(state));
        Replay { state, gauge, simulated, version }
    }

    /// How far it is.
    pub fn course(&self) -> Course {
        Course(Rc::clone(&self.state))
    }
}

impl Link for Replay {
    fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        let mut state = self.state.borrow_mut();
        match call {
            Call::Status if state.aside => {
                let none = || Fault::Refused("nothing is recorded of that yet".to_string());
                return state.status.clone().map(Reply::Status).ok_or_else(none);
            }
            Call::Measure if !self.gauge && !state.is_measured_next() => {
                return Err(Fault::NoGauge);
            }
            Call::Trims if self.version < 3 && !state.are_trims_next() => {
                return Err(Fault::Refused("the recording does not hold the trims".to_string()));
            }
            call if call.is_about_faults() && !self.simulated => return Err(link::not_simulated()),
            call if call.is_about_faults() => return state.faults(call),
            _ => {}
        }
        let result = state.answer(call);
        match (call, &result) {
            (Call::Status, Ok(Reply::Status(status))) => state.status = Some(status.clone()),
            // No replay lets light out, so where nothing is recorded this can be taken.
            (Call::Disarm, Err(_)) if state.departure.is_some() || state.next.is_none() => {
                return Ok(Reply::Done);
            }
            (Call::Sleep { seconds }, Err(_)) => {
                state.time += seconds.max(0.0);
                return Ok(Reply::Done);
            }
            (Call::MakeSafe { .. }, Err(fault)) => {
                let unknown = "how the head was left is not known, for that is not recorded; nothing \
                               real moves in a replay";
                let troubles = vec![fault.to_string(), unknown.to_string()];
                return Ok(Reply::Safe(SafeState::unknown(troubles)));
            }
            _ => {}
        }
        result
    }

    fn now(&mut self) -> f64 {
        self.state.borrow_mut().now()
    }
}
