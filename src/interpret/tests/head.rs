//! The head that keeps a log, and the built-ins of the tests.

use crate::builtins::{Builtin, Context, Function, Gives, Longest, Spec, Trouble};
use crate::head::description::{Clock, ClockKind, Register, StartOfScan};
use crate::head::station::StationError;
use crate::head::{
    Description, Exposed, Fault, Halt, Head, Laser, LineOrder, SafeState, Status, Times, Trim, Turn,
};
use crate::program::value::{Datum, Value};
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

#[derive(Default)]
pub struct Bench {
    pub log: Vec<String>,
    pub time: f64,
    pub armed: bool,
    pub lock_at: f64,
    pub stop_at: Option<f64>,
    pub clock_stands: bool,
    pub refuses_arm: bool,
    pub refuses_disarm: bool,
}

pub struct Logged {
    pub bench: Rc<RefCell<Bench>>,
    pub stop: Arc<AtomicBool>,
}

pub fn refused<T>() -> Result<T, Fault> {
    Err(Fault::Refused("not on this head".to_string()))
}

impl Head for Logged {
    fn describe(&mut self) -> Result<Description, Fault> {
        let register = Register { step: 1e-9, range: 1e-6 };
        Ok(Description {
            model: "logged".to_string(),
            serial: "0".to_string(),
            simulated: true,
            facets: 8,
            speed_least: 1.0,
            speed_most: 1000.0,
            lock_window: 1e-4,
            lock_turns: 8,
            spin_up_most: 10.0,
            coast_most: 60.0,
            focal_length: 0.3,
            line_most: 0.3,
            active_most: 0.6,
            clock: Clock { master: 1e8, kind: ClockKind::Accumulator { bits: 32 } },
            dot_least: 0.0,
            word_service: 1e-6,
            queue_words: 64,
            in_scan_trim: register,
            cross_scan_trim: register,
            galvanometer_range: 0.1,
            galvanometer_settling: 1e-3,
            rails: Vec::new(),
            start_of_scan: StartOfScan::EveryFacet,
            laser_power: 1e-3,
            times: Times::default(),
            signals: Vec::new(),
            channels: Vec::new(),
        })
    }
    fn status(&mut self) -> Result<Status, Fault> {
        let mut bench = self.bench.borrow_mut();
        let time = bench.time;
        if !bench.armed {
            bench.log.push(format!("look {time:.3}"));
        }
        Ok(Status {
            time,
            speed: 0.0,
            target: None,
            locked: time >= bench.lock_at,
            facet: None,
            rails: Vec::new(),
            interlock_closed: true,
            laser: if bench.armed { Laser::Armed } else { Laser::Off },
            at_rest: true,
            galvanometer: 0.0,
            parked: true,
            temperature: 293.15,
        })
    }
    fn spin(&mut self, _: f64) -> Result<(), Fault> {
        refused()
    }
    fn halt(&mut self, _: Halt) -> Result<(), Fault> {
        refused()
    }
    fn steer(&mut self, _: Option<f64>) -> Result<(), Fault> {
        refused()
    }
    fn turns(&mut self, _: u32) -> Result<Vec<Turn>, Fault> {
        refused()
    }
    fn trims(&mut self) -> Result<Vec<Trim>, Fault> {
        self.bench.borrow_mut().log.push("trims".to_string());
        Ok(Vec::new())
    }
    fn load_trims(&mut self, _: &[Trim]) -> Result<(), Fault> {
        refused()
    }
    fn store_trims(&mut self) -> Result<(), Fault> {
        refused()
    }
    fn arm(&mut self, power: f64) -> Result<(), Fault> {
        let mut bench = self.bench.borrow_mut();
        bench.log.push(format!("arm {power}"));
        bench.armed = true;
        if bench.refuses_arm {
            return Err(Fault::InterlockOpen);
        }
        Ok(())
    }
    fn disarm(&mut self) -> Result<(), Fault> {
        let mut bench = self.bench.borrow_mut();
        bench.log.push("disarm".to_string());
        if bench.refuses_disarm {
            return Err(Fault::Broken("no answer".to_string()));
        }
        bench.armed = false;
        Ok(())
    }
    fn expose(&mut self, _: &LineOrder) -> Result<Exposed, Fault> {
        refused()
    }
    fn now(&mut self) -> f64 {
        self.bench.borrow().time
    }
    fn sleep(&mut self, seconds: f64) {
        let mut bench = self.bench.borrow_mut();
        if !bench.clock_stands {
            bench.time += seconds;
        }
        if bench.stop_at.is_some_and(|at| bench.time >= at) {
            self.stop.store(true, Ordering::Relaxed);
        }
    }
    fn make_safe(&mut self, kept_spinning: bool) -> SafeState {
        SafeState {
            laser_off: true,
            parked: true,
            speed: 0.0,
            at_rest: true,
            kept_spinning,
            troubles: Vec::new(),
        }
    }
}

pub fn locked(context: &mut Context<'_>, _: &[Datum]) -> Result<Datum, Trouble> {
    Ok(Datum::Flag(context.station.status()?.locked))
}

pub fn press_stop(context: &mut Context<'_>, _: &[Datum]) -> Result<Datum, Trouble> {
    context.station.stop_flag().store(true, Ordering::Relaxed);
    Ok(Datum::Nothing)
}

pub fn break_down(_: &mut Context<'_>, _: &[Datum]) -> Result<Datum, Trouble> {
    Err(StationError::Fault(Fault::NotLocked).into())
}

pub fn trims(context: &mut Context<'_>, _: &[Datum]) -> Result<Datum, Trouble> {
    context.station.trims()?;
    Ok(Datum::Nothing)
}

pub fn panics(_: &mut Context<'_>, _: &[Datum]) -> Result<Datum, Trouble> {
    panic!("boom")
}

pub fn size(context: &mut Context<'_>, arguments: &[Datum]) -> Result<Datum, Trouble> {
    match arguments {
        [list, Datum::Nothing] => {
            Ok(Datum::Number((list.words().len() / context.item.words) as f64))
        }
        [_, other] => Ok(Datum::Number(other.number() * f64::NAN)),
        _ => Err(Trouble::Value("size takes two".to_string())),
    }
}

pub fn too_long(_: &mut Context<'_>, _: &[Datum]) -> Result<Datum, Trouble> {
    Ok(Datum::Value(Value::words(vec![0.0; 4_000_001])))
}

pub const fn builtin(name: &'static str, function: Function) -> Builtin {
    Builtin {
        name,
        parameters: &[],
        returns: Spec::Nothing,
        effects: &[],
        meaning: "",
        example: "",
        longest: Longest::Nothing,
        gives: Gives::Anything,
        function,
    }
}

pub static BUILTINS: &[&Builtin] = &[
    &builtin("sqrt", Function::Number1(f64::sqrt)),
    &builtin("power", Function::Number2(f64::powf)),
    &builtin("locked", Function::General(locked)),
    &builtin("press_stop", Function::General(press_stop)),
    &builtin("break_down", Function::General(break_down)),
    &builtin("trims", Function::General(trims)),
    &builtin("panics", Function::General(panics)),
    &builtin("size", Function::General(size)),
    &builtin("too_long", Function::General(too_long)),
];
