//! Contracts of polygon and galvanometer.

use crate::head::contract::Found;
use crate::head::contract::bench::{Bench, broken, found, holds, refused};
use crate::head::{Halt, Laser};
use crate::optics::StartOfScan;
use core::f64::consts::TAU;

/// Turns that are watched.
const TURNS: u32 = 5;

pub(super) fn speed_range(bench: &mut Bench) -> Found {
    found((|| {
        let head = bench.description()?;
        let before = bench.status()?.target;
        for speed in [head.speed_most * 1.01, head.speed_least * 0.99, 0.0, -head.speed_least] {
            refused(&format!("a speed of {speed} rad/s"), bench.spin(speed))?;
        }
        let after = bench.status()?.target;
        holds(after == before, || format!("the speed asked for became {after:?}"))
    })())
}

pub(super) fn steer_range(bench: &mut Bench) -> Found {
    found((|| {
        let range = bench.description()?.galvanometer_range;
        for angle in [range * 1.01, -range * 1.01] {
            refused(&format!("an angle of {angle} rad"), bench.steer(Some(angle)))?;
        }
        Ok(())
    })())
}

pub(super) fn steer(bench: &mut Bench) -> Found {
    found((|| {
        let head = bench.description()?;
        let angle = 0.25 * head.galvanometer_range;
        let taken = |fault| broken(format!("the mirror does not move: {fault}"));
        bench.steer(Some(angle)).map_err(taken)?;
        bench.pause(2.0 * head.galvanometer_settling);
        let status = bench.status()?;
        let off = (status.galvanometer - angle).abs();
        holds(off <= 0.02 * head.galvanometer_range, || {
            format!("the mirror stands at {} rad, sent to {angle} rad", status.galvanometer)
        })?;
        bench.steer(None).map_err(taken)?;
        bench.pause(2.0 * head.galvanometer_settling);
        holds(bench.status()?.parked, || "the mirror is sent to park and does not".to_string())
    })())
}

pub(super) fn lock(bench: &mut Bench) -> Found {
    found((|| {
        let head = bench.description()?;
        bench.rest()?;
        let speed = bench.usual_speed()?;
        let taken = bench.spin(speed);
        taken.map_err(|fault| broken(format!("the polygon does not spin: {fault}")))?;
        let (status, locked) = bench.until(head.spin_up_most, |status| status.locked)?;
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
    })())
}

pub(super) fn turns(bench: &mut Bench) -> Found {
    found((|| {
        let head = bench.description()?;
        bench.locked()?;
        let speed = bench.usual_speed()?;
        let watched = bench.turns(TURNS);
        let watched = watched.map_err(|fault| broken(format!("no turns are seen: {fault}")))?;
        let count = watched.len();
        holds(u32::try_from(count) == Ok(TURNS), || format!("{count} turns, asked for {TURNS}"))?;
        let pulses = match head.start_of_scan {
            StartOfScan::EveryFacet => head.facets,
            StartOfScan::IndexOnly => 1,
        };
        for turn in watched {
            let off = (turn.period * speed / TAU - 1.0).abs();
            holds(off <= 2.0 * head.lock_window, || {
                format!("a turn of {} s at {speed} rad/s", turn.period)
            })?;
            holds(turn.start_of_scan == pulses, || {
                format!("{} start-of-scan pulses in a turn, not {pulses}", turn.start_of_scan)
            })?;
        }
        Ok(())
    })())
}

pub(super) fn facet(bench: &mut Bench) -> Found {
    found((|| {
        let head = bench.description()?;
        let facet = bench.locked()?.facet;
        holds(facet.is_some_and(|facet| facet < head.facets), || {
            format!("the next facet is {facet:?} of {}", head.facets)
        })
    })())
}

pub(super) fn after_refusal(bench: &mut Bench) -> Found {
    found((|| {
        let head = bench.description()?;
        let before = bench.locked()?;
        refused("a speed beyond the range", bench.spin(head.speed_most * 1.01))?;
        let after = bench.status()?;
        holds(after.locked && after.target == before.target, || {
            "a refused speed cost the lock".to_string()
        })
    })())
}

pub(super) fn brake(bench: &mut Bench) -> Found {
    found((|| {
        let most = bench.description()?.times.brake_most;
        bench.locked()?;
        let taken = bench.halt(Halt::Brake);
        taken.map_err(|fault| broken(format!("the polygon does not stop: {fault}")))?;
        let target = bench.status()?.target;
        holds(target.is_none(), || format!("halted, it still has {target:?} asked for"))?;
        let (status, rests) = bench.until(most, |status| status.at_rest)?;
        holds(rests, || format!("after {most:.3} s it turns at {:.2} rad/s", status.speed))?;
        holds(!status.locked && status.speed == 0.0, || {
            format!("at rest it says {} rad/s, locked: {}", status.speed, status.locked)
        })
    })())
}

pub(super) fn safe(bench: &mut Bench) -> Found {
    found((|| {
        let head = bench.description()?;
        bench.locked()?;
        let kept = bench.make_safe(true)?;
        holds(kept.laser_off && kept.kept_spinning, || {
            format!(
                "asked to keep spinning: laser off {}, kept {}",
                kept.laser_off, kept.kept_spinning
            )
        })?;
        let safe = bench.make_safe(false)?;
        holds(safe.laser_off && safe.parked && !safe.kept_spinning, || {
            format!(
                "laser off {}, parked {}, kept {}",
                safe.laser_off, safe.parked, safe.kept_spinning
            )
        })?;
        holds(safe.troubles.is_empty(), || safe.troubles.join("; "))?;
        let (status, rests) = bench.until(head.coast_most, |status| status.at_rest)?;
        holds(rests, || format!("made safe, it turns at {:.2} rad/s", status.speed))?;
        holds(status.laser == Laser::Off, || "made safe, it is armed".to_string())
    })())
}
