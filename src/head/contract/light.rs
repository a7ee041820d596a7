//! Contracts of the laser, and of the gauge where it has a line to measure.

use crate::head::contract::Found;
use crate::head::contract::bench::{Bench, Checked, broken, found, holds, refused};
use crate::head::contract::trims::restored;
use crate::head::{Fault, Halt, Laser, LineOrder, Pattern, Reading};
use crate::optics::geometry::line_rate;
use crate::optics::line::WORD;
use crate::optics::{LinePlan, Register};

/// Share of full power: little, but lines must be seen by a gauge.
const POWER: f64 = 0.2;

/// What clocks may be off by in s, in whole digits of some wire.
const DIGITS: f64 = 1e-3;

/// Readings that are averaged, of a line each.
const AVERAGED: u32 = 5;

/// A shift that is told from none: so many times the uncertainty that the gauge states.
const CLEAR: f64 = 30.0;

/// Between these shares of the shift that should be, one is as it should be.
const LIKE: (f64, f64) = (0.5, 2.0);

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

/// One word of the shortest dots in the middle of the sweep, which needs no plan.
fn one_word(bench: &Bench) -> Checked<LineOrder> {
    let head = bench.description()?;
    let limits = head.clock.limits().map_err(|why| Found::Skipped(why.to_string()))?;
    let dot_period = limits.0.max(head.dot_least);
    let period = 1.0 / line_rate(head.facets, bench.usual_speed()?);
    let delay = (period / 2.0 - f64::from(WORD) / 2.0 * dot_period).max(0.0);
    let pattern = Pattern::TestMarks;
    Ok(LineOrder { facet: 0, dots: WORD, dot_period, delay, pattern })
}

pub(super) fn needs_arming(bench: &mut Bench) -> Found {
    found((|| {
        let line = one_word(bench)?;
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
        let head = bench.description()?;
        let facets = head.facets;
        // The clock may be told as late as any other answer, and in whole digits of some wire.
        let slack = head.times.reply_most.max(DIGITS);
        let plan = bench.plan()?;
        armed(bench)?;
        for facet in [0, facets - 1, facets / 2] {
            let before = bench.head.now();
            let drawn = bench.expose(&LineOrder::test_marks(facet, &plan));
            let after = bench.head.now();
            let drawn = drawn.map_err(|fault| broken(format!("no line is drawn: {fault}")))?;
            let during = drawn.time >= before - slack && drawn.time <= after + slack;
            holds(during, || {
                format!(
                    "a line at {} s, though the clock went from {before} s to {after} s: on another \
                     clock?",
                    drawn.time
                )
            })?;
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
        read(bench, &plan)?;
        Ok(())
    })())
}

/// One good reading of a line of facet 0, drawn again where the gauge loses one.
fn read(bench: &mut Bench, plan: &LinePlan) -> Checked<Reading> {
    for _ in 0..READINGS {
        let drawn = bench.expose(&LineOrder::test_marks(0, plan));
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
                holds(good && stated, || format!("it reads {reading:?}"))?;
                return Ok(reading);
            }
        }
    }
    Err(broken(format!("{READINGS} lines, and not one reading")))
}

/// Where facet 0 draws its line, as a mean of some readings; disarmed before and behind.
fn lies(bench: &mut Bench, plan: &LinePlan) -> Checked<Reading> {
    armed(bench)?;
    let mean = (|| {
        let mut mean = read(bench, plan)?;
        for k in 1..AVERAGED {
            let next = read(bench, plan)?;
            let share = 1.0 / f64::from(k + 1);
            mean.in_scan += share * (next.in_scan - mean.in_scan);
            mean.cross_scan += share * (next.cross_scan - mean.cross_scan);
        }
        Ok(mean)
    })();
    bench.disarm()?;
    mean
}

/// A trim moved by as many steps as move the line by `shift` m, where one unit moves it by `gain`
/// m: up where the register goes that far, or down. Gives what the register holds then.
fn moved(what: &str, held: f64, register: Register, gain: f64, shift: f64) -> Checked<f64> {
    let far = (shift / gain / register.step).ceil().max(1.0) * register.step;
    let fits = [held + far, held - far].into_iter().find_map(|trim| register.hold(trim).ok());
    fits.ok_or_else(|| {
        Found::Skipped(format!(
            "the {what} register is too narrow to move a line by {shift} m, {CLEAR} times what \
             the gauge is uncertain by"
        ))
    })
}

pub(super) fn trims_shift(bench: &mut Bench) -> Found {
    if !bench.may_trim() {
        return Found::Skipped("trims were not allowed".to_string());
    }
    restored(bench, |bench, before| {
        let head = bench.description()?;
        let plan = bench.plan()?;
        let first = lies(bench, &plan)?;
        let mut trims = before.to_vec();
        let Some(trim) = trims.first_mut() else { return Ok(()) };
        let held = *trim;
        // A mirror turns the beam by twice its own angle.
        let (later, across) = (plan.spot_velocity, 2.0 * head.focal_length);
        let u = [first.in_scan_u, first.cross_scan_u].map(|u| CLEAR * u);
        trim.in_scan = moved("in-scan", held.in_scan, head.in_scan_trim, later, u[0])?;
        trim.cross_scan = moved("cross-scan", held.cross_scan, head.cross_scan_trim, across, u[1])?;
        let wanted = [
            ("an in-scan", later * (trim.in_scan - held.in_scan)),
            ("a cross-scan", across * (trim.cross_scan - held.cross_scan)),
        ];
        let loaded = bench.load(&trims);
        loaded.map_err(|fault| broken(format!("trims inside the range are refused: {fault}")))?;
        bench.pause(head.galvanometer_settling);
        let then = lies(bench, &plan)?;
        let seen = [then.in_scan - first.in_scan, then.cross_scan - first.cross_scan];
        for ((what, wanted), seen) in wanted.into_iter().zip(seen) {
            holds((LIKE.0..=LIKE.1).contains(&(seen / wanted)), || {
                let why = if seen / wanted < -LIKE.0 { ": the sign is wrong" } else { "" };
                format!("{what} trim moves the line by {seen} m instead of {wanted} m{why}")
            })?;
        }
        Ok(())
    })
}

pub(super) fn safe(bench: &mut Bench) -> Found {
    found((|| {
        armed(bench)?;
        let safe = bench.make_safe(false)?;
        holds(safe.laser_off, || "the laser is not known to be off".to_string())?;
        holds(safe.troubles.is_empty(), || safe.troubles.join("; "))?;
        let status = bench.status()?;
        holds(status.laser == Laser::Off, || "made safe, it is armed".to_string())
    })())
}
