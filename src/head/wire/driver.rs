//! The driver: the link to a head at the other end of a wire. Uses the caller.

use crate::call::{Call, Reply};
use crate::wire::caller::Wire;
use crate::wire::control::Control;
use crate::wire::greeting::WireTarget;
use crate::{Fault, Link};
use std::cell::RefCell;
use std::rc::Rc;

/// A server that was opened.
pub struct Opened {
    /// Its head, with gauge and faults.
    pub link: WireLink,
    /// The seed of a simulated one.
    pub seed: Option<u64>,
    /// Its time passes by what it is asked for only.
    pub is_virtual: bool,
    /// Who controls it.
    pub control: WireControl,
}

/// Opens the head behind a server.
pub fn connect(target: WireTarget) -> Result<Opened, Fault> {
    let mut wire = Wire::new(target);
    let seed = wire.linked()?.seed;
    wire.call(&Call::Describe)?;
    let is_virtual = wire.is_virtual();
    let wire = Rc::new(RefCell::new(wire));
    let control = WireControl(Rc::clone(&wire));
    Ok(Opened { link: WireLink(wire), seed, is_virtual, control })
}

/// Whether another client controls the head behind a server; no where that cannot be learnt.
pub fn is_controlled_by_other(target: WireTarget) -> bool {
    Wire::new(target).owner() == Some(Control::Others)
}

/// The head at the other end.
pub struct WireLink(Rc<RefCell<Wire>>);

impl Link for WireLink {
    fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        self.0.borrow_mut().call(call)
    }

    fn now(&mut self) -> f64 {
        self.0.borrow_mut().time()
    }
}

/// Control of the head at the other end, which one client has at a time.
pub struct WireControl(Rc<RefCell<Wire>>);

impl WireControl {
    /// Who has it; a fault where it was had here and is not any more.
    pub fn owner(&self) -> Result<Control, Fault> {
        self.0.borrow_mut().controller()
    }

    /// Takes it; refused while another client has it.
    pub fn take(&self) -> Result<(), Fault> {
        self.0.borrow_mut().take()
    }

    /// Gives it back, on which the head is made safe.
    pub fn give(&self) -> Result<(), Fault> {
        self.0.borrow_mut().give()
    }

    /// Has what makes safe act on a head that another client controls, or leave it to that one.
    pub fn insist(&self, on: bool) {
        self.0.borrow_mut().insist(on);
    }
}
