//! A head and a gauge that tell somebody of every call and what came of it, and pass it on.
//!
//! What is told is plain data that serde writes and reads, all in SI units. Pages are told of by
//! the size and the digest of their image.

use crate::head::{
    Description, Exposed, ExposedPage, Fault, Gauge, Halt, Head, LineOrder, PageOrder, Reading,
    SafeState, Status, Trim, Turn,
};
use crate::image::Bitmap;
use crate::units::number;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::cell::RefCell;
use std::rc::Rc;

/// Hears of calls.
pub trait Listener {
    /// A call was answered.
    fn heard(&mut self, heard: &Heard);

    /// Somebody looked at the head's clock, which said so many s.
    fn clock(&mut self, time: f64) {
        let _ = time;
    }
}

/// A call with what came of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Heard {
    /// Head time in s when the answer came.
    #[serde(with = "number")]
    pub time: f64,
    /// What was asked.
    pub call: Call,
    /// What came of it.
    pub reply: Reply,
}

/// What was asked of a head or of its gauge. [`Head::now`] is not among them: every call has its
/// time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "name", rename_all = "snake_case")]
pub enum Call {
    /// [`Head::describe`]
    Describe,
    /// [`Head::status`]
    Status,
    /// [`Head::spin`]
    Spin {
        /// In rad/s.
        speed: f64,
    },
    /// [`Head::halt`]
    Halt {
        /// Braked or not.
        how: Halt,
    },
    /// [`Head::steer`]
    Steer {
        /// In rad; none parks.
        angle: Option<f64>,
    },
    /// [`Head::turns`]
    Turns {
        /// How many.
        count: u32,
    },
    /// [`Head::trims`]
    Trims,
    /// [`Head::load_trims`]
    LoadTrims {
        /// One per facet.
        trims: Vec<Trim>,
    },
    /// [`Head::store_trims`]
    StoreTrims,
    /// [`Head::arm`]
    Arm {
        /// Share of full power.
        power: f64,
    },
    /// [`Head::disarm`]
    Disarm,
    /// [`Head::expose`]
    Expose {
        /// The line.
        line: LineOrder,
    },
    /// [`Head::expose_page`]
    ExposePage {
        /// Time per dot in s.
        dot_period: f64,
        /// From start of scan to the first dot in s.
        delay: f64,
        /// From line to line in m.
        pitch: f64,
        /// What is written.
        image: ImageDigest,
    },
    /// [`Head::signal`]
    Signal {
        /// Its name.
        signal: String,
    },
    /// [`Head::switch`]
    Switch {
        /// Its name.
        signal: String,
        /// Active or not.
        on: bool,
    },
    /// [`Head::channel`]
    Channel {
        /// Its name.
        channel: String,
    },
    /// [`Head::set_channel`]
    SetChannel {
        /// Its name.
        channel: String,
        /// In SI.
        value: f64,
    },
    /// [`Head::sleep`]
    Sleep {
        /// In s.
        seconds: f64,
    },
    /// [`Head::make_safe`]
    MakeSafe {
        /// The polygon is to go on.
        keep_spinning: bool,
    },
    /// [`Gauge::measure`]
    Measure,
}

/// An image by its size and digest.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ImageDigest {
    /// Dots along a line.
    pub width: u32,
    /// Lines.
    pub height: u32,
    /// SHA-256 in hexadecimal of its dot words line by line, each as four bytes, the first dot in
    /// the highest bit of the first byte.
    pub sha256: String,
}

impl ImageDigest {
    /// Of an image.
    pub fn of(image: &Bitmap) -> ImageDigest {
        let mut hash = Sha256::new();
        for word in image.lines().flatten() {
            hash.update(word.to_be_bytes());
        }
        let sha256 = hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
        ImageDigest { width: image.width(), height: image.height(), sha256 }
    }
}

/// What came of a call.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reply {
    /// It was taken, and there is nothing to say.
    Done,
    /// It was refused, or failed.
    Fault(Fault),
    /// What the head is.
    Description(Box<Description>),
    /// How the head stands.
    Status(Box<Status>),
    /// Turns that were watched.
    Turns(Vec<Turn>),
    /// The trims in force.
    Trims(Vec<Trim>),
    /// A line was drawn.
    Exposed(Exposed),
    /// A page was drawn.
    ExposedPage(ExposedPage),
    /// How the head was left.
    Safe(SafeState),
    /// A line was measured.
    Reading(Reading),
    /// A signal was read.
    Flag(bool),
    /// A channel was read, in SI.
    Value(#[serde(with = "number")] f64),
}

type Shared<T> = Rc<RefCell<T>>;

/// A head, and its gauge if it has one, that tell `listener` of every call.
pub fn recorded(
    head: Box<dyn Head>,
    gauge: Option<Box<dyn Gauge>>,
    listener: Shared<dyn Listener>,
) -> (Box<dyn Head>, Option<Box<dyn Gauge>>) {
    let head = Rc::new(RefCell::new(head));
    let gauge = gauge.map(|inner| {
        let (head, listener) = (Rc::clone(&head), Rc::clone(&listener));
        Box::new(RecordedGauge { inner, head, listener }) as Box<dyn Gauge>
    });
    (Box::new(RecordedHead { head, listener }), gauge)
}

struct RecordedHead {
    head: Shared<Box<dyn Head>>,
    listener: Shared<dyn Listener>,
}

impl RecordedHead {
    fn told<T>(
        &mut self,
        call: Call,
        ask: impl FnOnce(&mut dyn Head) -> Result<T, Fault>,
        reply: impl FnOnce(&T) -> Reply,
    ) -> Result<T, Fault> {
        let (result, time) = {
            let mut head = self.head.borrow_mut();
            let result = ask(&mut **head);
            (result, head.now())
        };
        let reply = match &result {
            Ok(value) => reply(value),
            Err(fault) => Reply::Fault(fault.clone()),
        };
        self.listener.borrow_mut().heard(&Heard { time, call, reply });
        result
    }

    fn done(
        &mut self,
        call: Call,
        ask: impl FnOnce(&mut dyn Head) -> Result<(), Fault>,
    ) -> Result<(), Fault> {
        self.told(call, ask, |()| Reply::Done)
    }
}

impl Head for RecordedHead {
    fn describe(&mut self) -> Result<Description, Fault> {
        let reply = |d: &Description| Reply::Description(Box::new(d.clone()));
        self.told(Call::Describe, |head| head.describe(), reply)
    }

    fn status(&mut self) -> Result<Status, Fault> {
        let reply = |status: &Status| Reply::Status(Box::new(status.clone()));
        self.told(Call::Status, |head| head.status(), reply)
    }

    fn spin(&mut self, speed: f64) -> Result<(), Fault> {
        self.done(Call::Spin { speed }, |head| head.spin(speed))
    }

    fn halt(&mut self, how: Halt) -> Result<(), Fault> {
        self.done(Call::Halt { how }, |head| head.halt(how))
    }

    fn steer(&mut self, angle: Option<f64>) -> Result<(), Fault> {
        self.done(Call::Steer { angle }, |head| head.steer(angle))
    }

    fn turns(&mut self, count: u32) -> Result<Vec<Turn>, Fault> {
        let reply = |turns: &Vec<Turn>| Reply::Turns(turns.clone());
        self.told(Call::Turns { count }, |head| head.turns(count), reply)
    }

    fn trims(&mut self) -> Result<Vec<Trim>, Fault> {
        let reply = |trims: &Vec<Trim>| Reply::Trims(trims.clone());
        self.told(Call::Trims, |head| head.trims(), reply)
    }

    fn load_trims(&mut self, trims: &[Trim]) -> Result<(), Fault> {
        let call = Call::LoadTrims { trims: trims.to_vec() };
        self.done(call, |head| head.load_trims(trims))
    }

    fn store_trims(&mut self) -> Result<(), Fault> {
        self.done(Call::StoreTrims, |head| head.store_trims())
    }

    fn arm(&mut self, power: f64) -> Result<(), Fault> {
        self.done(Call::Arm { power }, |head| head.arm(power))
    }

    fn disarm(&mut self) -> Result<(), Fault> {
        self.done(Call::Disarm, |head| head.disarm())
    }

    fn expose(&mut self, line: &LineOrder) -> Result<Exposed, Fault> {
        let call = Call::Expose { line: line.clone() };
        self.told(call, |head| head.expose(line), |exposed| Reply::Exposed(*exposed))
    }

    fn expose_page(&mut self, page: &PageOrder) -> Result<ExposedPage, Fault> {
        let call = Call::ExposePage {
            dot_period: page.dot_period,
            delay: page.delay,
            pitch: page.pitch,
            image: ImageDigest::of(&page.image),
        };
        self.told(call, |head| head.expose_page(page), |exposed| Reply::ExposedPage(*exposed))
    }

    fn signal(&mut self, name: &str) -> Result<bool, Fault> {
        let call = Call::Signal { signal: name.to_string() };
        self.told(call, |head| head.signal(name), |on| Reply::Flag(*on))
    }

    fn switch(&mut self, name: &str, on: bool) -> Result<(), Fault> {
        let call = Call::Switch { signal: name.to_string(), on };
        self.done(call, |head| head.switch(name, on))
    }

    fn channel(&mut self, name: &str) -> Result<f64, Fault> {
        let call = Call::Channel { channel: name.to_string() };
        self.told(call, |head| head.channel(name), |value| Reply::Value(*value))
    }

    fn set_channel(&mut self, name: &str, value: f64) -> Result<(), Fault> {
        let call = Call::SetChannel { channel: name.to_string(), value };
        self.done(call, |head| head.set_channel(name, value))
    }

    fn now(&mut self) -> f64 {
        let time = self.head.borrow_mut().now();
        self.listener.borrow_mut().clock(time);
        time
    }

    fn sleep(&mut self, seconds: f64) {
        // Sleeping gives no result that could be a fault.
        let _ = self.done(Call::Sleep { seconds }, |head| {
            head.sleep(seconds);
            Ok(())
        });
    }

    fn make_safe(&mut self, keep_spinning: bool) -> SafeState {
        let (safe, time) = {
            let mut head = self.head.borrow_mut();
            let safe = head.make_safe(keep_spinning);
            (safe, head.now())
        };
        let call = Call::MakeSafe { keep_spinning };
        let reply = Reply::Safe(safe.clone());
        self.listener.borrow_mut().heard(&Heard { time, call, reply });
        safe
    }
}

struct RecordedGauge {
    inner: Box<dyn Gauge>,
    /// Whose clock counts.
    head: Shared<Box<dyn Head>>,
    listener: Shared<dyn Listener>,
}

impl Gauge for RecordedGauge {
    fn measure(&mut self) -> Result<Reading, Fault> {
        let result = self.inner.measure();
        let time = self.head.borrow_mut().now();
        let reply = match &result {
            Ok(reading) => Reply::Reading(*reading),
            Err(fault) => Reply::Fault(fault.clone()),
        };
        self.listener.borrow_mut().heard(&Heard { time, call: Call::Measure, reply });
        result
    }
}

#[cfg(test)]
mod tests {
    use super::{Heard, Listener, Reply, recorded};
    use crate::head::{Fault, Head, Laser, sim};
    use std::cell::RefCell;
    use std::rc::Rc;

    #[derive(Default)]
    struct Kept(Vec<Heard>);

    impl Listener for Kept {
        fn heard(&mut self, heard: &Heard) {
            self.0.push(heard.clone());
        }
    }

    /// The same calls on a plain head give the same, and what was told reads back from JSON.
    #[test]
    fn calls_pass_through_and_read_back() {
        let calls = |head: &mut dyn Head| {
            let described = head.describe();
            let locked = head.spin(500.0).and_then(|()| head.turns(3));
            let refused = head.arm(0.5);
            head.sleep(1.0);
            (described, locked, refused, head.status(), head.make_safe(false), head.now())
        };
        let (mut plain, _) = sim::open(None, 1).unwrap();
        let (head, gauge) = sim::open(None, 1).unwrap();
        let kept = Rc::new(RefCell::new(Kept::default()));
        let (mut head, gauge) = recorded(Box::new(head), Some(Box::new(gauge)), kept.clone());
        let expected = calls(&mut plain);
        assert_eq!(calls(&mut *head), expected);
        assert_eq!(expected.2, Err(Fault::NotLocked));
        assert!(gauge.unwrap().measure().is_err());
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
