//! Contracts of the laser, and of the gauge where it has a line to measure.

use crate::head::contract::Found;
use crate::head::contract::bench::{Bench, broken, found, holds, refused};
use crate::head::{Fault, Halt, Laser, LineOrder};

/// Share of full power: little, but lines must be seen by a gauge.
const POWER: f64 = 0.2;

/// Readings until a gauge that loses some must have given one.
const READINGS: usize = 10;

pub(super) fn needs_interlock(bench: &mut Bench) -> Found {
    found((|| {
        if bench.status()?.interlock_closed {
            let why = "the interlock is closed: open it and check once more";
            return Err(Found::Skipped(why.to_string()));
        }
        refused("arming with the interlock open", bench.arm(POWER))?;
        let off = bench.status()?.laser == Laser::Off;
        holds(off, || "armed with the interlock open".to_string())
    })())
}

pub(super) fn needs_lock(bench: &mut Bench) -> Found {
    found((|| {
        bench.rest()?;
        refused("arming at rest", bench.arm(POWER))?;
        let off = bench.status()?.laser == Laser::Off;
        holds(off, || "armed at rest".to_string())
    })())
}

pub(super) fn needs_arming(bench: &mut Bench) -> Found {
    found((|| {
        let line = LineOrder::test_marks(0, &bench.plan()?);
        bench.locked()?;
        refused("a line without arming", bench.expose(&line)).map(|_| ())
    })())
}

pub(super) fn power_range(bench: &mut Bench) -> Found {
    found((|| {
        bench.locked()?;
        for power in [1.01, -0.01] {
            refused(&format!("{power} of full power"), bench.arm(power))?;
        }
        let off = bench.status()?.laser == Laser::Off;
        holds(off, || "armed beyond its power".to_string())
    })())
}

/// Arms, where that can be had.
fn armed(bench: &mut Bench) -> Result<(), Found> {
    if !bench.locked()?.interlock_closed {
        return Err(Found::Skipped("the interlock is open".to_string()));
    }
    bench.arm(POWER).map_err(|fault| broken(format!("the laser cannot be armed: {fault}")))
}

pub(super) fn guards(bench: &mut Bench) -> Found {
    found((|| {
        armed(bench)?;
        let said = bench.status()?.laser;
        holds(said == Laser::Armed, || "armed, it says that it is not".to_string())?;
        refused("stopping while armed", bench.halt(Halt::Brake))?;
        bench.disarm()?;
        let off = bench.status()?.laser == Laser::Off;
        holds(off, || "the laser is armed behind disarming".to_string())
    })())
}

pub(super) fn expose(bench: &mut Bench) -> Found {
    found((|| {
        let facets = bench.description()?.facets;
        let plan = bench.plan()?;
        armed(bench)?;
        for facet in [0, facets - 1, facets / 2] {
            let drawn = bench.expose(&LineOrder::test_marks(facet, &plan));
            let drawn = drawn.map_err(|fault| broken(format!("no line is drawn: {fault}")))?;
            holds(drawn.facet == facet, || {
                format!("facet {} drew the line of facet {facet}", drawn.facet)
            })?;
            holds(!drawn.underrun, || "the queue ran empty inside a line".to_string())?;
        }
        let beyond = bench.expose(&LineOrder::test_marks(facets, &plan));
        refused(&format!("a line of facet {facets}"), beyond)?;
        bench.disarm()
    })())
}

pub(super) fn measure(bench: &mut Bench) -> Found {
    found((|| {
        let plan = bench.plan()?;
        armed(bench)?;
        for _ in 0..READINGS {
            let drawn = bench.expose(&LineOrder::test_marks(0, &plan));
            drawn.map_err(|fault| Found::Skipped(format!("no line is drawn: {fault}")))?;
            match bench.measure()? {
                Err(Fault::LostReading) => continue,
                Err(none @ Fault::NoGauge) => return Err(Found::Skipped(none.to_string())),
                Err(fault) => return Err(broken(format!("the line is not measured: {fault}"))),
                Ok(reading) => {
                    let shifts = [reading.in_scan, reading.cross_scan];
                    let good = shifts.iter().all(|shift| shift.is_finite());
                    let stated = [reading.in_scan_u, reading.cross_scan_u];
                    let stated = stated.iter().all(|u| *u > 0.0 && u.is_finite());
                    return holds(good && stated, || format!("it reads {reading:?}"));
                }
            }
        }
        Err(broken(format!("{READINGS} lines, and not one reading")))
    })())
}

pub(super) fn safe(bench: &mut Bench) -> Found {
    found((|| {
        armed(bench)?;
        let safe = bench.head.make_safe(false);
        holds(safe.laser_off, || "the laser is not known to be off".to_string())?;
        holds(safe.troubles.is_empty(), || safe.troubles.join("; "))?;
        let status = bench.status()?;
        holds(status.laser == Laser::Off, || "made safe, it is armed".to_string())
    })())
}
