//! Contracts of the laser, and of the gauge where it has a line to measure.

use crate::contract::trial::{
    Trial, TrialResult, broken, holds, or_broken, or_skipped, refused, skipped,
};
use crate::contract::trims::restored;
use crate::optics::geometry::line_rate;
use crate::optics::line::DOTS_PER_WORD;
use crate::optics::{LinePlan, Register};
use crate::{Calls, FacetMean, Fault, Halt, Laser, LineOrder, Pattern, Reading, Shape};

/// Share of full power: little, but lines must be seen by a gauge.
const POWER: f64 = 0.2;

/// What clocks may be off by in s, in whole digits of some wire.
const DIGITS: f64 = 1e-3;

/// Readings that are averaged, of a line each.
const AVERAGED: u32 = 5;

/// Smallest detectable shift, in multiples of the uncertainty that the gauge states.
const CLEAR: f64 = 30.0;

/// Between these shares of the shift that should be, one is as it should be: clear of half and of double it,
/// which an angle taken for that of the beam makes.
const LIKE: (f64, f64) = (0.6, 1.7);

/// Readings until a gauge that loses some must have given one.
const READINGS: usize = 10;

pub(super) fn needs_interlock(trial: &mut Trial) -> TrialResult<()> {
    if trial.status()?.interlock_closed {
        return Err(skipped("the interlock is closed: open it and check once more"));
    }
    refused("arming with the interlock open", trial.arm(POWER))?;
    trial.check_off("armed with the interlock open")
}

pub(super) fn needs_lock(trial: &mut Trial) -> TrialResult<()> {
    trial.rest()?;
    refused("arming at rest", trial.arm(POWER))?;
    trial.check_off("armed at rest")
}

/// One word of the shortest dots in the middle of the sweep, which needs no plan.
fn one_word(trial: &Trial) -> TrialResult<LineOrder> {
    let head = trial.description()?;
    let limits = head.clock.limits().map_err(|why| skipped(why.to_string()))?;
    let dot_period = limits.0.max(head.dot_least);
    let period = 1.0 / line_rate(head.facets, trial.usual_speed()?);
    let delay = (period / 2.0 - f64::from(DOTS_PER_WORD) / 2.0 * dot_period).max(0.0);
    let pattern = Pattern::TestMarks;
    Ok(LineOrder { facet: 0, dots: DOTS_PER_WORD, dot_period, delay, pattern })
}

pub(super) fn needs_arming(trial: &mut Trial) -> TrialResult<()> {
    let line = one_word(trial)?;
    trial.locked()?;
    refused("a line without arming", trial.expose(&line)).map(|_| ())
}

pub(super) fn power_range(trial: &mut Trial) -> TrialResult<()> {
    trial.locked()?;
    for power in [1.01, -0.01] {
        refused(&format!("{power} of full power"), trial.arm(power))?;
    }
    trial.check_off("armed beyond its power")
}

/// Arms, where that can be had.
fn armed(trial: &mut Trial) -> TrialResult<()> {
    if !trial.locked()?.interlock_closed {
        return Err(skipped("the interlock is open"));
    }
    or_broken("the laser cannot be armed", trial.arm(POWER))
}

pub(super) fn guards(trial: &mut Trial) -> TrialResult<()> {
    armed(trial)?;
    let said = trial.status()?.laser;
    holds(said == Laser::Armed, || "armed, it says that it is not")?;
    refused("stopping while armed", trial.halt(Halt::Brake))?;
    trial.disarm()?;
    trial.check_off("the laser is armed behind disarming")
}

pub(super) fn expose(trial: &mut Trial) -> TrialResult<()> {
    let head = trial.description()?;
    let facets = head.facets;
    // The clock may be told as late as any other answer, and in whole digits of some wire.
    let slack = head.times.reply_most.max(DIGITS);
    let plan = trial.plan()?;
    armed(trial)?;
    for facet in [0, facets - 1, facets / 2] {
        let before = trial.head.now();
        let drawn = trial.expose(&LineOrder::test_marks(facet, &plan));
        let after = trial.head.now();
        let drawn = or_broken("no line is drawn", drawn)?;
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
        holds(!drawn.underrun, || "the queue ran empty inside a line")?;
    }
    let beyond = trial.expose(&LineOrder::test_marks(facets, &plan));
    refused(&format!("a line of facet {facets}"), beyond)?;
    trial.disarm()
}

pub(super) fn measure(trial: &mut Trial) -> TrialResult<()> {
    let plan = trial.plan()?;
    armed(trial)?;
    read(trial, &plan)?;
    Ok(())
}

/// One good reading of a line of facet 0, drawn again where the gauge loses one.
fn read(trial: &mut Trial, plan: &LinePlan) -> TrialResult<Reading> {
    for _ in 0..READINGS {
        let drawn = trial.expose(&LineOrder::test_marks(0, plan));
        or_skipped("no line is drawn", drawn)?;
        match trial.measure() {
            Err(Fault::LostReading) => continue,
            Err(none @ Fault::NoGauge) => return Err(skipped(none.to_string())),
            Err(fault) => return Err(broken(format!("the line is not measured: {fault}"))),
            Ok(reading) => {
                let good = FacetMean::of(std::slice::from_ref(&reading), plan.length).is_ok();
                let (along_u, across_u) = reading.shift_u();
                holds(good && along_u > 0.0 && across_u > 0.0, || format!("it reads {reading:?}"))?;
                let marks = &reading.marks;
                let ordered = marks.iter().zip(marks.iter().skip(1)).all(|(a, b)| a.at < b.at);
                let inside = marks.iter().all(|mark| mark.at.abs() <= 0.5);
                holds(ordered && inside, || {
                    let at: Vec<f64> = marks.iter().map(|mark| mark.at).collect();
                    format!("its marks lie at {at:?} of the line, not in order from -0.5 to 0.5")
                })?;
                return Ok(reading);
            }
        }
    }
    Err(broken(format!("{READINGS} lines, and not one reading")))
}

/// Where facet 0 draws its line, as a mean of some readings; disarmed before and behind.
fn lies(trial: &mut Trial, plan: &LinePlan) -> TrialResult<FacetMean> {
    armed(trial)?;
    let mean = (|| {
        let readings = (0..AVERAGED).map(|_| read(trial, plan));
        let readings = readings.collect::<TrialResult<Vec<Reading>>>()?;
        FacetMean::of(&readings, plan.length).map_err(|why| broken(why.to_string()))
    })();
    trial.disarm()?;
    mean
}

/// A trim moved by as many steps as move the line by `shift` m, where one unit moves it by `gain`
/// m: up where the register goes that far, or down. Gives what the register holds then.
fn moved(what: &str, held: f64, register: Register, gain: f64, shift: f64) -> TrialResult<f64> {
    let far = (shift / gain / register.step).ceil().max(1.0) * register.step;
    let fits = [held + far, held - far].into_iter().find_map(|trim| register.hold(trim).ok());
    fits.ok_or_else(|| {
        skipped(format!(
            "the {what} register is too narrow to move a line by {shift} m, {CLEAR} times what \
             the gauge is uncertain by"
        ))
    })
}

pub(super) fn trims_shift(trial: &mut Trial) -> TrialResult<()> {
    if !trial.allowed.trims {
        return Err(skipped("trims were not allowed"));
    }
    restored(trial, |trial, before| {
        let head = trial.description()?;
        let plan = trial.plan()?;
        let first = lies(trial, &plan)?;
        let mut trims = before.to_vec();
        let Some(trim) = trims.first_mut() else { return Ok(()) };
        let held = *trim;
        // A mirror turns the beam by twice its own angle.
        let (later, across) = (plan.spot_velocity, 2.0 * head.focal_length);
        let u = [first.along, first.across].map(|shape| CLEAR * shape.u(0));
        trim.in_scan = moved("in-scan", held.in_scan, head.in_scan_trim, later, u[0])?;
        trim.cross_scan = moved("cross-scan", held.cross_scan, head.cross_scan_trim, across, u[1])?;
        let wanted = [
            ("an in-scan", later * (trim.in_scan - held.in_scan)),
            ("a cross-scan", across * (trim.cross_scan - held.cross_scan)),
        ];
        or_broken("trims inside the range are refused", trial.load_trims(&trims))?;
        trial.pause(head.galvanometer_settling);
        let then = lies(trial, &plan)?;
        let shift = |shape: fn(&FacetMean) -> Shape| {
            let ([then, ..], [first, ..]) = (shape(&then).of, shape(&first).of);
            then - first
        };
        let seen = [shift(|mean| mean.along), shift(|mean| mean.across)];
        for ((what, wanted), seen) in wanted.into_iter().zip(seen) {
            holds((LIKE.0..=LIKE.1).contains(&(seen / wanted)), || {
                let why = if seen / wanted < -LIKE.0 { ": the sign is wrong" } else { "" };
                format!("{what} trim moves the line by {seen} m instead of {wanted} m{why}")
            })?;
        }
        Ok(())
    })
}

pub(super) fn safe(trial: &mut Trial) -> TrialResult<()> {
    armed(trial)?;
    let safe = trial.make_safe(false)?;
    holds(safe.laser_off, || "the laser is not known to be off")?;
    holds(safe.troubles.is_empty(), || safe.troubles.join("; "))?;
    trial.check_off("made safe, it is armed")
}
