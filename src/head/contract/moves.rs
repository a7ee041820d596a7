//! Contracts of polygon and galvanometer.

use crate::contract::trial::{Trial, TrialResult, holds, or_broken, refused};
use crate::optics::StartOfScan;
use crate::{Calls, Description, Halt, Laser, Turn};
use core::f64::consts::TAU;

/// Turns that are watched.
pub(super) const TURNS: u32 = 5;

/// Share of a facet by which its pulse may come early or late: coarser than any polygon is cut.
const MAX_UNEVEN: f64 = 0.25;

pub(super) fn speed_range(trial: &mut Trial) -> TrialResult<()> {
    let head = trial.description()?;
    let before = trial.status()?.target;
    for speed in [head.speed_most * 1.01, head.speed_least * 0.99, 0.0, -head.speed_least] {
        refused(&format!("a speed of {speed} rad/s"), trial.spin(speed))?;
    }
    let after = trial.status()?.target;
    holds(after == before, || format!("the speed asked for became {after:?}"))
}

pub(super) fn steer_range(trial: &mut Trial) -> TrialResult<()> {
    let range = trial.description()?.galvanometer_range;
    for angle in [range * 1.01, -range * 1.01] {
        refused(&format!("an angle of {angle} rad"), trial.steer(Some(angle)))?;
    }
    Ok(())
}

pub(super) fn steer(trial: &mut Trial) -> TrialResult<()> {
    let head = trial.description()?;
    let angle = 0.25 * head.galvanometer_range;
    let no_motion = "the mirror does not move";
    or_broken(no_motion, trial.steer(Some(angle)))?;
    trial.pause(2.0 * head.galvanometer_settling);
    let status = trial.status()?;
    let off = (status.galvanometer - angle).abs();
    holds(off <= 0.02 * head.galvanometer_range, || {
        format!("the mirror stands at {} rad, sent to {angle} rad", status.galvanometer)
    })?;
    or_broken(no_motion, trial.steer(None))?;
    trial.pause(2.0 * head.galvanometer_settling);
    holds(trial.status()?.parked, || "the mirror is sent to park and does not")
}

pub(super) fn lock(trial: &mut Trial) -> TrialResult<()> {
    let head = trial.description()?;
    trial.rest()?;
    let speed = trial.usual_speed()?;
    or_broken("the polygon does not spin", trial.spin(speed))?;
    let (status, locked) = trial.until(head.spin_up_most, |status| status.locked)?;
    holds(locked, || {
        format!("no lock within {:.3} s, at {:.2} rad/s", head.spin_up_most, status.speed)
    })?;
    let same = status.target.is_some_and(|target| (target / speed - 1.0).abs() < 1e-9);
    holds(same, || format!("asked for {speed} rad/s, it says {:?}", status.target))?;
    let off = (status.speed / speed - 1.0).abs();
    // A single turn is measured with some noise beyond the window.
    holds(off <= 2.0 * head.lock_window, || {
        format!("locked at {} rad/s, asked for {speed} rad/s", status.speed)
    })
}

pub(super) fn turns(trial: &mut Trial) -> TrialResult<()> {
    let head = trial.description()?;
    trial.locked()?;
    let speed = trial.usual_speed()?;
    let watched = or_broken("no turns are seen", trial.turns(TURNS))?;
    let count = watched.len();
    holds(u32::try_from(count) == Ok(TURNS), || format!("{count} turns, asked for {TURNS}"))?;
    for turn in &watched {
        let off = (turn.period * speed / TAU - 1.0).abs();
        holds(off <= 2.0 * head.lock_window, || {
            format!("a turn of {} s at {speed} rad/s", turn.period)
        })?;
    }
    let pulses = match head.start_of_scan {
        StartOfScan::EveryFacet if head.counts_in_the_dark() => head.facets,
        StartOfScan::EveryFacet => 0,
        StartOfScan::IndexOnly => 1,
    };
    pulses_fit(&head, &watched, pulses)
}

/// Every turn has so many pulses; where their times are told, one for each, in its place.
pub(super) fn pulses_fit(head: &Description, turns: &[Turn], pulses: u32) -> TrialResult<()> {
    for turn in turns {
        holds(turn.start_of_scan == pulses, || {
            format!("{} start-of-scan pulses in a turn, not {pulses}", turn.start_of_scan)
        })?;
        let facet = turn.period / f64::from(head.facets);
        for (what, times) in [("start-of-scan", &turn.pulses), ("end-of-scan", &turn.ends)] {
            if times.is_empty() {
                continue;
            }
            let count = times.len();
            holds(count == pulses as usize, || {
                format!("the times of {count} {what} pulses in a turn of {pulses}")
            })?;
            let gaps = times.iter().zip(times.iter().skip(1)).map(|(before, next)| next - before);
            let uneven = gaps.into_iter().find(|gap| (gap / facet - 1.0).abs() > MAX_UNEVEN);
            holds(uneven.is_none(), || {
                let gap = uneven.unwrap_or_default();
                format!("{what} pulses {gap} s apart, with one facet every {facet} s")
            })?;
        }
        let early = turn.pulses.first().is_some_and(|first| first.abs() > MAX_UNEVEN * facet);
        holds(!early, || "the first start-of-scan pulse is not at the index")?;
    }
    Ok(())
}

pub(super) fn facet(trial: &mut Trial) -> TrialResult<()> {
    let head = trial.description()?;
    let facet = trial.locked()?.facet;
    holds(facet.is_some_and(|facet| facet < head.facets), || {
        format!("the next facet is {facet:?} of {}", head.facets)
    })
}

pub(super) fn after_refusal(trial: &mut Trial) -> TrialResult<()> {
    let head = trial.description()?;
    let before = trial.locked()?;
    refused("a speed beyond the range", trial.spin(head.speed_most * 1.01))?;
    let after = trial.status()?;
    holds(after.locked && after.target == before.target, || "a refused speed cost the lock")
}

pub(super) fn brake(trial: &mut Trial) -> TrialResult<()> {
    let most = trial.description()?.times.brake_most;
    trial.locked()?;
    or_broken("the polygon does not stop", trial.halt(Halt::Brake))?;
    let target = trial.status()?.target;
    holds(target.is_none(), || format!("halted, it still has {target:?} asked for"))?;
    let (status, rests) = trial.until(most, |status| status.at_rest)?;
    holds(rests, || format!("after {most:.3} s it turns at {:.2} rad/s", status.speed))?;
    holds(!status.locked && status.speed == 0.0, || {
        format!("at rest it says {} rad/s, locked: {}", status.speed, status.locked)
    })
}

pub(super) fn safe(trial: &mut Trial) -> TrialResult<()> {
    let head = trial.description()?;
    trial.locked()?;
    let kept = trial.make_safe(true)?;
    holds(kept.laser_off && kept.kept_spinning, || {
        format!("asked to keep spinning: laser off {}, kept {}", kept.laser_off, kept.kept_spinning)
    })?;
    let safe = trial.make_safe(false)?;
    holds(safe.laser_off && safe.parked && !safe.kept_spinning, || {
        format!("laser off {}, parked {}, kept {}", safe.laser_off, safe.parked, safe.kept_spinning)
    })?;
    holds(safe.troubles.is_empty(), || safe.troubles.join("; "))?;
    let (status, rests) = trial.until(head.coast_most, |status| status.at_rest)?;
    holds(rests, || format!("made safe, it turns at {:.2} rad/s", status.speed))?;
    holds(status.laser == Laser::Off, || "made safe, it is armed")
}
