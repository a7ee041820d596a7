//! A layer that tells a listener of every call and its reply, and passes it on. What is told is plain
//! data that serde writes and reads.

use crate::call::{Call, Reply};
use crate::units::number;
use crate::{Fault, Link};
use serde::{Deserialize, Serialize};
use std::cell::RefCell;
use std::rc::Rc;

/// Hears of calls.
pub trait CallListener {
    /// A call was answered.
    fn heard(&mut self, heard: &Heard);

    /// The head's clock was read, and showed this many s.
    fn clock(&mut self, time: f64) {
        let _ = time;
    }

    /// A fault was injected, or all were cleared.
    fn faults(&mut self, call: &Call, result: &Result<Reply, Fault>) {
        let _ = (call, result);
    }
}

/// A call with its reply.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Heard {
    /// Head time in s when the answer came.
    #[serde(with = "number")]
    pub time: f64,
    /// What was asked.
    pub call: Call,
    /// The reply, or the fault.
    pub reply: Reply,
}

/// Tells its listener of every call.
pub struct CallRecorder<L> {
    link: L,
    listener: Rc<RefCell<dyn CallListener>>,
}

impl<L: Link> CallRecorder<L> {
    /// Listens to the calls of `link`.
    pub fn new(link: L, listener: Rc<RefCell<dyn CallListener>>) -> CallRecorder<L> {
        CallRecorder { link, listener }
    }
}

impl<L: Link> Link for CallRecorder<L> {
    fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        let result = self.link.call(call);
        match call {
            Call::CheckCanInject { .. } => return result,
            Call::Inject { .. } | Call::ClearFaults => {
                self.listener.borrow_mut().faults(call, &result);
                return result;
            }
            _ => {}
        }
        let heard = Heard { time: self.link.now(), call: call.clone(), reply: result.into() };
        self.listener.borrow_mut().heard(&heard);
        heard.reply.into_result()
    }

    fn now(&mut self) -> f64 {
        let time = self.link.now();
        self.listener.borrow_mut().clock(time);
        time
    }
}
