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

#[cfg(test)]
mod tests {
    use super::{CallListener, CallRecorder, Heard};
    use crate::call::Reply;
    use crate::{Calls, Fault, Laser, Link, Rig};
    use std::cell::RefCell;
    use std::rc::Rc;

    #[derive(Default)]
    struct Kept(Vec<Heard>);

    impl CallListener for Kept {
        fn heard(&mut self, heard: &Heard) {
            self.0.push(heard.clone());
        }
    }

    /// The same calls on a plain head give the same, and what was told reads back from JSON.
    #[test]
    fn calls_pass_through_and_read_back() {
        let calls = |head: &mut dyn Link| {
            let described = head.describe();
            let locked = head.spin(500.0).and_then(|()| head.turns(3));
            let refused = head.arm(0.5);
            head.sleep(1.0).unwrap();
            (described, locked, refused, head.status(), head.make_safe(false), head.now())
        };
        let rig = || {
            let (head, gauge) = open(None, 1).unwrap();
            Rig::new(Box::new(head), Some(Box::new(gauge)))
        };
        let kept = Rc::new(RefCell::new(Kept::default()));
        let mut head = CallRecorder::new(rig(), kept.clone());
        let expected = calls(&mut rig());
        assert_eq!(calls(&mut head), expected);
        assert_eq!(expected.2, Err(Fault::NotLocked));
        assert!(head.measure().is_err());
        let heard = &kept.borrow().0;
        let names: Vec<String> = heard
            .iter()
            .map(|h| serde_json::to_value(&h.call).unwrap()["name"].as_str().unwrap().to_string())
            .collect();
        let wanted =
            ["describe", "spin", "turns", "arm", "sleep", "status", "make_safe", "measure"];
        assert_eq!(names, wanted);
        assert!(heard.is_sorted_by_key(|h| h.time), "{heard:?}");
        assert!(matches!(&heard[5].reply, Reply::Status(s) if s.laser == Laser::Off));
        for told in heard {
            let text = serde_json::to_string(told).unwrap();
            assert_eq!(serde_json::from_str::<Heard>(&text).unwrap(), *told, "{text}");
        }
    }
}
