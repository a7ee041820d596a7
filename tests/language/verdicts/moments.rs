//! Faults at any moment of an acceptance: a good head, one fault of a random size at a random time of
//! `scripts/accept.spt`. Each is seen, or it changes nothing of what leaves the station.

use crate::verdicts::heads::{Draw, RandomHead};
use crate::verdicts::{Tally, Told, limits, run, script};
use spintrue_head::{FAULTS, FaultKind, FaultParameter, InjectableFault};
use spintrue_language::{Prepared, Verdict};
use std::collections::BTreeMap;

/// Seeds of the built-in head with which it passes when nothing is injected.
const SEEDS: u64 = 10;

fn accepting() -> Prepared {
    script("accept.spt", &["@datasheets/ten_facet.toml".to_string()])
}

/// A size of a fault that is none too small to matter in a head that is shipped.
fn parameter(draw: &mut Draw, kind: &InjectableFault) -> String {
    let Some(parameter) = kind.parameter else { return String::new() };
    let value = match parameter {
        FaultParameter::Share { min } if min > 0.0 => format!("{}", draw.within(0.05, 0.6)),
        FaultParameter::Share { .. } => format!("{}", 10_f64.powf(draw.within(-3.0, -0.3))),
        FaultParameter::Offset => {
            format!("{} um", draw.sign() * 10_f64.powf(draw.within(-0.5, 2.0)))
        }
        FaultParameter::Facet => draw.whole(0, 9).to_string(),
        FaultParameter::Rail => (*draw.one_of(&["logic", "drive"])).to_string(),
        FaultParameter::Signal | FaultParameter::Input => unreachable!("of a station"),
    };
    format!("({}={value})", parameter.key())
}

/// The calls that a fault shows in. One that strikes after the last of them, before trims are stored, is as one
/// that strikes after the head has left.
fn shows_in(kind: FaultKind) -> &'static [&'static str] {
    match kind {
        FaultKind::NoLock => &["Status"],
        FaultKind::SlowLock | FaultKind::IndexShifted => &["spin-up"],
        FaultKind::LockLost | FaultKind::RailLow | FaultKind::InterlockOpened => &["Status"],
        FaultKind::LaserStaysArmed => &["Disarm"],
        FaultKind::GaugeDead | FaultKind::GaugeLying => &["Measure"],
        FaultKind::IndexMissing
        | FaultKind::IndexSlipping
        | FaultKind::StartOfScanDropouts
        | FaultKind::GhostPulse => &["Turns", "Expose"],
        FaultKind::GalvanometerStuck | FaultKind::QueueUnderrun => &["Expose"],
        FaultKind::StuckTrim => &["LoadTrims"],
        FaultKind::StoreInterrupted => &["StoreTrims"],
        FaultKind::LinkSilent => &["Status", "Turns", "Expose", "Measure", "StoreTrims"],
        FaultKind::SignalStuck | FaultKind::SignalBroken => &[],
    }
}

/// Whether a run may pass with a fault in it, its lines being right: the fault struck when nothing was looked at
/// any more in which it shows; or it is over, or so small that all that it does was measured and conforms: the lock
/// that was lost has come back, the drive locks in time, the gauge is off by less than is allowed.
fn is_excused(kind: FaultKind, at: f64, told: &Told) -> bool {
    let last = |call: &&str| told.asked.last.get(*call).copied();
    let last = shows_in(kind).iter().filter_map(last).fold(0.0, f64::max);
    let is_measured =
        matches!(kind, FaultKind::LockLost | FaultKind::SlowLock | FaultKind::GaugeLying);
    at > last || is_measured
}

fn moments(count: u64) {
    let prepared = accepting();
    let limits = limits(&prepared);
    let whole = run(&prepared, &RandomHead::built_in());
    let ends = whole.asked.ended;
    println!("a run takes {ends:.1} s; last calls: {:?}", whole.asked.last);
    let mut tally = Tally::default();
    let kinds = FAULTS.iter().filter(|kind| {
        !matches!(kind.parameter, Some(FaultParameter::Signal | FaultParameter::Input))
    });
    for kind in kinds {
        let mut verdicts: BTreeMap<String, u64> = BTreeMap::new();
        let mut draw = Draw::new(kind.name.bytes().map(u64::from).sum());
        for k in 0..count {
            // A gauge that lies from its first reading on has an offset, which no script can see: it is calibrated.
            let first = match kind.kind {
                FaultKind::GaugeLying => whole.asked.last["first Measure"],
                _ => 0.0,
            };
            let at = draw.within(first, ends);
            let fault = format!("{}{}@{at}s", kind.name, parameter(&mut draw, kind));
            let mut random = RandomHead {
                seed: 1 + k % SEEDS,
                faults: vec![fault.clone()],
                defects: vec![fault.clone()],
                ..RandomHead::built_in()
            };
            let told = run(&prepared, &random);
            *verdicts.entry(format!("{:?}", told.verdict)).or_default() += 1;
            if told.verdict == Verdict::Passed {
                if !is_excused(kind.kind, at, &told) {
                    tally.wrong.push(format!("{fault} passes"));
                }
                // What was measured last must be right, on a twin that turns steadily.
                random.faults.clear();
                tally.check(&random, &told, &limits);
            } else if told.asked.last.get("StoreTrims").is_some_and(|stored| at < *stored) {
                tally.wrong.push(format!("{fault} does not pass, but trims are stored"));
            }
        }
        println!("{}: {verdicts:?}", kind.name);
    }
    assert!(tally.wrong.is_empty(), "{}", tally.wrong.join("\n"));
}

#[test]
#[ignore = "takes minutes: tests/extra/verdicts.sh"]
fn faults_at_any_moment_are_seen_or_harmless() {
    let count = std::env::var("MOMENTS").map_or(200, |count| count.parse().unwrap());
    moments(count);
}
