//! The way to a safe state step by step, for heads that have no better one of their own, how a head
//! was left in words, and how a panic of a driver is caught. Uses links and units.

use crate::link::Borrowed;
use crate::units::{Dimension, show_quantity};
use crate::{Calls, Description, Fault, Halt, Head, Laser, Link, SafeState, Status};
use std::any::Any;
use std::panic::{AssertUnwindSafe, catch_unwind};

/// Time in s in which an unknown mirror settles.
const SETTLING: f64 = 1.0;

/// Calls of a silent head on the way to a safe state, besides one for each output.
pub const SAFE_CALLS: f64 = 6.0;

/// Laser off first, then the mirror parked, then the polygon down (or kept), then outputs as
/// `known` has them, even if a step fails; then, once the mirror has settled, what the head
/// says of itself.
pub fn step_by_step(
    head: &mut dyn Head,
    known: Option<&Description>,
    keep_spinning: bool,
) -> SafeState {
    make_safe_by_steps(&mut Borrowed(head), known, keep_spinning)
}

/// The same over a link.
pub fn make_safe_by_steps(
    head: &mut dyn Link,
    known: Option<&Description>,
    keep_spinning: bool,
) -> SafeState {
    let mut troubles = Vec::new();
    let mut note = |what: &str, result: Result<(), Fault>| {
        if let Err(fault) = result {
            troubles.push(format!("{what}: {fault}"));
        }
    };
    note("the laser could not be disarmed", catch_panic(|| head.disarm()));
    note("the galvanometer could not be parked", catch_panic(|| head.steer(None)));
    if !keep_spinning {
        note("the polygon could not be stopped", catch_panic(|| head.halt(Halt::Brake)));
    }
    for signal in known.iter().flat_map(|known| &known.signals) {
        let Some(on) = signal.put_at_safe() else { continue };
        let word = if on { "on" } else { "off" };
        let what = format!("the output `{}` could not be switched {word}", signal.name);
        note(&what, catch_panic(|| head.switch(&signal.name, on)));
    }
    for channel in known.iter().flat_map(|known| &known.channels) {
        let Some(value) = channel.at_safe else { continue };
        let what = format!("the channel `{}` could not be set back", channel.name);
        note(&what, catch_panic(|| head.set_channel(&channel.name, value)));
    }
    let settling = known.map_or(SETTLING, |known| known.galvanometer_settling);
    note("the galvanometer was not waited for", catch_panic(|| head.sleep(settling)));
    let status = catch_panic(|| head.status());
    if let Err(fault) = &status {
        troubles.push(format!("the state could not be read: {fault}"));
    }
    SafeState::seen(status.as_ref().ok(), keep_spinning, troubles)
}

impl SafeState {
    /// As the status tells, where there is one; `kept` where the polygon was to go on.
    pub fn seen(status: Option<&Status>, kept: bool, troubles: Vec<String>) -> SafeState {
        SafeState {
            laser_off: status.is_some_and(|s| s.laser == Laser::Off),
            parked: status.is_some_and(|s| s.parked),
            speed: status.map_or(f64::NAN, |s| s.speed),
            at_rest: status.is_some_and(|s| s.at_rest),
            kept_spinning: kept && status.is_some_and(|s| s.target.is_some()),
            troubles,
        }
    }

    /// Dark, parked, at rest or kept spinning as asked, and nothing went wrong on the way.
    pub fn is_safe(&self) -> bool {
        let still = self.at_rest || self.kept_spinning;
        self.laser_off && self.parked && still && self.troubles.is_empty()
    }

    /// Why it is not safe; none where it is.
    pub fn trouble(&self) -> Option<String> {
        let why = if self.troubles.is_empty() { left_text(self) } else { self.troubles.join("; ") };
        (!self.is_safe()).then_some(why)
    }

    /// How the head stands is not known.
    pub fn unknown(troubles: Vec<String>) -> SafeState {
        SafeState::seen(None, false, troubles)
    }
}

/// How the head was left. A polygon that is not measured at rest is reported as turning.
pub fn left_text(safe: &SafeState) -> String {
    let measured = safe.speed.is_finite();
    let light = if safe.laser_off { "laser off" } else { "LASER NOT KNOWN TO BE OFF" };
    let mirror = match (safe.parked, measured) {
        (true, _) => "mirror parked",
        (false, true) => "mirror not parked",
        (false, false) => "mirror not known to be parked",
    };
    let speed = show_quantity(safe.speed, Dimension::ROTATION, None, Some(0));
    let polygon = if !measured {
        "POLYGON SPEED NOT KNOWN: take it as turning".to_string()
    } else if safe.at_rest {
        "polygon at rest".to_string()
    } else if safe.kept_spinning {
        format!("polygon kept spinning at {speed}")
    } else if safe.speed == 0.0 {
        "POLYGON NOT YET SEEN AT REST: take it as turning".to_string()
    } else {
        format!("POLYGON STILL TURNS at {speed}")
    };
    let seen = if measured { "measured" } else { "not measured" };
    format!("{light}, {mirror}, {polygon} ({seen})")
}

/// The result of a call, where a panic of the driver is a broken head.
pub fn catch_panic<T>(call: impl FnOnce() -> Result<T, Fault>) -> Result<T, Fault> {
    catch_unwind(AssertUnwindSafe(call)).unwrap_or_else(|panic| Err(panic_fault(&*panic)))
}

/// The fault that a panic is.
pub fn panic_fault(panic: &(dyn Any + Send)) -> Fault {
    let text = panic.downcast_ref::<&str>().copied();
    let text = text.or_else(|| panic.downcast_ref::<String>().map(String::as_str));
    Fault::Broken(format!("internal error: {}", text.unwrap_or("a panic without words")))
}

#[cfg(test)]
mod tests {
    use super::left_text;
    use crate::SafeState;

    fn said(speed: f64, at_rest: bool) -> String {
        let safe = SafeState {
            laser_off: true,
            parked: true,
            speed,
            at_rest,
            kept_spinning: false,
            troubles: Vec::new(),
        };
        left_text(&safe)
    }

    #[test]
    fn only_what_is_measured_at_rest_is_said_to_rest() {
        assert!(said(0.0, true).contains("polygon at rest"));
        assert!(said(10.0, false).contains("POLYGON STILL TURNS at 95 rpm"));
        // Pushed a moment ago, and no pulse has come yet.
        assert!(said(0.0, false).contains("NOT YET SEEN AT REST: take it as turning"));
        assert!(said(f64::NAN, false).contains("SPEED NOT KNOWN: take it as turning"));
    }

    #[test]
    fn what_nobody_measured_is_not_said_to_be() {
        let unknown = SafeState::unknown(Vec::new());
        assert_eq!(
            left_text(&unknown),
            "LASER NOT KNOWN TO BE OFF, mirror not known to be parked, POLYGON SPEED NOT KNOWN: \
             take it as turning (not measured)"
        );
        let seen = SafeState { speed: 0.0, ..unknown };
        assert!(left_text(&seen).contains(", mirror not parked, "), "{}", left_text(&seen));
        assert!(left_text(&seen).ends_with(" (measured)"));
    }
}
