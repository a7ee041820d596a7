//! A head that does nothing, and running a program on it for the number it records.

use spintrue::builtins::{Builtin, Default, Function, Parameter, Spec};
use spintrue::head::description::{Clock, ClockKind, Register, StartOfScan};
use spintrue::head::station::Station;
use spintrue::head::{
    Description, Exposed, Fault, Halt, Head, LineOrder, SafeState, Status, Trim, Turn,
};
use spintrue::interpret::{Event, Observer, run_with};
use spintrue::program::show::Shown;
use spintrue::program::tree::Program;
use spintrue::units::Dimension;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// The one built-in of the kernels.
static BUILTINS: &[Builtin] = &[Builtin {
    name: "sqrt",
    parameters: &[Parameter {
        name: "x",
        spec: Spec::Quantity(Dimension::NUMBER),
        default: Default::Required,
        meaning: "the square",
    }],
    returns: Spec::Quantity(Dimension::NUMBER),
    effects: &[],
    meaning: "the square root",
    example: "",
    function: Function::Number1(f64::sqrt),
}];

struct Still;

fn refused<T>() -> Result<T, Fault> {
    Err(Fault::Refused("this head does nothing".to_string()))
}

impl Head for Still {
    fn describe(&mut self) -> Result<Description, Fault> {
        let register = Register {
            step: 1e-9,
            range: 1e-6,
        };
        Ok(Description {
            model: "still".to_string(),
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
            clock: Clock {
                master: 1e8,
                kind: ClockKind::Accumulator { bits: 32 },
            },
            word_service: 1e-6,
            queue_words: 64,
            in_scan_trim: register,
            cross_scan_trim: register,
            galvanometer_range: 0.1,
            galvanometer_settling: 1e-3,
            rails: Vec::new(),
            start_of_scan: StartOfScan::EveryFacet,
            laser_power: 1e-3,
        })
    }
    fn status(&mut self) -> Result<Status, Fault> {
        refused()
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
        refused()
    }
    fn load_trims(&mut self, _: &[Trim]) -> Result<(), Fault> {
        refused()
    }
    fn store_trims(&mut self) -> Result<(), Fault> {
        refused()
    }
    fn arm(&mut self, _: f64) -> Result<(), Fault> {
        refused()
    }
    fn disarm(&mut self) -> Result<(), Fault> {
        Ok(())
    }
    fn expose(&mut self, _: &LineOrder) -> Result<Exposed, Fault> {
        refused()
    }
    fn now(&mut self) -> f64 {
        0.0
    }
    fn sleep(&mut self, _: f64) {}
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

/// Keeps the last number that was recorded.
struct Last(f64);

impl Observer for Last {
    fn event(&mut self, event: Event) {
        if let Event::Recorded {
            shown: Shown::Quantity { value, .. },
            ..
        } = event
        {
            self.0 = value;
        }
    }
}

/// Runs a program; gives the number it records.
pub fn result(program: &Program) -> f64 {
    let stop = Arc::new(AtomicBool::new(false));
    let mut station = Station::new(Box::new(Still), None, stop).expect("the head describes itself");
    let mut last = Last(f64::NAN);
    run_with(BUILTINS, program, &mut station, &mut last, &|_| {
        String::new()
    })
    .expect("the kernel runs");
    last.0
}
