//! Contracts of the laser, and of the gauge where it has a line to measure.

use crate::contract::moves::{TURNS, pulses_fit};
use crate::contract::trial::{
    Trial, TrialResult, broken, holds, or_broken, or_skipped, refused, skipped,
};
use crate::contract::trims::restored;
use crate::optics::geometry::line_rate;
use crate::optics::line::DOTS_PER_WORD;
use crate::optics::{
    Fit, Gain, LinePlan, LineTiming, Register, Response, StartOfScan, Steps, TimedReading,
    largest_step, step_patterns,
};
use crate::{
    Calls, Exposed, FacetMean, Fault, Halt, Laser, LineOrder, MAX_STEADY, Pattern, Shape,
    SteadyOrder, Trim,
};
use core::f64::consts::TAU;

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

/// Time in s for which lines are drawn steadily.
const STEADY: f64 = 0.5;

/// Readings until a gauge that loses some must have given one.
const READINGS: usize = 10;

pub(super) fn needs_interlock(trial: &mut Trial) -> TrialResult<()> {
    if trial.status()?.interlock_closed {
        return Err(skipped("the interlock is closed: open it and check once more"));
    }
    // Without lock arming is refused anyway. An open interlock may also keep the polygon from turning.
    trial.locked().ok();
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
    Ok(LineOrder { facet: 0, dots: DOTS_PER_WORD, dot_period, delay, pattern, correction: None })
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

pub(super) fn lit_pulses(trial: &mut Trial) -> TrialResult<()> {
    let head = trial.description()?;
    let pulses = match head.start_of_scan {
        StartOfScan::EveryFacet => head.facets,
        StartOfScan::IndexOnly => 1,
    };
    armed(trial)?;
    let watched = or_broken("no turns are seen", trial.turns(TURNS))?;
    trial.disarm()?;
    pulses_fit(&head, &watched, pulses)
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

/// The shortest lines of all facets, drawn steadily; skipped where the head does not do that.
fn steady(trial: &mut Trial) -> TrialResult<SteadyOrder> {
    trial.locked()?;
    or_skipped("no steady drawing", trial.drawing_steadily())?;
    let LineOrder { dots, dot_period, delay, .. } = one_word(trial)?;
    Ok(SteadyOrder { facet: None, dots, dot_period, delay, seconds: STEADY })
}

pub(super) fn steady_needs_arming(trial: &mut Trial) -> TrialResult<()> {
    let order = steady(trial)?;
    refused("steady drawing without arming", trial.draw_steadily(order))?;
    let drawing = or_broken("no word on steady drawing", trial.drawing_steadily())?;
    holds(!drawing, || "refused, it says that it draws steadily")
}

pub(super) fn steady_ends(trial: &mut Trial) -> TrialResult<()> {
    let order = steady(trial)?;
    let facets = trial.description()?.facets;
    armed(trial)?;
    let long = SteadyOrder { seconds: 2.0 * MAX_STEADY, ..order };
    refused("steady drawing beyond its longest time", trial.draw_steadily(long))?;
    let beyond = SteadyOrder { facet: Some(facets), ..order };
    refused("steady drawing with a facet too many", trial.draw_steadily(beyond))?;
    let begin = |trial: &mut Trial| {
        or_broken("no steady drawing while armed", trial.draw_steadily(order))?;
        draws(trial, true, "it does not say that it draws steadily")
    };
    begin(trial)?;
    trial.pause(2.0 * STEADY);
    draws(trial, false, "steady drawing goes on beyond its time")?;
    holds(
        trial.status()?.laser == Laser::Armed,
        || "the end of steady drawing disarmed the laser",
    )?;
    begin(trial)?;
    or_broken("the mirror cannot be parked", trial.steer(None))?;
    draws(trial, false, "steady drawing goes on while the mirror moves")?;
    begin(trial)?;
    trial.disarm()?;
    draws(trial, false, "steady drawing goes on behind disarming")?;
    trial.check_off("the laser is armed behind disarming")
}

/// Whether lines are drawn steadily, as they should; else that was seen.
fn draws(trial: &mut Trial, should: bool, seen: &str) -> TrialResult<()> {
    let drawing = or_broken("no word on steady drawing", trial.drawing_steadily())?;
    holds(drawing == should, || seen)
}

pub(super) fn measure(trial: &mut Trial) -> TrialResult<()> {
    let plan = trial.plan()?;
    armed(trial)?;
    read(trial, 0, &plan)?;
    Ok(())
}

/// One good reading of a line of a facet, drawn again where the gauge loses one.
fn read(trial: &mut Trial, facet: u32, plan: &LinePlan) -> TrialResult<TimedReading> {
    for _ in 0..READINGS {
        let drawn = trial.expose(&LineOrder::test_marks(facet, plan));
        let Exposed { time, period, .. } = or_skipped("no line is drawn", drawn)?;
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
                return Ok(TimedReading { reading, time, period });
            }
        }
    }
    Err(broken(format!("{READINGS} lines, and not one reading")))
}

/// Where each facet draws its line, as a mean of some readings; disarmed before and behind. They are taken in
/// passes, forwards and backwards, so that a slow swing of the speed does not lie on the same facets.
fn lies(trial: &mut Trial, plan: &LinePlan) -> TrialResult<Vec<FacetMean>> {
    armed(trial)?;
    let timing = LineTiming {
        turn: TAU / plan.speed,
        velocity: plan.spot_velocity,
        delay: plan.pre_scan_delay,
        line_period: plan.line_period,
        index_only: trial.description()?.start_of_scan == StartOfScan::IndexOnly,
        length: plan.length,
    };
    let mut all = vec![Vec::new(); plan.facets as usize];
    let facets = (0..AVERAGED).flat_map(|pass| {
        (0..plan.facets).map(move |step| if pass % 2 == 0 { step } else { plan.facets - 1 - step })
    });
    let taken = facets.into_iter().try_for_each(|facet| {
        let reading = read(trial, facet, plan)?;
        all.get_mut(facet as usize).into_iter().for_each(|own| own.push(reading.clone()));
        Ok(())
    });
    trial.disarm()?;
    taken?;
    let means = FacetMean::of_facets(&all, 0, &timing, [f64::NAN; 2], &mut Fit::default());
    means.map_err(|why| broken(why.to_string()))
}

/// Steps of registers that move lines by up to `shift` m as `pattern` has it, where one unit moves a line by
/// `gain` m. As the registers hold them.
fn stepped(
    what: &str,
    pattern: &[f64],
    register: Register,
    gain: f64,
    shift: f64,
) -> TrialResult<Vec<f64>> {
    let most = largest_step(register, gain, shift);
    let hold = |share: &f64| register.hold(share * most);
    pattern.iter().map(hold).collect::<Result<_, _>>().map_err(|_| {
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
        let load = |trial: &mut Trial, trims: &[Trim]| {
            or_broken("trims inside the range are refused", trial.load_trims(trims))?;
            trial.pause(head.galvanometer_settling);
            lies(trial, &plan)
        };
        let first = load(trial, &vec![Trim::default(); before.len()])?;
        // A mirror turns the beam by twice its own angle.
        let (later, across) = (plan.spot_velocity, 2.0 * head.focal_length);
        let patterns = step_patterns(head.facets);
        let largest = |of: fn(&FacetMean) -> f64| CLEAR * first.iter().map(of).fold(0.0, f64::max);
        let (u_along, u_across) = (largest(|m| m.along.u(0)), largest(|m| m.across.u(0)));
        let in_scan = stepped("in-scan", &patterns.0, head.in_scan_trim, later, u_along)?;
        let cross_scan =
            stepped("cross-scan", &patterns.1, head.cross_scan_trim, across, u_across)?;
        let trims = in_scan.iter().zip(&cross_scan);
        let trims =
            trims.map(|(&in_scan, &cross_scan)| Trim { in_scan, cross_scan, ..Trim::default() });
        let then = load(trial, &trims.collect::<Vec<Trim>>())?;
        let steps = |steps: &[f64], gain: f64, shape: fn(&FacetMean) -> &Shape| {
            let pairs = || then.iter().zip(&first).map(|(then, first)| (shape(then), shape(first)));
            let shift = |of: &Shape| of.of.first().copied().unwrap_or(f64::NAN);
            Steps {
                ordered: steps.iter().map(|step| step * gain).collect(),
                seen: pairs().map(|(then, first)| shift(then) - shift(first)).collect(),
                u: pairs().map(|(then, first)| then.u(0).hypot(first.u(0))).collect(),
            }
        };
        let along = steps(&in_scan, later, |mean| &mean.along);
        let response = Response::of(&along, &steps(&cross_scan, across, |mean| &mean.across));
        let response = response.ok_or_else(|| broken("the gauge gives no numbers".to_string()))?;
        if let Some(trouble) = response.trouble() {
            return Err(broken(trouble));
        }
        for (what, Gain { of, .. }) in
            [("in-scan", response.in_scan), ("cross-scan", response.cross_scan)]
        {
            holds((LIKE.0..=LIKE.1).contains(&of), || {
                format!("the {what} trims move lines {of:.2} times as far as they should")
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
