//! Contracts of the trim registers. What was in force before is put back.

use crate::contract::trial::{Trial, TrialResult, holds, or_broken, or_skipped, refused, skipped};
use crate::{Calls, Proof, PulseAngle, Trim};

/// Tries something, then loads the trims that were in force.
pub(super) fn restored(
    trial: &mut Trial,
    check: impl FnOnce(&mut Trial, &[Trim]) -> TrialResult<()>,
) -> TrialResult<()> {
    let before = trial.trims()?;
    let checked = check(trial, &before);
    let back = trial.load_trims(&before);
    checked?;
    or_broken("the former trims cannot be loaded", back)
}

pub(super) fn wrong_count(trial: &mut Trial) -> TrialResult<()> {
    restored(trial, |trial, before| {
        let mut more = before.to_vec();
        more.push(Trim::default());
        let fewer = before.get(1..).unwrap_or_default();
        refused("one trim too many", trial.load_trims(&more))?;
        refused("one trim too few", trial.load_trims(fewer))?;
        let after = trial.trims()?;
        holds(after == before, || "the trims changed though they were refused")
    })
}

pub(super) fn rounding(trial: &mut Trial) -> TrialResult<()> {
    restored(trial, |trial, before| {
        let head = trial.description()?;
        let (time, angle) = (head.in_scan_trim, head.cross_scan_trim);
        let trims: Vec<Trim> = (0..before.len())
            .map(|k| {
                // Off the steps, either way of zero, another one for each facet.
                let steps = k as f64 - 2.0 + 0.3;
                Trim {
                    in_scan: steps * time.step,
                    cross_scan: -steps * angle.step,
                    ..Trim::default()
                }
            })
            .collect();
        let fits =
            |trim: &Trim| time.hold(trim.in_scan).is_ok() && angle.hold(trim.cross_scan).is_ok();
        if !trims.iter().all(fits) {
            return Err(skipped("the registers hold too few steps"));
        }
        or_broken("trims inside the range are refused", trial.load_trims(&trims))?;
        for (k, (asked, held)) in trims.iter().zip(trial.trims()?).enumerate() {
            let parts = [
                ("in-scan", asked.in_scan, held.in_scan, time),
                ("cross-scan", asked.cross_scan, held.cross_scan, angle),
            ];
            for (what, asked, held, register) in parts {
                let wanted = register.hold(asked).unwrap_or(f64::NAN);
                let same = (held - wanted).abs() <= 1e-6 * register.step;
                holds(same, || {
                    format!("facet {k}: {what} {asked} reads back as {held}, not as {wanted}")
                })?;
            }
        }
        Ok(())
    })
}

pub(super) fn range(trial: &mut Trial) -> TrialResult<()> {
    restored(trial, |trial, before| {
        let head = trial.description()?;
        let mut trims = before.to_vec();
        let Some(last) = trims.last_mut() else { return Ok(()) };
        last.in_scan = head.in_scan_trim.range + 2.0 * head.in_scan_trim.step;
        refused("an in-scan trim beyond its register", trial.load_trims(&trims))?;
        let mut trims = before.to_vec();
        let Some(last) = trims.last_mut() else { return Ok(()) };
        last.cross_scan = -head.cross_scan_trim.range - 2.0 * head.cross_scan_trim.step;
        refused("a cross-scan trim beyond its register", trial.load_trims(&trims))?;
        let after = trial.trims()?;
        holds(after == before, || "the trims changed though they were refused")
    })
}

pub(super) fn proof(trial: &mut Trial) -> TrialResult<()> {
    let head = trial.description()?;
    restored(trial, |trial, _| {
        let before = or_skipped("no proof is told", trial.stored_proof())?;
        let pattern = vec![PulseAngle { angle: 1.25e-6, u: 0.5e-6 }; head.facets as usize];
        let (speed, temperature) = (head.speed_most, trial.status()?.temperature);
        let given = Some(Proof { speed, power: 0.25, temperature, pattern });
        or_broken("trims cannot be stored with a proof", trial.store_trims(given.as_ref()))?;
        let kept = or_broken("the proof is not told", trial.stored_proof())?;
        or_broken("trims cannot be stored", trial.store_trims(None))?;
        let forgotten = trial.stored_proof().is_ok_and(|proof| proof.is_none());
        if before.is_some() {
            or_broken("the former proof cannot be stored", trial.store_trims(before.as_ref()))?;
        }
        holds(kept.is_none() || kept == given, || format!("stored with a proof, it has {kept:?}"))?;
        holds(forgotten, || "stored without a proof, it still has the former one")
    })
}

pub(super) fn store(trial: &mut Trial) -> TrialResult<()> {
    restored(trial, |trial, before| {
        or_broken("trims cannot be stored", trial.store_trims(None))?;
        let after = trial.trims()?;
        holds(after == before, || "storing changed the trims in force")
    })
}
