//! The driver: a head and its gauge at the other end of a wire. Uses the caller.

use crate::head::control::{Control, SharedControl};
use crate::head::wire::caller::{Wire, mixed};
use crate::head::wire::codec::{Answer, Order};
use crate::head::wire::greeting::Target;
use crate::head::{
    Description, Exposed, ExposedPage, Fault, Gauge, Halt, Head, LineOrder, PageOrder, Provoker,
    Reading, SafeState, Status, Trim, Turn,
};
use std::cell::RefCell;
use std::rc::Rc;

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
    /// Who controls it.
    pub control: WireControl,
}

/// Opens the head and its gauge behind a server.
pub fn open(target: Target) -> Result<Opened, Fault> {
    let mut wire = Wire::new(target);
    let seed = wire.linked()?.seed;
    let is_simulated = match wire.call(&Order::Describe)? {
        Answer::Description(described) => described.simulated,
        _ => return Err(mixed()),
    };
    let wire = Rc::new(RefCell::new(wire));
    let provoker = is_simulated.then(|| WireProvoker(Rc::clone(&wire)));
    let (head, control) = (WireHead(Rc::clone(&wire)), WireControl(Rc::clone(&wire)));
    Ok(Opened { head, gauge: WireGauge(wire), provoker, seed, control })
}

/// Whether another client controls the head behind a server; no where that cannot be learnt.
pub fn is_anothers(target: Target) -> bool {
    Wire::new(target).owner() == Some(Control::Others)
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
        self.0.borrow().is_virtual()
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
        self.0.borrow_mut().disarm()
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

/// Control of the head at the other end, which one client has at a time.
pub struct WireControl(Rc<RefCell<Wire>>);

impl SharedControl for WireControl {
    fn owner(&self) -> Result<Control, Fault> {
        self.0.borrow_mut().controller()
    }

    fn take(&self) -> Result<(), Fault> {
        self.0.borrow_mut().take()
    }

    fn give(&self) -> Result<(), Fault> {
        self.0.borrow_mut().give()
    }

    fn insist(&self, on: bool) {
        self.0.borrow_mut().insist(on);
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
        self.0.borrow_mut().mend();
    }
}
