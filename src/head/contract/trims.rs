//! Contracts of the trim registers. What was in force before is put back.

use crate::head::Trim;
use crate::head::contract::Found;
use crate::head::contract::bench::{Bench, Checked, broken, found, holds, refused};

/// Tries something, then loads the trims that were in force.
pub(super) fn restored(
    bench: &mut Bench,
    check: impl FnOnce(&mut Bench, &[Trim]) -> Checked<()>,
) -> Found {
    found((|| {
        let before = bench.trims()?;
        let checked = check(bench, &before);
        let back = bench.load(&before);
        checked?;
        back.map_err(|fault| broken(format!("the former trims cannot be loaded: {fault}")))
    })())
}

pub(super) fn wrong_count(bench: &mut Bench) -> Found {
    restored(bench, |bench, before| {
        let mut more = before.to_vec();
        more.push(Trim::default());
        let fewer = before.get(1..).unwrap_or_default();
        refused("one trim too many", bench.load(&more))?;
        refused("one trim too few", bench.load(fewer))?;
        let after = bench.trims()?;
        holds(after == before, || "the trims changed though they were refused".to_string())
    })
}

pub(super) fn rounding(bench: &mut Bench) -> Found {
    restored(bench, |bench, before| {
        let head = bench.description()?;
        let (time, angle) = (head.in_scan_trim, head.cross_scan_trim);
        let trims: Vec<Trim> = (0..before.len())
            .map(|k| {
                // Off the steps, either way of zero, another one for each facet.
                let steps = k as f64 - 2.0 + 0.3;
                Trim { in_scan: steps * time.step, cross_scan: -steps * angle.step }
            })
            .collect();
        let fits =
            |trim: &Trim| time.hold(trim.in_scan).is_ok() && angle.hold(trim.cross_scan).is_ok();
        if !trims.iter().all(fits) {
            return Err(Found::Skipped("the registers hold too few steps".to_string()));
        }
        let loaded = bench.load(&trims);
        loaded.map_err(|fault| broken(format!("trims inside the range are refused: {fault}")))?;
        for (k, (asked, held)) in trims.iter().zip(bench.trims()?).enumerate() {
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

pub(super) fn range(bench: &mut Bench) -> Found {
    restored(bench, |bench, before| {
        let head = bench.description()?;
        let mut trims = before.to_vec();
        let Some(last) = trims.last_mut() else { return Ok(()) };
        last.in_scan = head.in_scan_trim.range + 2.0 * head.in_scan_trim.step;
        refused("an in-scan trim beyond its register", bench.load(&trims))?;
        let mut trims = before.to_vec();
        let Some(last) = trims.last_mut() else { return Ok(()) };
        last.cross_scan = -head.cross_scan_trim.range - 2.0 * head.cross_scan_trim.step;
        refused("a cross-scan trim beyond its register", bench.load(&trims))?;
        let after = bench.trims()?;
        holds(after == before, || "the trims changed though they were refused".to_string())
    })
}

pub(super) fn store(bench: &mut Bench) -> Found {
    restored(bench, |bench, before| {
        let stored = bench.store();
        stored.map_err(|fault| broken(format!("trims cannot be stored: {fault}")))?;
        let after = bench.trims()?;
        holds(after == before, || "storing changed the trims in force".to_string())
    })
}
