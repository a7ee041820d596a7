//! The catalogue of faults that can be injected into a simulated head: names, parameters and what
//! users see. What a fault does to a head belongs to the simulator.

use crate::page::paragraph;

/// A kind of fault; [`FAULTS`] describes each.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "the catalogue documents them, for people as well")]
pub enum FaultKind {
    NoLock,
    SlowLock,
    LockLost,
    InterlockOpened,
    LaserStaysArmed,
    RailLow,
    GaugeDead,
    GaugeLying,
    IndexMissing,
    IndexSlipping,
    IndexShifted,
    StartOfScanDropouts,
    GhostPulse,
    GalvanometerStuck,
    StuckTrim,
    StoreInterrupted,
    QueueUnderrun,
    LinkSilent,
    SignalStuck,
    SignalBroken,
}

/// The one parameter of a fault, by what its value is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FaultParameter {
    /// A share from `min` to 1.
    Share {
        /// The smallest.
        min: f64,
    },
    /// A length of at most 10 mm either way.
    Offset,
    /// A facet, counted from 0.
    Facet,
    /// The name of a power rail.
    Rail,
    /// The name of a signal.
    Signal,
    /// The name of a signal that is an input.
    Input,
}

impl FaultParameter {
    /// Its key, such as `facet`, and a value as an option has it, such as `3`.
    fn key_and_example(self) -> (&'static str, &'static str) {
        match self {
            FaultParameter::Share { .. } => ("share", "20 %"),
            FaultParameter::Offset => ("offset", "20 um"),
            FaultParameter::Facet => ("facet", "3"),
            FaultParameter::Rail => ("rail", "drive"),
            FaultParameter::Signal => ("signal", "clamped"),
            FaultParameter::Input => ("signal", "door_open"),
        }
    }

    /// Its key, such as `facet`.
    pub fn key(self) -> &'static str {
        self.key_and_example().0
    }
}

/// A row of the catalogue.
#[derive(Debug, PartialEq)]
pub struct InjectableFault {
    /// Which fault it is.
    pub kind: FaultKind,
    /// Its name in head files, scripts and options.
    pub name: &'static str,
    /// Its one parameter, which must be given.
    pub parameter: Option<FaultParameter>,
}

/// What each fault does, and how it is noticed.
const PAGE: &str = include_str!("faults.md");

impl InjectableFault {
    /// What it does to the head.
    pub fn does(&self) -> &'static str {
        paragraph(PAGE, self.name, 0)
    }

    /// How a routine notices it.
    pub fn symptom(&self) -> &'static str {
        paragraph(PAGE, self.name, 1)
    }

    /// The fault as an option has it, such as `stuck_trim(facet=3)`.
    pub fn example(&self) -> String {
        match self.parameter.map(FaultParameter::key_and_example) {
            Some((key, example)) => format!("{}({key}={})", self.name, example.replace(' ', "")),
            None => self.name.to_string(),
        }
    }

    /// Its parameter as a head file has it, such as `rail = "drive"`.
    pub fn key(&self) -> Option<String> {
        self.parameter.map(|parameter| {
            let (key, example) = parameter.key_and_example();
            match parameter {
                FaultParameter::Facet => format!("{key} = {example}"),
                _ => format!("{key} = \"{example}\""),
            }
        })
    }
}

const fn fault(
    kind: FaultKind,
    name: &'static str,
    parameter: Option<FaultParameter>,
) -> InjectableFault {
    InjectableFault { kind, name, parameter }
}

/// Every fault that can be injected.
pub const FAULTS: &[InjectableFault] = &[
    fault(FaultKind::NoLock, "no_lock", None),
    fault(FaultKind::SlowLock, "slow_lock", Some(FaultParameter::Share { min: 0.01 })),
    fault(FaultKind::LockLost, "lock_lost", None),
    fault(FaultKind::InterlockOpened, "interlock_opened", None),
    fault(FaultKind::LaserStaysArmed, "laser_stays_armed", None),
    fault(FaultKind::RailLow, "rail_low", Some(FaultParameter::Rail)),
    fault(FaultKind::GaugeDead, "gauge_dead", None),
    fault(FaultKind::GaugeLying, "gauge_lying", Some(FaultParameter::Offset)),
    fault(FaultKind::IndexMissing, "index_missing", None),
    fault(FaultKind::IndexSlipping, "index_slipping", None),
    fault(FaultKind::IndexShifted, "index_shifted", None),
    fault(
        FaultKind::StartOfScanDropouts,
        "start_of_scan_dropouts",
        Some(FaultParameter::Share { min: 0.0 }),
    ),
    fault(FaultKind::GhostPulse, "ghost_pulse", Some(FaultParameter::Facet)),
    fault(FaultKind::GalvanometerStuck, "galvanometer_stuck", None),
    fault(FaultKind::StuckTrim, "stuck_trim", Some(FaultParameter::Facet)),
    fault(FaultKind::StoreInterrupted, "store_interrupted", None),
    fault(FaultKind::QueueUnderrun, "queue_underrun", None),
    fault(FaultKind::LinkSilent, "link_silent", None),
    fault(FaultKind::SignalStuck, "signal_stuck", Some(FaultParameter::Signal)),
    fault(FaultKind::SignalBroken, "signal_broken", Some(FaultParameter::Input)),
];

#[cfg(test)]
mod tests {
    use super::{FAULTS, PAGE};
    use crate::page::headings;

    #[test]
    fn every_fault_has_its_sentences() {
        let names: Vec<&str> = FAULTS.iter().map(|fault| fault.name).collect();
        assert_eq!(headings(PAGE).collect::<Vec<_>>(), names);
        assert!(FAULTS.iter().all(|f| f.does().ends_with('.') && f.symptom().ends_with('.')));
    }
}
