//! Contracts that only read, disarm and make safe.

use crate::contract::trial::{Trial, TrialResult, broken, holds, or_broken, skipped};
use crate::plausible::temperature;
use crate::signals::{Channel, Direction};
use crate::{Calls, Description, FacetMean, Fault, Laser};
use std::collections::BTreeSet;

/// Doubtful values of a description that are told of.
const MAX_DOUBTS: usize = 4;

/// Looks at a clock.
const LOOKS: usize = 50;

/// Time in s that is let pass.
const PAUSE: f64 = 0.05;

pub(super) fn description(trial: &mut Trial) -> TrialResult<()> {
    let silent = "the head does not say what it is";
    let first = or_broken(silent, trial.describe())?;
    let again = or_broken(silent, trial.describe())?;
    holds(first == again, || "two descriptions in a row differ")?;
    sane(&first)
}

/// Every value of a description lies where a head can have it.
fn sane(head: &Description) -> TrialResult<()> {
    let named =
        |what: &str, text: &str| holds(!text.trim().is_empty(), || format!("the {what} is blank"));
    named("model", &head.model)?;
    named("serial number", &head.serial)?;
    let doubts = head.implausible();
    holds(doubts.is_empty(), || listed(&doubts))?;
    let mut names = BTreeSet::new();
    let all = head.signals.iter().map(|signal| &signal.name);
    for name in all.chain(head.channels.iter().map(|channel| &channel.name)) {
        named("name of a signal or a channel", name)?;
        holds(names.insert(name), || format!("two signals or channels are called `{name}`"))?;
    }
    for signal in &head.signals {
        let says = signal.direction == Direction::Input || signal.at_safe.is_some();
        holds(says, || format!("`{}` does not say what it is when made safe", signal.name))?;
    }
    for channel in &head.channels {
        let Channel { name, unit, least, most, .. } = channel;
        holds(channel.unit().is_some(), || format!("`{name}` has the unit `{unit}`"))?;
        holds(least < most && least.is_finite() && most.is_finite(), || {
            format!("`{name}` goes from {least} to {most}")
        })?;
        let safe = channel.at_safe.is_none_or(|value| channel.takes(value));
        holds(safe, || format!("`{name}` is beyond its range when made safe"))?;
    }
    for rail in &head.rails {
        named("name of a rail", &rail.name)?;
    }
    Ok(())
}

/// The first few of them.
fn listed(doubts: &[String]) -> String {
    let first = doubts.iter().take(MAX_DOUBTS).cloned().collect::<Vec<_>>().join("; ");
    match doubts.len().saturating_sub(MAX_DOUBTS) {
        0 => first,
        more => format!("{first}; and {more} more"),
    }
}

pub(super) fn status(trial: &mut Trial) -> TrialResult<()> {
    let head = trial.description()?;
    let status = trial.status()?;
    let (rails, wanted) = (status.rails.len(), head.rails.len());
    holds(rails == wanted, || format!("{rails} voltages for {wanted} rails"))?;
    if let Some(facet) = status.facet {
        holds(facet < head.facets, || format!("facet {facet} of {}", head.facets))?;
    }
    let values = [status.time, status.speed, status.galvanometer, status.temperature];
    let values = values.iter().chain(&status.rails).chain(&status.target);
    for value in values {
        holds(value.is_finite(), || format!("{value} among its numbers"))?;
    }
    let doubt = temperature(status.temperature);
    holds(doubt.is_none(), || doubt.unwrap_or_default())?;
    holds(!(status.at_rest && status.locked), || "at rest and locked at once")
}

pub(super) fn clock(trial: &mut Trial) -> TrialResult<()> {
    let mut last = trial.head.now();
    for _ in 0..LOOKS {
        let status = trial.status()?.time;
        let now = trial.head.now();
        holds(now.is_finite(), || format!("the clock says {now}"))?;
        holds(now >= last, || format!("the clock went from {last} s back to {now} s"))?;
        // The status was read between the two looks, in whole digits of some wire.
        let between = status >= last - 1e-3 && status <= now + 1e-3;
        holds(between, || format!("a status of {status} s between {last} s and {now} s"))?;
        last = now;
    }
    Ok(())
}

pub(super) fn sleep(trial: &mut Trial) -> TrialResult<()> {
    let before = trial.head.now();
    trial.pause(PAUSE);
    let passed = trial.head.now() - before;
    holds(passed >= PAUSE - 1e-9, || format!("{passed} s passed in a sleep of {PAUSE} s"))?;
    let before = trial.head.now();
    trial.pause(0.0);
    trial.pause(-1.0);
    let passed = trial.head.now() - before;
    holds(passed >= 0.0, || format!("{passed} s passed in no sleep at all"))
}

pub(super) fn disarmed(trial: &mut Trial) -> TrialResult<()> {
    trial.check_off("the laser is armed before any command")
}

pub(super) fn disarm(trial: &mut Trial) -> TrialResult<()> {
    trial.disarm()?;
    trial.disarm()?;
    trial.check_off("the laser is armed behind disarming")
}

pub(super) fn trims(trial: &mut Trial) -> TrialResult<()> {
    let head = trial.description()?;
    let trims = trial.trims()?;
    let (count, facets) = (trims.len(), head.facets);
    holds(u32::try_from(count) == Ok(facets), || format!("{count} trims, {facets} facets"))?;
    for (k, trim) in trims.iter().enumerate() {
        let registers =
            [(trim.in_scan, head.in_scan_trim), (trim.cross_scan, head.cross_scan_trim)];
        for (value, register) in registers {
            let held = register.hold(value).unwrap_or(f64::NAN);
            let same = (held - value).abs() <= 1e-6 * register.step;
            holds(same, || format!("facet {k} has a trim of {value}, which is no step"))?;
        }
    }
    Ok(())
}

pub(super) fn no_turns(trial: &mut Trial) -> TrialResult<()> {
    if !trial.status()?.at_rest {
        return Err(skipped("the polygon turns"));
    }
    match trial.turns(1) {
        Err(_) => Ok(()),
        Ok(turns) => Err(broken(format!("{} turns at rest", turns.len()))),
    }
}

pub(super) fn gauge(trial: &mut Trial) -> TrialResult<()> {
    match trial.measure() {
        Err(Fault::Broken(why)) => Err(broken(format!("the gauge: {why}"))),
        Err(none @ Fault::NoGauge) => Err(skipped(none.to_string())),
        Err(_) => Ok(()),
        Ok(reading) => {
            let good = FacetMean::of(std::slice::from_ref(&reading), 0.0).is_ok();
            holds(good, || format!("{reading:?}"))
        }
    }
}

pub(super) fn safe(trial: &mut Trial) -> TrialResult<()> {
    for _ in 0..2 {
        let safe = trial.make_safe(false)?;
        holds(safe.laser_off, || "the laser is not known to be off")?;
        holds(safe.parked, || "the mirror is not parked")?;
        holds(safe.troubles.is_empty(), || safe.troubles.join("; "))?;
        let status = trial.status()?;
        holds(status.laser == Laser::Off, || "the laser is armed behind it")?;
        holds(status.target.is_none(), || "a speed is still asked for")?;
    }
    Ok(())
}

pub(super) fn times(trial: &mut Trial) -> TrialResult<()> {
    trial.status()?;
    trial.trims()?;
    holds(trial.late.is_empty(), || trial.late.join("; "))
}
